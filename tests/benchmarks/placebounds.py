"""How well the rows of a trace can tell at best where lines and arcs join: Cramér-Rao bounds.

Of Gaussian noise with the known covariance C on the radii, the Fisher information about the numbers
of a chain is J' inv(C) J, where J holds the derivatives of the radii (S. M. Kay: Fundamentals of
Statistical Signal Processing, Estimation Theory, Prentice Hall 1993, section 3.9, equation (3.31);
from memory). No unbiased method places a joint with a smaller variance than the inverse allows.

Where two curves flow into each other, the place of their joint has no finite bound unless that is
known; so what is level or flows in the chain is taken for known to be so. With these constraints
the bound is U inv(U' F U) U', U a basis of what they leave free (P. Stoica, B. C. Ng: On the
Cramér-Rao bound under parametric constraints. IEEE Signal Processing Letters 5 (7), 1998; from
memory). To know more lowers the bound, so that it holds for a method that knows less.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve, null_space, toeplitz
from sheetturnings import SCATTER_MM, STEEPEST_COSINE, WOBBLE_MM, rows_of, wobble_kernel

from measure.chain import Chain, directions

FloatArray = NDArray[np.float64]

NUDGE_MM = 1e-5
FLOWS_RAD = 1e-9


@dataclass(frozen=True)
class Bound:
    """The least covariance (p, p) of the numbers named 'z', 'r' or 'bulge' and their index."""

    names: tuple[tuple[str, int], ...]
    covariance: FloatArray

    def sd(self, what: str, index: int) -> float:
        """Return the least standard deviation of a number; KeyError for one that is held."""
        place = {name: i for i, name in enumerate(self.names)}[what, index]
        return float(np.sqrt(self.covariance[place, place]))


def trace_covariance(cosine: FloatArray) -> FloatArray:
    """Return the covariance of the radii of rows whose outline has these cosines of its slope."""
    kernel = wobble_kernel()
    own = np.correlate(kernel, kernel, "full")[len(kernel) - 1 :]
    column = np.zeros(len(cosine))
    common = min(len(own), len(column))
    column[:common] = WOBBLE_MM**2 * own[:common]
    column[0] += SCATTER_MM**2
    steep = np.maximum(cosine, STEEPEST_COSINE)
    return np.asarray(toeplitz(column) / np.outer(2.0 * steep, 2.0 * steep))


def trace_bound(chain: Chain) -> Bound:
    """Return the bound for the rows that `sheetturnings.traced` gives of a chain."""
    z, _, cosine = rows_of(chain)
    return bound_of(chain, z, trace_covariance(cosine))


def flowing_joints(chain: Chain) -> list[int]:
    """Return the nodes where an arc flows into the next segment without a corner."""
    starts, ends = directions(chain.z_mm, chain.r_mm, chain.bulge)
    flows = np.abs(starts[1:] - ends[:-1]) < FLOWS_RAD
    return [k + 1 for k in np.flatnonzero(flows) if chain.is_arc(k) or chain.is_arc(k + 1)]


def bound_of(chain: Chain, z: FloatArray, covariance: FloatArray) -> Bound:
    """Return the bound of the numbers of a chain; both its ends' and its shoulders' z are held.

    Parameters
    ----------
    chain : the outline as it is.
    z : (n,) rows in order along it, two at each shoulder, mm.
    covariance : (n, n) of the noise of the radii, mm^2.
    """
    last = len(chain.bulge)
    walls = [k for k in range(last) if chain.is_shoulder(k)]
    held = {0, last, *walls, *(k + 1 for k in walls)}
    names = tuple(
        [("z", k) for k in range(last + 1) if k not in held]
        + [("r", k) for k in range(last + 1)]
        + [("bulge", k) for k in range(last) if chain.is_arc(k)]
    )
    runs = np.split(np.arange(len(z)), np.flatnonzero(np.diff(z) <= 0.0) + 1)
    edges = [0, *(k + 1 for k in walls), last + 1]
    level = [k for k in range(last) if not chain.is_arc(k) and not np.diff(chain.r_mm)[k]]
    flowing = flowing_joints(chain)

    def radii(c: Chain) -> FloatArray:
        parts = [Chain(c.z_mm[a:b], c.r_mm[a:b], c.bulge[a : b - 1]) for a, b in pairwise(edges)]
        return np.concatenate([p.radius_at(z[run]) for p, run in zip(parts, runs, strict=True)])

    def constraints(c: Chain) -> FloatArray:
        starts, ends = directions(c.z_mm, c.r_mm, c.bulge)
        corners = [starts[k] - ends[k - 1] for k in flowing]
        return np.array(corners + [c.r_mm[k + 1] - c.r_mm[k] for k in level])

    slopes = _slopes(radii, chain, names)
    tied = bool(flowing or level)
    left = null_space(_slopes(constraints, chain, names)) if tied else np.eye(len(names))
    free = slopes @ left
    fisher = free.T @ cho_solve(cho_factor(covariance), free)
    return Bound(names, left @ np.linalg.inv(fisher) @ left.T)


def _slopes(
    of: Callable[[Chain], FloatArray], chain: Chain, names: tuple[tuple[str, int], ...]
) -> FloatArray:
    """Return the derivatives of a function of a chain by its numbers, by central differences."""
    columns = []
    for what, k in names:
        ends = []
        for step in (NUDGE_MM, -NUDGE_MM):
            z, r, bulge = chain.z_mm.copy(), chain.r_mm.copy(), chain.bulge.copy()
            {"z": z, "r": r, "bulge": bulge}[what][k] += step
            ends.append(of(Chain(z, r, bulge)))
        columns.append((ends[0] - ends[1]) / (2.0 * NUDGE_MM))
    return np.array(columns).T
