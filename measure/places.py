"""Places: stretches of the piece that a turner should look at, and what to do there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from measure.judge import OUTSIDE, UNSURE, WITHIN, Deviations, verdicts
from measure.slide import Moved

__all__ = ["Place", "find_places", "smoothed"]

FloatArray = NDArray[np.float64]

_MERGE_MM, _MERGE_UNSURE_MM = 1.0, 5.0
_LEAST_MM = 1.0
"""Shorter stretches are listed only if they are outside."""
_LEAST_BUMP_MM = 2.0
_LONGEST_FLANK_MM = 2.0
_WINDOW_ROWS = 5
_BREAK_MM = 0.5


@dataclass(frozen=True, slots=True)
class Place:
    """A stretch that is proud or shy; z along the plan, mm; sizes on the diameter.

    Attributes
    ----------
    z_from_mm, z_to_mm : where the deviation is at least half its size, of an outside place no
        farther than rows may be outside; of an unsure place, the whole stretch that is too
        close to call.
    z_mm : the middle of its worst part; `piece_z_mm` : the same along the piece.
    deviation_mm : there, positive is proud. `u95_mm` : half-width of its 95 % interval. Both are
        means of rows of the verdict, so that they bear it out.
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
    """Return the deviations less their scatter: means of five rows.

    Not across steep places or gaps. It keeps 94 % or more of the height of a bump 5 mm long, and
    does not overshoot at its edges.
    """
    result = rows.deviation_mm.copy()
    changes = np.nonzero((np.diff(rows.z_mm) > _BREAK_MM + 1e-9) | np.diff(rows.normal))[0] + 1
    for run in np.split(np.arange(len(rows)), changes):
        if len(run) >= _WINDOW_ROWS and not rows.normal[run[0]]:
            result[run] = uniform_filter1d(rows.deviation_mm[run], _WINDOW_ROWS, mode="nearest")
    return result


def find_places(rows: Deviations, moved: tuple[Moved, ...] = ()) -> tuple[Place, ...]:
    """Return the places in order of weight: outside, then unsure, then those that just show.

    Outside: runs of such rows on one side. Unsure: the rest of what is too close to call,
    whichever side. Within: what differs from the plan by more than its U95 and is allowed.
    Runs less than 1 mm apart are one, unsure ones less than 5 mm.
    """
    if len(rows) == 0:
        return ()
    smooth = smoothed(rows)
    side = np.sign(smooth)
    places: list[Place] = []
    covered = np.zeros(len(rows), dtype=bool)
    for sign in (1.0, -1.0):
        outside = (rows.verdict == OUTSIDE) & (np.sign(rows.deviation_mm) == sign)
        for place, extent in _outside_places(rows, smooth, outside, moved):
            covered[_with_flanks(rows, extent)] = True
            places.append(place)
    covered |= rows.verdict == OUTSIDE
    base = float(np.median(rows.deviation_mm[~rows.normal])) if np.any(~rows.normal) else 0.0
    local = np.sqrt(np.maximum(rows.u95_mm**2 - rows.u95_common_mm**2, 0.0))
    for sign in (1.0, -1.0):
        # What stands out of the rest by more than the scatter is a place of its own.
        bump = (rows.verdict == UNSURE) & ~covered & (sign * (smooth - base) > local)
        for run in _runs(rows, bump, least_mm=_LEAST_BUMP_MM):
            place, extent = _place(rows, smooth, run, UNSURE, moved, base)
            covered[extent] = True
            covered[run] = True
            places.append(place)
    for run in _runs(rows, (rows.verdict == UNSURE) & ~covered, merge_mm=_MERGE_UNSURE_MM):
        places.append(_place(rows, smooth, run, UNSURE, moved)[0])
    shows = (rows.verdict == WITHIN) & (np.abs(rows.deviation_mm) > rows.u95_mm)
    for sign in (1.0, -1.0):
        for run in _runs(rows, shows & (side == sign)):
            places.append(_place(rows, smooth, run, WITHIN, moved)[0])
    order = {OUTSIDE: 0, UNSURE: 1, WITHIN: 2}
    return tuple(sorted(places, key=lambda p: (order[p.verdict], -p.beyond_mm)))


def _with_flanks(rows: Deviations, extent: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return an outside place's rows and those beside it on which it falls off to within."""
    low, high = int(extent[0]), int(extent[-1])
    while low > 0 and rows.verdict[low - 1] != WITHIN:
        low -= 1
        if rows.z_mm[extent[0]] - rows.z_mm[low] > _LONGEST_FLANK_MM:
            break
    while high < len(rows) - 1 and rows.verdict[high + 1] != WITHIN:
        high += 1
        if rows.z_mm[high] - rows.z_mm[extent[-1]] > _LONGEST_FLANK_MM:
            break
    return np.arange(low, high + 1)


def _outside_places(
    rows: Deviations, smooth: FloatArray, outside: NDArray[np.bool_], moved: tuple[Moved, ...]
) -> list[tuple[Place, NDArray[np.int64]]]:
    """Return the places of one side; runs that lie on the flank of a worse one belong to it."""
    found = []
    runs = _runs(rows, outside, least_mm=0.0)
    while runs:
        run = runs.pop()
        place, extent = _place(rows, smooth, run, OUTSIDE, moved)
        found.append((place, extent, run))
        runs += _bumps_beside(smooth, run, extent)
    found.sort(key=lambda item: -item[0].beyond_mm)
    kept: list[tuple[Place, NDArray[np.int64]]] = []
    for place, extent, run in found:
        if not any(e[0] <= run[0] and run[-1] <= e[-1] for _, e in kept):
            kept.append((place, extent))
    return kept


def _bumps_beside(
    smooth: FloatArray, run: NDArray[np.int64], extent: NDArray[np.int64]
) -> list[NDArray[np.int64]]:
    """Return what of a run beside its worst place stands as a bump of its own.

    That is where the deviation rises again to twice what it had fallen to.
    """
    bumps = []
    for rest in (run[run < extent[0]][::-1], run[run > extent[-1]]):
        size = np.abs(smooth[rest])
        if len(rest) < 2:
            continue
        low = int(np.argmin(size[: int(np.argmax(size)) + 1]))
        if size[low] <= 0.5 * size.max():
            bumps.append(np.sort(rest[low:]))
    return bumps


def _runs(
    rows: Deviations,
    mask: NDArray[np.bool_],
    least_mm: float = _LEAST_MM,
    merge_mm: float = _MERGE_MM,
) -> list[NDArray[np.int64]]:
    where = np.nonzero(mask)[0]
    if len(where) == 0:
        return []
    breaks = np.nonzero(np.diff(rows.z_mm[where]) > merge_mm)[0] + 1
    runs = np.split(where, breaks)
    return [run for run in runs if rows.z_mm[run[-1]] - rows.z_mm[run[0]] >= least_mm]


def _place(
    rows: Deviations,
    smooth: FloatArray,
    run: NDArray[np.int64],
    verdict: str,
    moved: tuple[Moved, ...],
    base_mm: float | None = None,
) -> tuple[Place, NDArray[np.int64]]:
    """Return the place that a run of rows of one verdict makes, and the rows of its extent.

    `base_mm` is what the deviations are elsewhere, for a place that stands out of them.
    """
    whole, run = run, _bearing(rows, run, verdict)
    room = np.where(smooth > 0.0, rows.proud_mm, rows.shy_mm)
    reach = np.abs(smooth) - room + (rows.u95_mm if verdict == UNSURE else 0.0)
    peak = int(run[int(np.argmax(reach[run]))])
    if base_mm is not None:
        peak = int(run[int(np.argmax(np.abs(smooth[run] - base_mm)))])
    # The flank that the peak stands on falls off to both sides, whatever its sign.
    falls = 1.0 if smooth[peak] > (base_mm or 0.0) else -1.0
    size = falls * smooth
    ground = falls * (base_mm or 0.0)
    local = float(np.sqrt(max(rows.u95_mm[peak] ** 2 - rows.u95_common_mm[peak] ** 2, 0.0)))
    scatter = max(local, 0.02)
    # Rows that the scatter cannot tell from the peak are as bad as it: take their middle and mean.
    top = _round_peak(rows, size >= size[peak] - 2.0 * scatter, peak)
    top = _alike(rows, np.intersect1d(top, run), peak, verdict)
    weight = np.maximum(size[top] - size[peak] + 2.0 * scatter, 0.0) + 1e-9
    centre = float(np.average(rows.z_mm[top], weights=weight))
    plateau = _round_peak(rows, size >= size[peak] - scatter, peak)
    shown = _alike(rows, np.intersect1d(plateau, run), peak, verdict)
    middle = int(top[int(np.argmin(np.abs(rows.z_mm[top] - centre)))])
    deviation = float(np.mean(rows.deviation_mm[shown]))
    half = size >= (size[peak] + ground) / 2.0
    extent = whole
    if verdict != UNSURE or base_mm is not None:
        extent = _round_peak(rows, half, peak)
    ends = extent
    if verdict == OUTSIDE:
        # A cut as long as what is surely outside would leave a ridge beside it.
        ends = _round_peak(rows, half & (rows.verdict != WITHIN), peak)
    z = float(rows.z_mm[middle])
    place = Place(
        # The middle of the worst may lie past the half height where the scatter is large.
        z_from_mm=min(float(rows.z_mm[ends[0]]), z),
        z_to_mm=max(float(rows.z_mm[ends[-1]]), z),
        z_mm=z,
        piece_z_mm=float(rows.piece_z_mm[middle]),
        deviation_mm=deviation,
        u95_mm=float(np.mean(rows.u95_mm[shown])),
        limit_mm=float((rows.proud_mm if deviation > 0.0 else rows.shy_mm)[middle]),
        plan_diameter_mm=float(rows.plan_diameter_mm[middle]),
        diameter_mm=float(rows.diameter_mm[middle]),
        normal=bool(rows.normal[middle]),
        verdict=verdict,
        move_mm=next((m.move_mm for m in moved if m.z_from_mm - 2.0 <= z <= m.z_to_mm + 2.0), None),
    )
    return place, extent


def _bearing(rows: Deviations, run: NDArray[np.int64], verdict: str) -> NDArray[np.int64]:
    """Return the rows of a run whose own numbers bear its verdict out.

    A lone row that lies outside is unsure because it is alone: its number says something else.
    """
    own = verdicts(rows.deviation_mm, rows.u95_mm, rows.proud_mm, rows.shy_mm)[run] == verdict
    return run[own] if np.any(own) else run


def _alike(
    rows: Deviations, index: NDArray[np.int64], peak: int, verdict: str
) -> NDArray[np.int64]:
    """Return those rows that are judged as the peak is, by the same limits and on the same side.

    The verdict of each is linear in deviation and U95, so it holds for the means of both too.
    """
    d, u, proud, shy = rows.deviation_mm, rows.u95_mm, rows.proud_mm, rows.shy_mm
    alike = (rows.normal == rows.normal[peak]) & (proud == proud[peak]) & (shy == shy[peak])
    if verdict == UNSURE:
        over, under = d + u > proud, d - u < -shy
        both = over[peak] and under[peak]
        alike &= (over & under) if both else over if over[peak] else under
    else:
        alike &= np.sign(d) == np.sign(d[peak])
    return np.asarray(index[alike[index]])


def _round_peak(rows: Deviations, mask: NDArray[np.bool_], peak: int) -> NDArray[np.int64]:
    """Return the unbroken run of True round the peak, not across a gap."""
    joined = np.diff(rows.z_mm) <= _BREAK_MM + 1e-9
    low = high = peak
    while low > 0 and mask[low - 1] and joined[low - 1]:
        low -= 1
    while high < len(mask) - 1 and mask[high + 1] and joined[high]:
        high += 1
    return np.arange(low, high + 1)
