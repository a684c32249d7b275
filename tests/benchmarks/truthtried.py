"""Where features came out wrong: would the criterion have liked those that were made better?

If so the search went past them. If not, rows as noisy as these do not tell them from what was
found, and no search for the best value of the criterion can.
"""

from __future__ import annotations

import numpy as np
from placebounds import flowing_joints

from measure.chain import Chain
from measure.chainequations import Tie
from measure.chainfit import ChainFit, fit_chain
from measure.fair import FairCurve, normal_sigma
from measure.profile import Profile
from measure.runfit import simplify
from measure.runsearch import GAIN


def was_missed(made: Chain, curve: FairCurve, profile: Profile) -> bool:
    """Say whether the chain as made, fitted to the same rows, is better at every price.

    It is tried as it is and with what the criterion drops of it.

    Parameters
    ----------
    made : the true outline; it gives the segments, what flows, what is level, and the start.
    curve : what was chosen, with its prices.
    profile : gapless rows, two at each shoulder.
    """
    sigma = normal_sigma(profile)
    fits = []
    for run in np.split(np.arange(len(sigma)), np.flatnonzero(np.diff(profile.z_mm) <= 0.0) + 1):
        rows = profile.z_mm[run], 0.5 * profile.diameter_mm[run], sigma[run]
        whole = _fitted(made, *rows)
        fits.append((whole, simplify(*rows, whole, *curve.prices[:2])))
    return any(
        all(
            sum(fit.criterion(price) for fit in as_tried) < curve.chi2 + curve.free * price - GAIN
            for price in curve.prices
        )
        for as_tried in zip(*fits, strict=True)
    )


def _fitted(made: Chain, z: np.ndarray, r: np.ndarray, sigma: np.ndarray) -> ChainFit:
    """Return the part of a chain between two shoulders, fitted to the rows there."""
    own = [
        k
        for k in range(len(made.bulge))
        if not made.is_shoulder(k)
        and made.z_mm[k] >= z[0] - 1e-6
        and made.z_mm[k + 1] <= z[-1] + 1e-6
    ]
    first, last = own[0], own[-1]
    nodes = slice(first, last + 2)
    start = Chain(made.z_mm[nodes].copy(), made.r_mm[nodes], made.bulge[first : last + 1])
    start.z_mm[[0, -1]] = z[[0, -1]]
    ties: list[Tie] = [("tangent", k) for k in flowing_joints(start)]
    ties += [("level", k) for k in range(len(own))
             if not start.is_arc(k) and start.r_mm[k] == start.r_mm[k + 1]]  # fmt: skip
    arcs = np.array([start.is_arc(k) for k in range(len(own))])
    return fit_chain(z, r, sigma, start, arcs, tuple(ties))
