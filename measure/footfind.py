"""The foot of a standing piece, looked for on the bench where an outline ran on into its shadow.

The foot is a circle on the bench, and the sides say how large it is wherever it stands along the
axis: one unknown. Of all such circles the one whose front half is an edge all along, from one
side to the other, is the foot; the border of a shadow, a gap between planks or a card is no such
ellipse.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.edges import sample_lines
from calib.view import View
from measure.outline import Outline
from measure.revolve import Axis
from measure.sides import contour_values

__all__ = ["FoundFoot", "found_foot", "stood_on"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

REACH = (-0.1, 0.5)
"""How far up the axis the foot is looked for, from where the outline ends, in its own length."""
STEP_PX = 2.0
BESIDE_MM = (1.0, 8.0)
"""Heights over the bench at which the sides say how large the foot is."""
SIDE_POINTS, SIDE_WEIGHT = 3, 0.3
UNLIKE = 0.15
"""Sides that differ by a larger share of the radius are not both the piece's."""
SHARES = (1.0, 0.97, 0.94)
"""An edge is broken, or a foot hollowed, by so much of the radius at most (no source)."""
HALF_RAD, PLACES = 1.25, 61
ASIDE_PX = (2.0, 3.0, 4.0)
ALONG_PX = (-1.0, 0.0, 1.0)
AGREES = 0.4
"""A place of the arc shows its edge where the step is so large a share of the usual one."""
SHARE_LEAST, STEP_LEAST = 0.75, 0.06
"""Share of the arc that must show the edge, and the least step, of the cube root of light."""
RUN_LEAST, BROAD_MOST = 0.8, 1.5
"""How far past the foot, in its half widths, an outline must have run, and how broad it may be
there (rendered photos: 1.8 and 1.3 where it ran into a shadow; a flange was 2.2 broad)."""
ELSE_MM, ELSE_MOST = 3.0, 0.8
"""No circle farther off may be nearly as good."""


@dataclass(frozen=True, slots=True)
class FoundFoot:
    """A circle on the bench that shows an edge.

    Attributes
    ----------
    axis : upright, its point in the circle's middle.
    radius_mm : of the circle.
    arc_px : (n, 2) its front half in the photo, in order.
    """

    axis: Axis
    radius_mm: float
    arc_px: FloatArray


def found_foot(
    bgr: NDArray[np.uint8],
    to_linear: Float32Array,
    outline: Outline,
    ends_px: FloatArray,
    view: View,
    bench_mm: float,
) -> FoundFoot | None:
    """Return the foot of a piece that stands on the bench; None where no circle stands out.

    Parameters
    ----------
    bgr, to_linear : (H, W, 3) photo and its (256,) table to linear light.
    outline : followed, its sides the piece's, its lower end perhaps not.
    ends_px : (2, 2) the ends of its axis in the photo, the lower one first.
    view, bench_mm : of the target; Z of the bench.
    """
    along = ends_px[1] - ends_px[0]
    length = float(np.linalg.norm(along))
    places = np.arange(REACH[0] * length, REACH[1] * length, STEP_PX) / length
    on_bench = view.on_plane(ends_px[0] + places[:, None] * along, bench_mm)
    tried: list[tuple[float, FoundFoot]] = []
    for place in on_bench[np.all(np.isfinite(on_bench), axis=1)]:
        axis = Axis(np.array([*place, bench_mm]), np.array([0.0, 0.0, 1.0]))
        radius = _radius_of_sides(outline, view, axis)
        if radius is None:
            continue
        for share in SHARES:
            foot = FoundFoot(axis, share * radius, _front(view, axis, share * radius))
            # Of circles that fit alike the one that the sides lead to.
            score = share**2 * _edge_along(bgr, to_linear, foot, view)
            if score > 0.0:
                tried.append((score, foot))
    if not tried:
        return None
    best, foot = max(tried, key=lambda item: item[0])
    if not _ran_on(outline, ends_px, foot):
        return None
    for score, other in tried:
        apart = float(np.linalg.norm(other.axis.point_mm - foot.axis.point_mm))
        if apart > ELSE_MM and score > ELSE_MOST * best:
            return None
    return foot


def _ran_on(outline: Outline, ends_px: FloatArray, foot: FoundFoot) -> bool:
    """Return whether an outline goes on past a foot as one that ran into a shadow does.

    A step of the piece itself may show such an arc: what lies beyond it is broader, or short.
    """
    up = (ends_px[1] - ends_px[0]) / np.linalg.norm(ends_px[1] - ends_px[0])
    across = np.array([-up[1], up[0]])
    own = foot.arc_px @ across
    middle, half = 0.5 * float(own.max() + own.min()), 0.5 * float(np.ptp(own))
    lowest = foot.arc_px[len(foot.arc_px) // 2]
    beyond = (outline.points_px - lowest) @ up < 0.0
    if not beyond.any():
        return False
    below = outline.points_px[beyond]
    run = float(np.max((lowest - below) @ up))
    broad = float(np.max(np.abs(below @ across - middle)))
    return run > RUN_LEAST * half and broad < BROAD_MOST * half


def _radius_of_sides(outline: Outline, view: View, axis: Axis) -> float | None:
    """Return the radius on the bench that both sides lead to; None where they do not agree."""
    z, r, weight, side = contour_values(outline.points_px, outline.tangents, view, axis)
    near = outline.clear & (weight > SIDE_WEIGHT) & np.isfinite(r)
    near &= (z > BESIDE_MM[0]) & (z < BESIDE_MM[1])
    found = []
    for sign in (1.0, -1.0):
        own = near & (side == sign)
        if own.sum() < SIDE_POINTS:
            return None
        found.append(float(np.median(r[own])))
    mean = 0.5 * (found[0] + found[1])
    return mean if abs(found[0] - found[1]) < UNLIKE * mean else None


def _front(view: View, axis: Axis, radius_mm: float) -> FloatArray:
    """Return the half of the circle on the bench that faces the camera, in the photo, (n, 2)."""
    x, y, bench = axis.point_mm
    toward = view.camera_centre_mm - axis.point_mm
    angle = np.arctan2(toward[1], toward[0]) + np.linspace(-HALF_RAD, HALF_RAD, PLACES)
    circle = [x + radius_mm * np.cos(angle), y + radius_mm * np.sin(angle)]
    return view.to_pixels(np.column_stack([*circle, np.full(PLACES, bench)]))


def _edge_along(
    bgr: NDArray[np.uint8], to_linear: Float32Array, foot: FoundFoot, view: View
) -> float:
    """Return how much of an edge the arc is; 0 where it is none, or leaves the picture."""
    arc = foot.arc_px
    height, width = bgr.shape[:2]
    if np.any(arc < 6.0) or np.any(arc > np.array([width, height]) - 7.0):
        return 0.0
    middle = view.to_pixels(foot.axis.point_mm[None])[0]
    tangent = np.gradient(arc, axis=0)
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
    normal *= np.sign(np.sum((arc - middle) * normal, axis=1))[:, None]
    offsets = np.array([*(-np.array(ASIDE_PX)[::-1]), *ASIDE_PX])
    light = sample_lines(bgr, arc, normal, offsets, np.array(ALONG_PX), to_linear)
    tone = np.cbrt(np.maximum(light.astype(np.float64), 0.0))
    half = len(ASIDE_PX)
    step = tone[:, half:].mean(axis=1) - tone[:, :half].mean(axis=1)
    usual = np.median(step, axis=0)
    size = float(np.linalg.norm(usual))
    if size < STEP_LEAST:
        return 0.0
    share = float(np.mean(step @ usual > AGREES * size**2))
    return size * share if share >= SHARE_LEAST else 0.0


def stood_on(
    sides_px: tuple[FloatArray, FloatArray], foot: FoundFoot, ends_px: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return two mirrored sides (n, 2), from the foot up, that begin with a foot's arc.

    Parameters
    ----------
    sides_px : from the middle of the lower end, round the piece, to the middle of the upper.
    foot : as found.
    ends_px : (2, 2) the ends of the axis in the photo, the lower one first.
    """
    up = (ends_px[1] - ends_px[0]) / np.linalg.norm(ends_px[1] - ends_px[0])
    across = np.array([-up[1], up[0]])
    middle = len(foot.arc_px) // 2
    halves = [foot.arc_px[middle::-1], foot.arc_px[middle:]]
    halves.sort(key=lambda half: float(half[-1] @ across))
    sides = sorted(sides_px, key=lambda side: float(np.median(side @ across)))
    stood = []
    for side, half in zip(sides, halves, strict=True):
        above = np.flatnonzero((side - half[-1]) @ up > 0.0)
        first = int(above[0]) if len(above) else len(side) - 1
        stood.append(np.concatenate([half, side[first:]]))
    swapped = sides[0] is sides_px[1]
    return (stood[1], stood[0]) if swapped else (stood[0], stood[1])
