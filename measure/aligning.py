"""How well a measured profile lies on a plan at a given place along the axis."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from measure.plan import Plan
from measure.profile import Profile

__all__ = ["PLAN_UNCOVERED_WEIGHT", "Curve", "mismatch", "search"]

FloatArray = NDArray[np.float64]

PLAN_UNCOVERED_WEIGHT = 0.3
"""Weight of a millimetre of plan without piece; one of piece without plan weighs 1."""
_LEAST_OVERLAP = 0.6
"""Placements in which less than this part of the shorter one is covered are not tried."""
_COARSE_MM, _COARSE_SCALE_MM = 1.0, 2.0
_FINE_SAMPLES_MM = 0.05
_CANDIDATES = 4


@dataclass(frozen=True, slots=True)
class Curve:
    """Diameters sampled evenly along an axis, NaN in gaps; mm.

    Attributes
    ----------
    z_mm, diameter_mm : (n,) samples at the middles of their steps.
    step_mm : spacing.
    """

    z_mm: FloatArray
    diameter_mm: FloatArray
    step_mm: float

    @classmethod
    def of_profile(cls, profile: Profile, step_mm: float, flipped: bool) -> Curve:
        """Sample a profile; flipped ones have z reversed in sign."""
        low, high = profile.z_mm[0], profile.z_mm[-1]
        n = max(int((high - low) / step_mm), 1)
        z = low + (np.arange(n) + 0.5) * ((high - low) / n)
        d = np.interp(z, profile.z_mm, profile.diameter_mm)
        pieces = profile.pieces()
        for before, after in pairwise(pieces):
            gap = (z > profile.z_mm[before.stop - 1]) & (z < profile.z_mm[after.start])
            d[gap] = np.nan
        if flipped:
            z, d = -z[::-1], d[::-1]
        return cls(z, d, float((high - low) / n))

    @property
    def length_mm(self) -> float:
        """Length covered, gaps counted."""
        return len(self.z_mm) * self.step_mm


def _residuals(plan: Plan, curve: Curve, offsets: FloatArray) -> FloatArray:
    """Return measured less planned diameter, (k, n): NaN where one of them is not there."""
    z = offsets[:, None] + curve.z_mm[None, :]
    if np.isfinite(plan.longest_bridge_mm):
        return np.asarray(curve.diameter_mm[None, :] - plan.at(z))
    planned = np.interp(z, plan.z_mm, plan.diameter_mm, left=np.nan, right=np.nan)
    return np.asarray(curve.diameter_mm[None, :] - planned)


def mismatch(plan: Plan, curve: Curve, offsets: FloatArray, scale_mm: float) -> FloatArray:
    """Return the cost, (k,), of laying the curve on the plan at each offset; 0 is perfect.

    With e the difference of diameters and b its median over the overlap (a piece that is proud
    all over still has its beads where they belong), the cost is

        (sum of step * e'^2 / (e'^2 + s^2) + piece without plan + w * plan without piece) / length

    with e' = e - b: the bounded loss of [Geman1985], so that a spoiled stretch costs its length
    and no more. `offsets` are added to the curve's z; `scale_mm` is s.

    References
    ----------
    [Geman1985]
    """
    e = _residuals(plan, curve, offsets)
    seen = np.isfinite(e)
    count = np.sum(seen, axis=1)
    ordered = np.sort(np.where(seen, e, np.inf), axis=1)
    rows = np.arange(len(offsets))
    middle = np.maximum(count, 1) - 1
    low, high = ordered[rows, middle // 2], ordered[rows, (middle + 1) // 2]
    median = np.where(count > 0, (low + high) / 2.0, 0.0)
    squared = np.where(seen, (e - np.where(np.isfinite(median), median, 0.0)[:, None]) ** 2, 0.0)
    data = np.sum(squared / (squared + scale_mm**2), axis=1) * curve.step_mm
    begin = offsets + curve.z_mm[0] - curve.step_mm / 2.0
    end = begin + curve.length_mm
    overlap = np.clip(np.minimum(end, plan.end_mm) - np.maximum(begin, plan.start_mm), 0.0, None)
    outside = curve.length_mm - overlap
    uncovered = plan.length_mm - overlap
    return np.asarray((data + outside + PLAN_UNCOVERED_WEIGHT * uncovered) / curve.length_mm)


def search(plan: Plan, profile: Profile, flipped: bool, scale_mm: float) -> tuple[float, float]:
    """Return (offset, cost) of the least mismatch over all placements.

    A coarse search over every placement picks the likeliest few, each refined to 0.01 mm. The
    offset is added to z of the profile, or to -z if it is flipped.
    """
    coarse = Curve.of_profile(profile, _COARSE_MM, flipped)
    least = _LEAST_OVERLAP * min(coarse.length_mm, plan.length_mm)
    begin = coarse.z_mm[0] - coarse.step_mm / 2.0
    first = plan.start_mm - begin - coarse.length_mm + least
    last = plan.end_mm - begin - least
    tries = np.arange(first, last + _COARSE_MM, _COARSE_MM)
    starts = _lowest(tries, mismatch(plan, coarse, tries, _COARSE_SCALE_MM))
    fine = Curve.of_profile(profile, _FINE_SAMPLES_MM, flipped)
    middling = Curve.of_profile(profile, 0.25, flipped)
    found = [_refined(plan, middling, start, 1.25, 0.25, scale_mm) for start in starts]
    best = min(found, key=lambda pair: pair[1])[0]
    best = _refined(plan, fine, best, 0.4, 0.1, scale_mm)[0]
    return _refined(plan, fine, best, 0.12, 0.02, scale_mm)


def _lowest(tries: FloatArray, costs: FloatArray) -> FloatArray:
    """Return the likeliest few of the local minima."""
    padded = np.concatenate([[np.inf], costs, [np.inf]])
    valley = (padded[1:-1] <= padded[:-2]) & (padded[1:-1] <= padded[2:])
    where = np.nonzero(valley)[0]
    return tries[where[np.argsort(costs[where])][:_CANDIDATES]]


def _refined(
    plan: Plan, curve: Curve, start: float, reach: float, step: float, scale_mm: float
) -> tuple[float, float]:
    """Search round `start`; equal costs (shoulders only) give the middle of the plateau."""
    offsets = start + np.arange(-round(reach / step), round(reach / step) + 1) * step
    costs = mismatch(plan, curve, np.asarray(offsets, dtype=np.float64), scale_mm)
    lowest = float(np.min(costs))
    same = np.nonzero(costs <= lowest + 1e-9)[0]
    return float(np.mean(offsets[same])), lowest
