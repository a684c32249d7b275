"""One side of a drawn outline: level stretches between shoulders, each measured on its own.

A shoulder is a line square to the axis. Near it the pencil strokes of both run together, so the
strokes are measured clear of the corner and carried on to it: corners stay sharp.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.drawingaxis import AxisGuess
from measure.drawingline import LinePoints
from measure.drawingpath import STEP_MM, Path
from measure.drawingslant import slanted

__all__ = ["Find", "Side", "Stretch", "measure_side", "radius_at"]

FloatArray = NDArray[np.float64]

STEEP_PER_STEP_MM = 0.59
"""A path that moves across by so much from one place to the next follows a shoulder."""
SHOULDER_MM = 0.59
"""A lower one is drawn as a slope: two pencil strokes would cover it."""
CORNER_MM = 0.15
WINDOW_MM = 0.5
SLOPE_MOST = 3.0
STROKE_STEPS = 4
"""Steps of the path that a broad stroke square to the axis may cover."""
END_REACH_MM = 0.9
FLOOR_MM = 0.03
"""The middle of a stroke is known no better: standard uncertainty, mm."""
END_SEEN = 0.4
END_CLEAR_MM = 0.8
OPEN_END_SD_MM = 0.3

Find = Callable[[FloatArray, FloatArray, float], LinePoints]
"""Finds the line across normals: points (n, 2) and normals (n, 2) in the plane, and half the
length along the line that may be averaged, mm."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Points between two shoulders: z in order, distance from the axis, mm, shape (n,) each."""

    z_mm: FloatArray
    r_mm: FloatArray
    sd_mm: float


@dataclass(frozen=True, slots=True)
class Side:
    """One side of the outline.

    Attributes
    ----------
    stretches : m of them, in order along the axis.
    shoulders_mm : (m + 1,) z of the start, of the shoulders between stretches, and of the end.
    rises_mm : (m + 1,) change of radius there, from small z to large.
    sd_mm : (m + 1,) standard uncertainty of each.
    slants_mm : (m + 1,) how far each goes along the axis, about that z; 0 for a square one.
    width_mm : how wide the line is drawn.
    uneven : how much the ground differs on both sides of the line, as in `LinePoints`.
    points_px : (n, 2) where the line was found in the photo.
    points_z_mm : (n,) z of those.
    found : share of the places where the line was found.
    ends_seen : whether a line closes the outline at the start, and at the end.
    """

    stretches: tuple[Stretch, ...]
    shoulders_mm: FloatArray
    rises_mm: FloatArray
    sd_mm: FloatArray
    slants_mm: FloatArray
    width_mm: float
    uneven: float
    points_px: FloatArray
    points_z_mm: FloatArray
    found: float
    ends_seen: tuple[bool, bool]


def measure_side(axis: AxisGuess, sign: int, path: Path, find: Find) -> Side:
    """Measure the outline along a rough path.

    Parameters
    ----------
    axis, sign : the axis, and +1 for the side to its left, -1 for the other.
    path : rough outline on that side.
    find : finds the line to a fraction of a pixel.

    Raises
    ------
    ValueError
        If the line is found at too few places.
    """
    path = _without_end_strokes(path)
    z, r = path.z_mm, path.r_mm
    cuts = _cuts(r)
    level = _level(z, r, cuts)
    found = find(*_in_plane(axis, sign, *level), 0.3)
    own_z, own_r = _in_axis(axis, sign, found.points_mm)
    good = found.good & (np.abs(own_z - level[0]) < 1.5)
    if np.count_nonzero(good) < max(10, 0.4 * len(good)):
        raise ValueError(f"the line is found at {np.count_nonzero(good)} of {len(good)} places")
    at, sd, slants, seen = _shoulders(axis, sign, z, r, cuts, found.width_mm, find)
    stretches = []
    starts, stops = [0, *[b for _, b in cuts]], [*[a + 1 for a, _ in cuts], len(z)]
    for k, (a, b) in enumerate(zip(starts, stops, strict=True)):
        inside = np.zeros(len(z), dtype=bool)
        inside[a:b] = True
        margin = 0.5 * found.width_mm + CORNER_MM
        stretches.append(
            _stretch(own_z, own_r, good & inside, at[k], at[k + 1], margin, z, r, inside)
        )
    rises = [r[0], *[r[b] - r[a] for a, b in cuts], -r[-1]]
    return Side(
        tuple(stretches),
        at,
        np.array(rises),
        sd,
        slants,
        found.width_mm,
        found.uneven,
        found.points_px[good],
        own_z[good],
        float(np.mean(good)),
        seen,
    )


def radius_at(stretch: Stretch, z_mm: FloatArray) -> FloatArray:
    """Return the distance from the axis at z, (n,): a local line, robust against specks."""
    out = np.empty(len(z_mm))
    for i, at in enumerate(z_mm):
        out[i] = _local(stretch.z_mm, stretch.r_mm, float(at))
    return out


def _local(z: FloatArray, r: FloatArray, at: float) -> float:
    if len(z) < 3:
        return float(np.median(r))
    nearest = float(np.clip(at, z[0], z[-1]))
    off = np.abs(z - nearest)
    reach = max(WINDOW_MM, float(np.partition(off, min(4, len(z) - 1))[min(4, len(z) - 1)]) + 1e-6)
    use = off <= reach
    x, y = z[use] - nearest, r[use]
    weight = (1.0 - (np.abs(x) / (reach * 1.01)) ** 3) ** 3
    robust = np.ones_like(x)
    shift = slope = 0.0
    for _ in range(3):
        w = weight * robust
        s0, s1, s2 = w.sum(), w @ x, w @ (x * x)
        det = s0 * s2 - s1 * s1
        if det <= 1e-9 * s0 * s0:
            shift, slope = float(w @ y / s0), 0.0
        else:
            t0, t1 = w @ y, w @ (x * y)
            shift, slope = float((s2 * t0 - s1 * t1) / det), float((s0 * t1 - s1 * t0) / det)
        left = np.abs(y - shift - slope * x)
        scale = max(1.4826 * float(np.median(left)), 0.02)
        robust = 1.0 / (1.0 + (left / (2.5 * scale)) ** 2)
    beyond = at - nearest
    return shift + float(np.clip(slope, -1.0, 1.0)) * beyond


def _cuts(r: FloatArray) -> list[tuple[int, int]]:
    """Return (last before, first after) of each run of steps that is a shoulder."""
    step = np.diff(r)
    steep = np.abs(step) >= STEEP_PER_STEP_MM
    cuts = []
    i = 0
    while i < len(step):
        if not steep[i]:
            i += 1
            continue
        j = i
        while j + 1 < len(step) and steep[j + 1] and np.sign(step[j + 1]) == np.sign(step[i]):
            j += 1
        if abs(r[j + 1] - r[i]) >= SHOULDER_MM:
            cuts.append((i, j + 1))
        i = j + 1
    return _merged(r, cuts)


def _merged(r: FloatArray, cuts: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return cuts with those joined that lie on one stroke: the path may wander on its width."""
    kept: list[tuple[int, int]] = []
    for a, b in cuts:
        if kept and a - kept[-1][1] < STROKE_STEPS:
            kept[-1] = (kept[-1][0], b)
        else:
            kept.append((a, b))
    return [(a, b) for a, b in kept if abs(r[b] - r[a]) >= SHOULDER_MM]


def _without_end_strokes(path: Path) -> Path:
    """Return a path that begins and ends inside the strokes that close the outline."""
    first = _inside_stroke(path.r_mm)
    last = len(path.r_mm) - _inside_stroke(path.r_mm[::-1])
    if last - first < 20:
        return path
    return replace(path, z_mm=path.z_mm[first:last], r_mm=path.r_mm[first:last])


def _inside_stroke(r: FloatArray) -> int:
    """Return the index at which a path has left the stroke that closes its start."""
    steps = 2 * STROKE_STEPS
    settled = r[min(steps, len(r) - 1)]
    for i in range(STROKE_STEPS + 1, 0, -1):
        # A dome rises from the axis as well, but evenly.
        if abs(r[i] - r[i - 1]) >= STEEP_PER_STEP_MM and abs(r[i] - settled) < abs(r[0] - settled):
            return i
    return 0


def _level(
    z: FloatArray, r: FloatArray, cuts: list[tuple[int, int]]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return z, smoothed r and slope of every place, each stretch for itself."""
    smooth, slope = r.copy(), np.zeros_like(r)
    starts, stops = [0, *[b for _, b in cuts]], [*[a + 1 for a, _ in cuts], len(r)]
    for a, b in zip(starts, stops, strict=True):
        if b - a < 3:
            continue
        # Mirrored through the end points, so that a slope goes on straight to the corner.
        part = r[a:b]
        n = min(b - a - 1, 8)
        left = 2.0 * part[0] - part[1 : n + 1][::-1]
        right = 2.0 * part[-1] - part[-n - 1 : -1][::-1]
        whole = np.concatenate([left, part, right])
        whole = np.asarray(
            cv2.GaussianBlur(whole[None, :], (0, 0), 1.8, borderType=cv2.BORDER_REPLICATE)
        )[0]
        smooth[a:b] = whole[n : n + b - a]
        slope[a:b] = np.gradient(whole, STEP_MM)[n : n + b - a]
    return z, smooth, np.clip(slope, -SLOPE_MOST, SLOPE_MOST)


def _in_plane(
    axis: AxisGuess, sign: int, z: FloatArray, r: FloatArray, slope: FloatArray
) -> tuple[FloatArray, FloatArray]:
    d, n = axis.direction, sign * axis.normal
    points = axis.point_mm + z[:, None] * d + r[:, None] * n
    normals = n - slope[:, None] * d
    return points, normals / np.linalg.norm(normals, axis=1)[:, None]


def _in_axis(axis: AxisGuess, sign: int, points_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    moved = points_mm - axis.point_mm
    return moved @ axis.direction, sign * (moved @ axis.normal)


def _shoulders(
    axis: AxisGuess,
    sign: int,
    z: FloatArray,
    r: FloatArray,
    cuts: list[tuple[int, int]],
    width_mm: float,
    find: Find,
) -> tuple[FloatArray, FloatArray, FloatArray, tuple[bool, bool]]:
    """Return z, its standard uncertainty and slant of ends and shoulders, (m + 1,) each."""
    half = 0.5 * STEP_MM
    rough = [z[0] - half, *[0.5 * (z[a] + z[b]) for a, b in cuts], z[-1] + half]
    low = [END_CLEAR_MM, *[min(r[a], r[b]) for a, b in cuts], END_CLEAR_MM]
    high = [r[0], *[max(r[a], r[b]) for a, b in cuts], r[-1]]
    clear = 0.5 * width_mm + CORNER_MM
    places, owner = [], []
    for k, (a, b) in enumerate(zip(low, high, strict=True)):
        is_end = k in (0, len(low) - 1)
        inner_low = a if is_end else min(a + clear, 0.5 * (a + b))
        inner_high = max(b - clear, 0.5 * (a + b))
        rs = np.arange(inner_low, inner_high + 1e-9, 0.2)
        places += [(rough[k], float(v)) for v in (rs if len(rs) else [0.5 * (a + b)])]
        owner += [k] * max(len(rs), 1)
    at_z, at_r = np.array(places).T
    points = axis.point_mm + at_z[:, None] * axis.direction + sign * at_r[:, None] * axis.normal
    normals = np.broadcast_to(axis.direction, points.shape)
    found = find(points, normals, 0.1)
    own_z, own_r = _in_axis(axis, sign, found.points_mm)
    result, sd, share = np.array(rough), np.full(len(rough), OPEN_END_SD_MM), []
    slants = np.zeros(len(rough))
    rises = [0.0, *[r[b] - r[a] for a, b in cuts], 0.0]
    for k in range(len(rough)):
        mine = np.array(owner) == k
        use = mine & found.good
        share.append(float(np.count_nonzero(use)) / float(np.count_nonzero(mine)))
        if np.count_nonzero(use) and share[-1] >= END_SEEN:
            middle, slant = slanted(own_z[use], own_r[use], rises[k])
            spread = 1.4826 * float(np.median(np.abs(own_z[use] - np.median(own_z[use]))))
            if abs(middle - rough[k]) < END_REACH_MM:
                result[k], slants[k] = middle, slant
                sd[k] = np.hypot(FLOOR_MM, spread / np.sqrt(np.count_nonzero(use)))
    order = np.maximum.accumulate(result)
    return order, sd, slants, (share[0] >= END_SEEN, share[-1] >= END_SEEN)


def _stretch(
    own_z: FloatArray,
    own_r: FloatArray,
    use: NDArray[np.bool_],
    start: float,
    stop: float,
    margin: float,
    path_z: FloatArray,
    path_r: FloatArray,
    inside: NDArray[np.bool_],
) -> Stretch:
    order = np.argsort(own_z[use], kind="stable")
    z, r = own_z[use][order], own_r[use][order]
    within = (z >= start) & (z <= stop)
    z, r = z[within], r[within]
    clear = (z > start + margin) & (z < stop - margin)
    if np.count_nonzero(clear) < 3:
        # Too short to be measured clear of both corners: its middle is the best there is.
        clear = np.abs(z - 0.5 * (start + stop)) <= max(0.2 * (stop - start), 0.15)
    if np.count_nonzero(clear) < 1:
        return Stretch(path_z[inside], path_r[inside], 0.15)
    z, r = z[clear], r[clear]
    left = r - radius_at(Stretch(z, r, 0.0), z) if len(z) > 4 else np.zeros_like(z)
    spread = 1.4826 * float(np.median(np.abs(left)))
    # Grain is alike over about 0.4 mm: neighbouring points are not independent.
    return Stretch(z, r, float(np.hypot(FLOOR_MM, 0.7 * spread)))
