"""Radii by the rays that only just touch the piece: what tangents do not show beside a joint.

Where a bead meets a shoulder the outline turns within a pixel or two, and its tangents there are
those of neither side; on a cylinder that runs away from the phone they throw points back and forth
along it. The rays themselves know no tangent: each clears the piece but for one place. So radii
are looked for, row by row, that all rays of a side just touch, and a row counts where rays touch
near it on both sides: where a rim hides what lies behind it none does.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from measure.fivebands import solved_bands
from measure.profile import GRID_MM
from measure.revolve import Axis

__all__ = ["AxisRays", "TouchedRows", "axis_rays", "rows_touched_by_both", "touched_rows"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

WINDOW_ROWS, LATER_WINDOW_ROWS = 40, 8
"""So far along the axis from where a ray passes it nearest it may touch the piece; so far from
where it last did."""
KINK_MM = 0.003
"""Usual change of slope times the rows' distance: that of a curve of 20 mm radius. A larger one is
a joint, and costs little more."""
ROUNDS, SETTLED_MM, FIRST_ROUNDS, LATER_PACE, MOST_MOVE_MM = 14, 1e-3, 2, 0.8, 1.0
STRAY_SDS, LEAST_WEIGHT, STEEPEST = 3.0, 1e-6, 4.0
FLOOR_POINTS = 0.1
"""What neighbouring rays are off together, as a share of their distance."""
NEAR_POINTS, REACH_MOST_MM, NEEDED, SKIPPED_POINTS = 2.0, 1.5, 3, 1.5
"""Within so many points' distance of a row, and where it may touch as well, so many rays must
touch, some on both sides. Between rays more points apart lies one that was not clear: no row is
told there."""
BEND_MM, LONGEST_MM, SWAY_POINTS = 1.0, 5.0, 1.0
"""A ray that may touch anywhere in a longer stretch, or in one over which the radius differs by so
many points' distance, tells of no row in it; how far to look for the bend."""
EVENED, BENT, SWAYED, USELESS_POINTS = 0.6, 0.5, 0.3, 0.25
"""How much of their noise rows keep, of their bend over a point's distance, and of the radius'
difference where a ray may touch; more than the last is of no use (all set on rendered photos)."""
DENT = np.array([3.0, 3.0, -4.0, -4.0, -4.0, 3.0, 3.0]) / np.sqrt(84.0)
DENTED_SDS, DENT_ROWS = 2.0, 2
"""Where both sides together dip below their rays by so much, a groove hides its bottom."""


@dataclass(frozen=True, slots=True)
class AxisRays:
    """Rays as seen from an axis: at z, one is hypot(nearest, widens * (z - z_mm)) from it.

    Attributes
    ----------
    z_mm, nearest_mm : (n,) where each passes the axis, and how far from it.
    widens : (n,) how fast it leaves it; large for a ray square to the axis.
    sd_mm : (n,) standard deviation of its distance.
    along_rad : (n,) angle from the first ray to it, from each to the next.
    """

    z_mm: FloatArray
    nearest_mm: FloatArray
    widens: FloatArray
    sd_mm: FloatArray
    along_rad: FloatArray


@dataclass(frozen=True, slots=True)
class TouchedRows:
    """Radii of the rows of one side; all arrays are (n,).

    Attributes
    ----------
    r_mm, sd_mm : radii and their standard deviations.
    seen : which rows rays touch.
    dent_sds : by how many standard deviations the rays dip below them there.
    """

    r_mm: FloatArray
    sd_mm: FloatArray
    seen: BoolArray
    dent_sds: FloatArray


def axis_rays(rays: FloatArray, camera_mm: FloatArray, axis: Axis, sd_mm: FloatArray) -> AxisRays:
    """Return rays (n, 3) from a camera centre (3,) as seen from an axis; `sd_mm` is (n,).

    They are in the order of the outline.
    """
    d = axis.direction
    unit = rays / np.linalg.norm(rays, axis=1, keepdims=True)
    offset = camera_mm - axis.point_mm
    base = offset - (offset @ d) * d
    pace = unit @ d
    across = unit - pace[:, None] * d
    square = np.sum(across * across, axis=1)
    along = -(across @ base) / square
    nearest = np.sqrt(np.maximum(base @ base - square * along**2, 0.0))
    widens = np.sqrt(square) / np.maximum(np.abs(pace), 1e-6)
    steps = np.linalg.norm(np.diff(unit, axis=0, prepend=unit[:1]), axis=1)
    return AxisRays(offset @ d + along * pace, nearest, widens, sd_mm, np.cumsum(steps))


def touched_rows(rays: AxisRays, first_mm: FloatArray, apart_mm: float) -> TouchedRows:
    """Return the radii of rows `GRID_MM` apart, from z = 0, that the rays of one side touch.

    The sum of squared clearances over their standard deviations is made least, strays and joints
    as those of a Cauchy distribution [Huber1981], by Gauss and Newton: a clearance is
    least at one place, and changes with the radius there alone.

    Parameters
    ----------
    first_mm : (n,) radii to start from.
    apart_mm : distance of neighbouring rays at the piece.
    """
    r = first_mm.copy()
    untouched = TouchedRows(
        r, np.full(len(r), np.inf), np.zeros(len(r), dtype=bool), np.zeros(len(r))
    )
    if len(r) < 3:
        return untouched
    rays = replace(rays, sd_mm=np.hypot(rays.sd_mm, FLOOR_POINTS * apart_mm))
    nearest = rays.z_mm / GRID_MM
    place = nearest
    for turn in range(ROUNDS):
        first = turn < FIRST_ROUNDS
        window = WINDOW_ROWS if first else LATER_WINDOW_ROWS
        clearance, place, slope = _touches(rays, r, nearest if first else place, window)
        move = _step(_sd_of(rays, slope), r, clearance, place)
        move = np.clip(move, -MOST_MOVE_MM, MOST_MOVE_MM)
        r = r + move * (1.0 if first else LATER_PACE)
        if float(np.abs(move).max(initial=0.0)) < SETTLED_MM:
            break
    clearance, place, slope = _touches(rays, r, nearest, WINDOW_ROWS)
    stretch, sway = _stretch(rays, r, place, apart_mm)
    good = np.abs(clearance) < STRAY_SDS * _sd_of(rays, slope)
    good &= (stretch < LONGEST_MM) & (sway < SWAY_POINTS * apart_mm)
    if not good.any():
        return untouched
    z: FloatArray = GRID_MM * place[good]
    rows: FloatArray = GRID_MM * np.arange(len(r), dtype=np.float64)
    near = NEAR_POINTS * apart_mm + np.minimum(stretch[good], REACH_MOST_MM)
    seen = _near_enough(z, near, rows) & ~_skipped(z, rays.along_rad, good, rows)
    order = np.argsort(z)
    noise, swayed, doubt = (
        np.interp(rows, z[order], a[good][order]) for a in (rays.sd_mm, sway, stretch)
    )
    seen &= _clear_of_gaps(seen, doubt)
    reach = max(apart_mm, GRID_MM)
    bend = np.interp(rows - reach, rows, r) - 2.0 * r + np.interp(rows + reach, rows, r)
    sd = np.sqrt((EVENED * noise) ** 2 + (BENT * bend) ** 2 + (SWAYED * swayed) ** 2)
    off = (clearance / _sd_of(rays, slope))[good][order]
    dent = np.interp(rows, z[order], _dents(off))
    return TouchedRows(r, sd, seen & (sd < USELESS_POINTS * apart_mm), dent)


def rows_touched_by_both(sides: tuple[TouchedRows, TouchedRows]) -> BoolArray:
    """Return which rows (2, n) of each side may be believed.

    A groove that is seen aslant shows but a dip of its rim: none of its rows is.
    """
    first, second = sides
    dented = (first.dent_sds + second.dent_sds) / np.sqrt(2.0) > DENTED_SDS
    beside = dented.copy()
    for rows in range(1, DENT_ROWS + 1):
        beside[rows:] |= dented[:-rows]
        beside[:-rows] |= dented[rows:]
    return np.stack([side.seen & ~beside for side in sides])


def _dents(off: FloatArray) -> FloatArray:
    """Return by how many standard deviations (n,) each clearance and its next are below others."""
    padded = np.pad(off, 3, mode="edge")
    near = np.lib.stride_tricks.sliding_window_view(padded, 7)
    return np.asarray(near @ DENT)


def _stretch(
    rays: AxisRays, r: FloatArray, place: FloatArray, apart_mm: float
) -> tuple[FloatArray, FloatArray]:
    """Return in how long a stretch each ray may touch, (n,), and how much r differs over it, mm.

    One that leaves the piece too slowly may as well touch the rim before it or behind.
    """
    z, rows = GRID_MM * place, GRID_MM * np.arange(len(r))
    far = np.hypot(rays.nearest_mm, rays.widens * (z - rays.z_mm))
    away = (rays.widens * rays.nearest_mm) ** 2 / far**3
    reach = max(BEND_MM, 2.0 * apart_mm)
    before, here, after = (np.interp(z + way * reach, rows, r) for way in (-1.0, 0.0, 1.0))
    bend = (before - 2.0 * here + after) / reach**2
    stretch = np.sqrt(4.0 * rays.sd_mm / np.maximum(away - bend, 1e-6))
    return stretch, np.abs(after - before) / (2.0 * reach) * stretch


def _near_enough(z: FloatArray, reach: FloatArray, rows: FloatArray) -> BoolArray:
    """Return which rows have enough of the places z (m,) within their reach, on both sides."""
    here = np.sort(z)
    begun, ended = np.sort(z - reach), np.sort(z + reach)
    before = np.searchsorted(here, rows, "right") - np.searchsorted(ended, rows)
    after = np.searchsorted(begun, rows, "right") - np.searchsorted(here, rows, "right")
    return np.asarray((before + after >= NEEDED) & (before > 0) & (after > 0))


def _clear_of_gaps(seen: BoolArray, reach_mm: FloatArray) -> BoolArray:
    """Return which rows are farther from the next gap than a ray may touch beside its place.

    Past the rim of a shoulder rays that touch it pass little lower for a while: the wood seems to
    go on.
    """
    gaps = np.flatnonzero(~seen)
    if len(gaps) == 0:
        return np.ones_like(seen)
    rows = np.arange(len(seen))
    after = np.clip(np.searchsorted(gaps, rows), 0, len(gaps) - 1)
    nearest = np.minimum(np.abs(gaps[after] - rows), np.abs(gaps[np.maximum(after - 1, 0)] - rows))
    return np.asarray(GRID_MM * nearest > reach_mm)


def _skipped(z: FloatArray, along: FloatArray, good: BoolArray, rows: FloatArray) -> BoolArray:
    """Return which rows lie between places z (m,) whose rays, those that are good, are not next.

    What lies between them in the photo was not clear.
    """
    usual = float(np.median(np.diff(along))) if len(along) > 1 else 0.0
    skipped = np.zeros(len(rows), dtype=bool)
    for k in np.flatnonzero(np.diff(along[good]) > SKIPPED_POINTS * usual):
        low, high = sorted(z[k : k + 2])
        skipped |= (rows > low) & (rows < high)
    return skipped


def _sd_of(rays: AxisRays, slope: FloatArray) -> FloatArray:
    """Return standard deviations (n,) of clearances along the radius, where r has this slope."""
    return rays.sd_mm * np.sqrt(1.0 + np.minimum(np.abs(slope), STEEPEST) ** 2)


def _touches(
    rays: AxisRays, r: FloatArray, around: FloatArray, window: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return each ray's least clearance (n,), the row it is at, a fraction, and dr/dz there.

    It is looked for so many rows about those of `around`, (n,). Between rows r is straight; a ray
    is nearest to a straight line where it widens as fast.
    """
    slopes = np.diff(r) / GRID_MM
    last = len(slopes) - 1
    at = np.clip(np.floor(around), 0, last).astype(np.int64)
    rows = np.clip(at[:, None] + np.arange(-window, window + 1), 0, last)
    slope, low = slopes[rows], GRID_MM * rows
    widens, nearest, z = (
        a[:, None].astype(np.float64) for a in (rays.widens, rays.nearest_mm, rays.z_mm)
    )
    square = np.maximum(widens**2 - slope**2, 1e-12)
    place = np.clip(z + slope * nearest / (widens * np.sqrt(square)), low, low + GRID_MM)
    clearance = np.hypot(nearest, widens * (place - z)) - r[rows] - slope * (place - low)
    best, n = np.argmin(clearance, axis=1), np.arange(len(at))
    return clearance[n, best], place[n, best] / GRID_MM, slope[n, best]


def _step(sd: FloatArray, r: FloatArray, clearance: FloatArray, place: FloatArray) -> FloatArray:
    """Return by how much to move the radii (n,)."""
    k = np.clip(np.floor(place), 0, len(r) - 2).astype(np.int64)
    after = place - k
    before = 1.0 - after
    weight = 1.0 / (sd**2 + (clearance / STRAY_SDS) ** 2)
    diagonal, first = np.full(len(r), LEAST_WEIGHT), np.zeros(len(r) - 1)
    pull = np.zeros(len(r))
    np.add.at(diagonal, k, weight * before**2)
    np.add.at(diagonal, k + 1, weight * after**2)
    np.add.at(first, k, weight * before * after)
    np.add.at(pull, k, weight * before * clearance)
    np.add.at(pull, k + 1, weight * after * clearance)
    bend = r[:-2] - 2.0 * r[1:-1] + r[2:]
    stiff = 1.0 / (KINK_MM**2 + bend**2)
    for rows, share in ((slice(0, -2), 1.0), (slice(1, -1), -2.0), (slice(2, None), 1.0)):
        diagonal[rows] += share**2 * stiff
        pull[rows] -= share * stiff * bend
    first[:-1] -= 2.0 * stiff
    first[1:] -= 2.0 * stiff
    return solved_bands(diagonal, first, stiff, pull)
