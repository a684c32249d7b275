"""What a profile holds as a solid: volume, pieces without gaps, the same turned end for end."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from measure.plan import Plan
from measure.profile import GRID_MM, LONGEST_BRIDGE_MM, Profile

__all__ = ["Gap", "gaps_of", "profile_of_plan", "turned_round", "volume_mm3"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch of the axis that was not seen, mm."""

    z_from_mm: float
    z_to_mm: float


def gaps_of(profile: Profile, ends_mm: tuple[float, float] | None = None) -> tuple[Gap, ...]:
    """Return the stretches between the pieces of a profile, and those before and behind them.

    Parameters
    ----------
    ends_mm : z of the two ends of the piece; of the first and last row if None.
    """
    z = profile.z_mm
    gaps = [Gap(float(z[a.stop - 1]), float(z[b.start])) for a, b in pairwise(profile.pieces())]
    low, high = ends_mm or (float(z[0]), float(z[-1]))
    if z[0] - low > LONGEST_BRIDGE_MM:
        gaps.insert(0, Gap(low, float(z[0])))
    if high - z[-1] > LONGEST_BRIDGE_MM:
        gaps.append(Gap(float(z[-1]), high))
    return tuple(gaps)


def volume_mm3(z: FloatArray, diameter: FloatArray) -> float:
    """Return the volume of the frusta between rows without a gap, mm³.

    Exact for straight lines between the rows: pi/12 (a² + a b + b²) h for each.
    """
    a, b, h = diameter[:-1], diameter[1:], np.diff(z)
    return float(np.pi / 12.0 * np.sum((a * a + a * b + b * b) * h))


def turned_round(profile: Profile, length_mm: float | None = None) -> Profile:
    """Return the profile seen from its other end.

    z counts from the far end, which lies at `length_mm`, or at the last row if None.
    """
    far = float(profile.z_mm[-1]) if length_mm is None else length_mm
    return Profile(
        (far - profile.z_mm)[::-1].copy(),
        profile.diameter_mm[::-1].copy(),
        profile.u95_mm[::-1].copy(),
        profile.u95_common_mm[::-1].copy(),
        None if profile.u95_step_mm is None else profile.u95_step_mm[::-1].copy(),
    )


def profile_of_plan(plan: Plan) -> Profile:
    """Return the rows of a plan as a profile: a trace as it is, a drawing on the 0.25 mm grid.

    The corners of a drawing stay rows of their own, so that nothing is rounded off.
    """
    if np.isfinite(plan.longest_bridge_mm) and plan.longest_bridge_mm <= LONGEST_BRIDGE_MM:
        return Profile(plan.z_mm, plan.diameter_mm, plan.u95_mm, plan.u95_common_mm)
    z, keep = plan.z_mm, np.ones(len(plan.z_mm), dtype=bool)
    keep[1:-1] = ~((np.diff(z)[1:] == 0.0) & (np.diff(z)[:-1] == 0.0))
    z, d = z[keep], plan.diameter_mm[keep]
    grid = np.arange(np.ceil(z[0] / GRID_MM), np.floor(z[-1] / GRID_MM) + 1.0) * GRID_MM
    # A grid row closer than this to a corner would add nothing but a very short step.
    after = np.searchsorted(z, grid - 0.05)
    clear = z[np.minimum(after, len(z) - 1)] > grid + 0.05
    grid = grid[clear]
    where = np.searchsorted(z, grid)
    every_z = np.insert(z, where, grid)
    every_d = np.insert(d, where, np.interp(grid, z, d))
    zero = np.zeros(len(every_z))
    return Profile(every_z, every_d, zero, zero.copy())
