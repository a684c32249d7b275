"""Beads and coves that sit farther along than planned."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks

from measure.judge import Deviations
from measure.plan import Plan

__all__ = ["Moved", "moved_features"]

FloatArray = NDArray[np.float64]

_STEP_MM = 0.25
_LEAST_PROMINENCE_MM = 1.0
"""On the diameter; lower swellings say too little of where they sit."""
_NARROWEST_MM, _WIDEST_MM = 3.0, 40.0
_GAP_MM = 0.5
_SEEN = 0.9
"""Part of a bead's width that must have rows."""
_LEFT_OVER = 0.15
"""What moving it may leave unexplained, rms, as a part of its height."""
_REACH_MM = 4.0
_MARGIN_MM = 2.0
_LEAST_MOVE_MM = 0.3
_FEET = 1.25
"""A bead's feet lie this much farther out than the places at half its height."""
_CORRELATION_MM = 2.0
_SHARED_MM = 0.5


@dataclass(frozen=True, slots=True)
class Moved:
    """A bead or cove of the plan that sits elsewhere on the piece, mm along the plan.

    Attributes
    ----------
    kind : "bead" or "cove".
    z_mm : its crest (bottom) in the plan; `z_from_mm`, `z_to_mm` : its feet.
    move_mm : positive is farther from the start.
    u95_mm : half-width of its 95 % interval.
    size_mm : by how much it is proud there, the move taken out, on the diameter.
    """

    kind: str
    z_mm: float
    z_from_mm: float
    z_to_mm: float
    move_mm: float
    u95_mm: float
    size_mm: float


def moved_features(rows: Deviations, plan: Plan, offset_u95_mm: float) -> tuple[Moved, ...]:
    """Return the beads and coves whose place is off by more than it is uncertain.

    Each is laid on the piece by itself: the move and the difference of size that leave the least
    squares over its own stretch.

    Parameters
    ----------
    rows : the judged rows; plan : what they were judged by.
    offset_u95_mm : half-width of the 95 % interval of the whole piece's placement.
    """
    z = np.arange(plan.start_mm, plan.end_mm, _STEP_MM)
    d = plan.at(z)
    if len(z) < 8 or not np.any(np.isfinite(d)):
        return ()
    d = np.where(np.isfinite(d), d, np.nanmin(d))
    thick = rows.plan_diameter_mm > 5.0
    if not np.any(thick):
        return ()
    # An error of the scale moves everything away from the middle, in proportion.
    scale = float(np.median(rows.u95_common_mm[thick] / rows.plan_diameter_mm[thick]))
    centre = float(np.mean(rows.z_mm))
    window = 2 * int(_WIDEST_MM / _STEP_MM) + 1
    found: list[Moved] = []
    for kind, sign in (("bead", 1.0), ("cove", -1.0)):
        peaks, facts = find_peaks(
            sign * d, prominence=_LEAST_PROMINENCE_MM, width=1, rel_height=0.5, wlen=window
        )
        sides = (facts["left_ips"], facts["right_ips"], facts["prominences"])
        for peak, left, right, height in zip(peaks, *sides, strict=True):
            crest = z[peak]
            low = max(int(peak - _FEET * (peak - left)), 0)
            high = min(int(peak + _FEET * (right - peak)) + 1, len(z) - 1)
            if _NARROWEST_MM <= z[high] - z[low] <= _WIDEST_MM:
                u95 = float(np.hypot(offset_u95_mm, scale * abs(crest - centre)))
                moved = _laid(rows, plan, kind, crest, z[low], z[high], u95, height)
                if moved is not None:
                    found.append(moved)
    return tuple(sorted(_without_shared(found), key=lambda m: m.z_mm))


def _laid(
    rows: Deviations,
    plan: Plan,
    kind: str,
    crest: float,
    low: float,
    high: float,
    offset_u95_mm: float,
    height_mm: float,
) -> Moved | None:
    use = (rows.z_mm > low - _MARGIN_MM) & (rows.z_mm < high + _MARGIN_MM)
    z, measured = rows.z_mm[use], rows.diameter_mm[use]
    core = z[(z >= low) & (z <= high)]
    steps = np.diff(core)
    seen = float(np.sum(steps[steps <= _GAP_MM]))
    inside = max(min(high, rows.z_mm[-1]) - max(low, rows.z_mm[0]), 0.0)
    if len(z) < 8 or inside < 0.8 * (high - low) or seen < _SEEN * inside:
        return None
    local = np.sqrt(np.maximum(rows.u95_mm[use] ** 2 - rows.u95_common_mm[use] ** 2, 1e-4))
    weight = 1.0 / np.clip(local, 0.02, 0.5)
    # Farther than half its own width a bead may be taken for its neighbour.
    reach = 0.1 * np.floor(min(_REACH_MM, 1.0 + 0.5 * (high - low)) / 0.1)
    moves = np.arange(-reach, reach + 0.05, 0.1)
    costs, sizes = _costs(plan, z, measured, weight, moves)
    best = int(np.argmin(costs))
    if not 0 < best < len(moves) - 1 or not np.isfinite(costs[best - 1 : best + 2]).all():
        return None
    a, b, c = costs[best - 1 : best + 2]
    bend = a - 2.0 * b + c
    move = float(moves[best] + 0.1 * 0.5 * (a - c) / bend) if bend > 0.0 else float(moves[best])
    still = float(costs[int(np.argmin(np.abs(moves)))])
    u95 = _move_u95(plan, z, local, offset_u95_mm)
    # Moving it must explain most of what is wrong there, else it is wrong in another way.
    if abs(move) < max(u95, _LEAST_MOVE_MM) or b > 0.4 * still:
        return None
    left_over = float(np.sqrt(b)) / float(np.median(weight))
    if left_over > _LEFT_OVER * height_mm:
        return None
    return Moved(kind, float(crest), float(low), float(high), move, u95, float(sizes[best]))


def _costs(
    plan: Plan, z: FloatArray, measured: FloatArray, weight: FloatArray, moves: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the mean weighted square and the difference of size, (k,) each, at each move."""
    e = measured[None, :] - plan.at(z[None, :] - moves[:, None])
    seen = np.isfinite(e)
    w = np.where(seen, weight**2, 0.0)
    e = np.where(seen, e, 0.0)
    total = np.maximum(np.sum(w, axis=1), 1e-12)
    size = np.sum(w * e, axis=1) / total
    cost = np.sum(w * (e - size[:, None]) ** 2, axis=1) / total
    enough = np.mean(seen, axis=1) > 0.8
    return np.where(enough, cost, np.inf), size


def _move_u95(plan: Plan, z: FloatArray, local: FloatArray, offset_u95_mm: float) -> float:
    gradient = (plan.at(z + 0.25) - plan.at(z - 0.25)) / 0.5
    gradient = np.where(np.isfinite(gradient), np.clip(gradient, -10.0, 10.0), 0.0)
    spacing = max(float(np.median(np.diff(z))), 0.01)
    rows = max(_CORRELATION_MM / spacing, 1.0)
    information = float(np.sum((gradient / np.clip(local, 0.02, None)) ** 2)) / rows
    own = 1.0 / np.sqrt(information) if information > 0.0 else 1.0
    return float(np.hypot(own, offset_u95_mm))


def _without_shared(found: list[Moved]) -> list[Moved]:
    """Keep one of those that share a flank: a bead's move shows in its valleys too."""
    kept: list[Moved] = []
    for moved in sorted(found, key=lambda m: (m.kind != "bead", m.z_to_mm - m.z_from_mm)):
        overlaps = [
            min(moved.z_to_mm, other.z_to_mm) - max(moved.z_from_mm, other.z_from_mm)
            for other in kept
        ]
        if all(o < _SHARED_MM for o in overlaps):
            kept.append(moved)
    return kept
