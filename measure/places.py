"""Places: stretches of the piece that a turner should look at, and what to do there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import savgol_filter

from measure.judge import OUTSIDE, UNSURE, WITHIN, Deviations
from measure.slide import Moved

__all__ = ["Place", "find_places", "smoothed"]

FloatArray = NDArray[np.float64]

_MERGE_MM = 1.0
_LEAST_MM = 1.0
"""Shorter stretches are listed only if they are outside."""
_WINDOW_ROWS = 9
_BREAK_MM = 0.5


@dataclass(frozen=True, slots=True)
class Place:
    """A stretch that is proud or shy; z along the plan, mm; sizes on the diameter.

    Attributes
    ----------
    z_from_mm, z_to_mm : where the deviation is at least half its size.
    z_mm : the middle of its worst part; `piece_z_mm` : the same along the piece.
    deviation_mm : there, positive is proud. `u95_mm` : half-width of its 95 % interval.
    limit_mm : what is allowed on that side, positive.
    plan_diameter_mm, diameter_mm : planned and measured there.
    normal : a shoulder or steep place, judged square to the curve.
    verdict : `OUTSIDE`, `UNSURE`, or `WITHIN` for one that shows but is allowed.
    move_mm : how far the bead or cove that it belongs to sits from its planned place, positive
        away from the start; None if it has not moved.
    """

    z_from_mm: float
    z_to_mm: float
    z_mm: float
    piece_z_mm: float
    deviation_mm: float
    u95_mm: float
    limit_mm: float
    plan_diameter_mm: float
    diameter_mm: float
    normal: bool
    verdict: str
    move_mm: float | None = None

    @property
    def proud(self) -> bool:
        """Too fat: it can still be turned off."""
        return self.deviation_mm > 0.0

    @property
    def beyond_mm(self) -> float:
        """How far beyond its limit; negative inside."""
        return abs(self.deviation_mm) - self.limit_mm


def smoothed(rows: Deviations) -> FloatArray:
    """Return the deviations less their scatter: a local parabola, not across shoulders or gaps.

    The window of nine rows (2 mm) keeps 97 % of the height of a bump 5 mm long.
    """
    result = rows.deviation_mm.copy()
    changes = np.nonzero((np.diff(rows.z_mm) > _BREAK_MM + 1e-9) | np.diff(rows.normal))[0] + 1
    for run in np.split(np.arange(len(rows)), changes):
        if len(run) >= _WINDOW_ROWS and not rows.normal[run[0]]:
            result[run] = savgol_filter(rows.deviation_mm[run], _WINDOW_ROWS, 2)
    return result


def find_places(rows: Deviations, moved: tuple[Moved, ...] = ()) -> tuple[Place, ...]:
    """Return the places in order of weight: outside, then unsure, then those that just show.

    A place is a run of rows on one side that are not within, or differ from the plan by more
    than their U95; runs less than 1 mm apart are one.
    """
    if len(rows) == 0:
        return ()
    smooth = smoothed(rows)
    shows = (rows.verdict != WITHIN) | (np.abs(rows.deviation_mm) > rows.u95_mm)
    places = [
        _place(rows, smooth, run, moved)
        for side in (1.0, -1.0)
        for run in _runs(rows, shows & (np.sign(smooth) == side))
    ]
    order = {OUTSIDE: 0, UNSURE: 1, WITHIN: 2}
    return tuple(sorted(places, key=lambda p: (order[p.verdict], -p.beyond_mm)))


def _runs(rows: Deviations, mask: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    where = np.nonzero(mask)[0]
    if len(where) == 0:
        return []
    breaks = np.nonzero(np.diff(rows.z_mm[where]) > _MERGE_MM)[0] + 1
    runs = np.split(where, breaks)
    return [
        run
        for run in runs
        if rows.z_mm[run[-1]] - rows.z_mm[run[0]] >= _LEAST_MM
        or np.any(rows.verdict[run] == OUTSIDE)
    ]


def _place(
    rows: Deviations, smooth: FloatArray, run: NDArray[np.int64], moved: tuple[Moved, ...]
) -> Place:
    proud = bool(smooth[run[0]] > 0.0)
    size = np.abs(smooth[run])
    limits = (rows.proud_mm if proud else rows.shy_mm)[run]
    own = rows.verdict[run]
    verdict = next(v for v in (OUTSIDE, UNSURE, WITHIN) if np.any(own == v))
    # The worst is what lies farthest beyond its limit, among the rows of the worst verdict; of
    # those that are too close to call, what may lie so.
    reach = size - limits + (rows.u95_mm[run] if verdict == UNSURE else 0.0)
    reach = np.where(own == verdict, reach, -np.inf)
    peak = int(np.argmax(reach))
    local = np.sqrt(np.maximum(rows.u95_mm[run] ** 2 - rows.u95_common_mm[run] ** 2, 0.0))
    scatter = max(float(local[peak]), 0.02)
    # Rows that the scatter cannot tell from the peak are as bad as it: take their middle and mean.
    top = _round_peak(size >= size[peak] - 2.0 * scatter, peak)
    weight = np.maximum(size[top] - size[peak] + 2.0 * scatter, 0.0) + 1e-9
    centre = float(np.average(rows.z_mm[run[top]], weights=weight))
    middle = run[top[int(np.argmin(np.abs(rows.z_mm[run[top]] - centre)))]]
    plateau = _round_peak(size >= size[peak] - scatter, peak)
    deviation = float(np.mean(rows.deviation_mm[run[plateau]]))
    half = _round_peak(size >= size[peak] / 2.0, peak)
    z = float(rows.z_mm[middle])
    return Place(
        z_from_mm=float(rows.z_mm[run[half[0]]]),
        z_to_mm=float(rows.z_mm[run[half[-1]]]),
        z_mm=z,
        piece_z_mm=float(rows.piece_z_mm[middle]),
        deviation_mm=deviation,
        u95_mm=float(rows.u95_mm[middle]),
        limit_mm=float((rows.proud_mm if proud else rows.shy_mm)[middle]),
        plan_diameter_mm=float(rows.plan_diameter_mm[middle]),
        diameter_mm=float(rows.diameter_mm[middle]),
        normal=bool(rows.normal[middle]),
        verdict=verdict,
        move_mm=next(
            (m.move_mm for m in moved if m.z_from_mm - 2.0 <= z <= m.z_to_mm + 2.0), None
        ),
    )


def _round_peak(mask: NDArray[np.bool_], peak: int) -> NDArray[np.int64]:
    """Return the unbroken run of True round the peak."""
    mask = mask.copy()
    mask[peak] = True
    low = high = peak
    while low > 0 and mask[low - 1]:
        low -= 1
    while high < len(mask) - 1 and mask[high + 1]:
        high += 1
    return np.arange(low, high + 1)
