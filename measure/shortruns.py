"""Runs too short between gaps to be called anything: said as the outline that was seen there."""

from __future__ import annotations

import numpy as np

from measure.chain import Chain
from measure.fair import FairCurve
from measure.features import OUTLINE, Feature
from measure.profile import Profile

__all__ = ["with_short_runs"]

LEAST_RUN_MM = 5.0
"""A run between gaps that is shorter than this does not tell a bead from a cove (common practice,
no source)."""


def with_short_runs(
    features: tuple[Feature, ...], curve: FairCurve, profile: Profile
) -> tuple[Feature, ...]:
    """Put one outline in place of the features of each run too short between gaps to tell them.

    Parameters
    ----------
    features : of the curve, in order along z.
    profile : the rows that the curve was fitted to, for the uncertainties.
    """
    found: list[Feature] = []
    for chain in curve.chains:
        low, high = float(chain.z_mm[0]), float(chain.z_mm[-1])
        own = [f for f in features if low - 1e-9 <= f.z_from_mm and f.z_to_mm <= high + 1e-9]
        open_ends = own[0].from_gap, own[-1].to_gap
        if any(open_ends) and high - low < LEAST_RUN_MM:
            found.append(_outline(chain, profile, *open_ends))
        else:
            found += own
    return tuple(found)


def _outline(chain: Chain, profile: Profile, from_gap: bool, to_gap: bool) -> Feature:
    low, high = float(chain.z_mm[0]), float(chain.z_mm[-1])
    middle = 0.5 * (low + high)
    start, mid, stop = 2.0 * chain.radius_at(np.array([low, middle, high]))
    u95 = np.interp([low, middle, high], profile.z_mm, profile.u95_mm)
    return Feature(
        kind=OUTLINE,
        half=False,
        z_from_mm=low,
        z_to_mm=high,
        z_mid_mm=middle,
        diameter_mm=float(mid),
        diameter_from_mm=float(start),
        diameter_to_mm=float(stop),
        height_mm=0.0,
        u95_mm=float(u95[1]),
        u95_from_mm=float(u95[0]),
        u95_to_mm=float(u95[2]),
        place_u95_mm=0.0,
        from_gap=from_gap,
        to_gap=to_gap,
    )
