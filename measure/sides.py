"""Both sides of the outline as curves (z, r) about an axis, and where they are trustworthy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.vectors import cross
from calib.view import View
from measure.revolve import Axis, contact_points

__all__ = [
    "SideCurve",
    "ahead_of",
    "contour_values",
    "jitter",
    "local_slope",
    "ray_values",
    "row_medians",
    "side_curves",
    "without_corners",
    "without_leaps",
]

FloatArray = NDArray[np.float64]

WEIGHT_LEAST = 0.1
"""Points whose ray passes nearer to the axis than this (sine of the angle) say little of r."""


@dataclass(frozen=True, slots=True)
class SideCurve:
    """One side of the outline in order of rising z.

    Attributes
    ----------
    index : (n,) into the outline's points.
    z_mm, r_mm : (n,), z non-decreasing.
    """

    index: NDArray[np.int64]
    z_mm: FloatArray
    r_mm: FloatArray


def contour_values(
    points_px: FloatArray, tangents: FloatArray, view: View, axis: Axis
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return (z, r, weight, side) of outline points; side is +1 or -1, (n,) each.

    `tangents` are unit vectors of the outline in the photo.
    """
    rays, ahead = view.rays(points_px), view.rays(ahead_of(points_px, tangents))
    return ray_values(rays, ahead, view.camera_centre_mm, axis)


def ahead_of(points_px: FloatArray, tangents: FloatArray) -> FloatArray:
    """Return the pixels (n, 2) a little further along the tangents of an outline."""
    return np.asarray(points_px + 0.5 * tangents)


def ray_values(
    rays: FloatArray, ahead: FloatArray, camera_mm: FloatArray, axis: Axis
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the `contour_values` of rays (n, 3) to outline points and of those ahead of them."""
    z, r, weight = contact_points(camera_mm, rays, ahead, axis)
    across = cross(axis.direction, axis.point_mm - camera_mm)
    return z, r, weight, np.sign(rays @ across)


def side_curves(
    z: FloatArray,
    r: FloatArray,
    weight: FloatArray,
    side: FloatArray,
    keep: NDArray[np.bool_],
) -> tuple[SideCurve, SideCurve]:
    """Return the two sides as curves, each made monotonic in z.

    The outline runs round the piece, so each side is one stretch of it, apart from the ends.
    Noise at square shoulders makes z step back a little: the mean of the running maximum from
    the start and the running minimum from the end is used.
    """
    curves = []
    for sign in (1.0, -1.0):
        index = np.flatnonzero((side == sign) & keep & (weight > WEIGHT_LEAST) & np.isfinite(z))
        index = _unwrapped(index, len(z))
        if len(index) and z[index[-1]] < z[index[0]]:
            index = index[::-1]
        index = index[_steady(z[index])]
        index = _without_crumbs(index, z, len(z))
        zi = z[index]
        rising = np.maximum.accumulate(zi) if len(zi) else zi
        falling = np.minimum.accumulate(zi[::-1])[::-1] if len(zi) else zi
        curves.append(SideCurve(index, 0.5 * (rising + falling), r[index]))
    return curves[0], curves[1]


def _steady(z: FloatArray, reach: int = 7, limit: float = 3.0) -> NDArray[np.bool_]:
    """Return which points lie near the running median of z: strays break the order."""
    n = len(z)
    if n == 0:
        return np.zeros(0, dtype=bool)
    return np.asarray(np.abs(z - _median_near(z, reach)) < limit)


def _without_crumbs(
    index: NDArray[np.int64], z: FloatArray, count: int, least: int = 8
) -> NDArray[np.int64]:
    """Return the points without short runs at either end: strays beyond the piece."""
    while len(index) > least:
        gap = np.minimum(np.abs(np.diff(index)), count - np.abs(np.diff(index)))
        cut = np.flatnonzero((gap > 6) | (np.abs(np.diff(z[index])) > 1.5)) + 1
        if len(cut) and cut[0] < least:
            index = index[cut[0] :]
        elif len(cut) and len(index) - cut[-1] < least:
            index = index[: cut[-1]]
        else:
            break
    return index


def without_corners(curve: SideCurve, bend: FloatArray) -> SideCurve:
    """Return the side without its points at corners, unless they are most of it.

    `bend` is that of the outline's points, (n,) radians over the tangent's reach. At a corner no
    tangent is sure, and points lie anywhere along their rays.
    """
    keep = np.abs(bend[curve.index]) < SHARP_RAD
    if keep.sum() < 0.5 * len(keep):
        return curve
    return SideCurve(curve.index[keep], curve.z_mm[keep], curve.r_mm[keep])


SHARP_RAD = 0.35


def without_leaps(curve: SideCurve, spacing_mm: float) -> SideCurve:
    """Return the side without the few points at which it leaps from one part to another.

    Where a rim hides what lies behind it the outline has a hollow corner. Its blurred tangents
    make points all over the hidden stretch, farther from each other than they are in the photo;
    the next ones on both sides are touched by it.

    Parameters
    ----------
    spacing_mm : distance of outline points next to each other, at the piece.
    """
    n = len(curve.z_mm)
    if n < 8:
        return curve
    # One point's tangent is noisy and moves it along the profile; over a few points that evens
    # out, and a hidden stretch does not.
    rows = np.arange(n)
    before, after = np.clip(rows - LEAP_REACH, 0, n - 1), np.clip(rows + LEAP_REACH, 0, n - 1)
    apart = np.abs(curve.index[after] - curve.index[before])
    apart = np.maximum(apart, after - before) * spacing_mm
    along = np.abs(curve.z_mm[after] - curve.z_mm[before])
    run = np.hypot(along, curve.r_mm[after] - curve.r_mm[before])
    usual = _median_near(run / apart, LEAP_USUAL) * apart
    noise = jitter(curve.z_mm, LEAP_USUAL)
    far = run - np.maximum(usual, apart) > np.maximum(LEAP * spacing_mm, LEAP_NOISE * noise)
    # What moves in r alone is a square shoulder seen from the side.
    keep = ~(far & (along > LEAST_LEAP * apart))
    return SideCurve(curve.index[keep], curve.z_mm[keep], curve.r_mm[keep])


LEAP, LEAST_LEAP, LEAP_REACH, LEAP_USUAL, LEAP_NOISE = 1.6, 1.2, 2, 8, 4.0
"""A leap is longer than what is usual near it by so many spacings, over so many points to each
side, and by so many standard deviations of z."""


def jitter(values: FloatArray, reach: int) -> FloatArray:
    """Return what values scatter from one to the next, standard deviation over neighbours, (n,).

    By second differences, which are blind to slope; a shoulder makes few of them large, noise
    many.
    """
    second = np.zeros(len(values))
    second[1:-1] = np.abs(values[2:] - 2.0 * values[1:-1] + values[:-2])
    return np.asarray(1.4826 * _median_near(second, reach) / np.sqrt(6.0))


def _median_near(values: FloatArray, reach: int) -> FloatArray:
    """Return the running median (n,) over so many values to each side."""
    n = len(values)
    near = np.clip(np.arange(n)[:, None] + np.arange(-reach, reach + 1), 0, n - 1)
    return np.asarray(np.median(values[near], axis=1))


def row_medians(rows: FloatArray) -> FloatArray:
    """Return the median (n,) of each row's (n, m) finite values; NaN where there is none."""
    ordered = np.sort(rows, axis=1)  # NaN sorts last
    count = np.sum(np.isfinite(ordered), axis=1)
    last = np.maximum(count - 1, 0)
    low, high = last // 2, np.minimum(count // 2, last)
    line = np.arange(len(rows))
    return np.asarray(0.5 * (ordered[line, low] + ordered[line, high]))


def _unwrapped(index: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    # A stretch that passes the closed outline's first point is split by it: join it there.
    if len(index) == 0:
        return index
    gaps = np.diff(np.concatenate([index, [index[0] + count]]))
    return np.asarray(np.roll(index, -(int(gaps.argmax()) + 1)))


def local_slope(z: FloatArray, r: FloatArray, reach: int = 4) -> FloatArray:
    """Return dr/dz (n,) by straight lines through 2 reach + 1 neighbours; steep is capped at 50."""
    n = len(z)
    index = np.clip(np.arange(n)[:, None] + np.arange(-reach, reach + 1), 0, n - 1)
    dz = z[index] - z[index].mean(axis=1, keepdims=True)
    dr = r[index] - r[index].mean(axis=1, keepdims=True)
    # The line along the larger spread: the other way round fails at shoulders.
    zz, rr, zr = np.sum(dz * dz, 1), np.sum(dr * dr, 1), np.sum(dz * dr, 1)
    angle = 0.5 * np.arctan2(2 * zr, zz - rr)
    return np.asarray(np.clip(np.tan(angle), -50.0, 50.0))
