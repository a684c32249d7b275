"""From the straight rims of a tool to its outline, to a fraction of a pixel.

The rims are averaged along their length before the edge is fitted; between them the outline runs
along the ellipses of the shoulders' edges.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.edges import EdgeFits, EdgeShapes, fit_edges, rim_shapes, sample_lines
from calib.view import View
from measure.outline import SPACING_PX, Outline, resample, rescan
from measure.reach import frame_of
from measure.revolve import Axis
from measure.rimpixels import rim_points
from measure.rims import Rim

__all__ = [
    "LIKELY_LOSS",
    "Cylinder",
    "RimOutline",
    "borne_out",
    "cylinders_of",
    "hidden",
    "rim_outline",
]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
IndexArray = NDArray[np.int64]

ALONG_PX = 12.0
"""A rim is averaged so far to each side before its edge is fitted."""
REACH_PX, HALF_PX = 3.5, 6.0
"""How far from where a rim was chosen its edge is looked for: two columns of the choice and what
an onset's crest is off. And how much of the photo on both sides counts: three times the widest
blur, for farther off are reflections and shadows."""
BLURS_PX = (0.6, 0.8, 1.1, 1.5)
"""What blurs the edge: the lens and the pixel at least, some want of focus at most."""
EVERY = 4
"""Of the outline's points every so many is fitted: those between share what was averaged."""
CORNER_MM = 1.2
"""So near to its ends a rim is left to the shoulders' edges."""
AGREE_PX = 1.2
CREST_PX, CREST_SD_PX = -0.55, 0.6
"""Where a fitted rim lies beside the crest of its onset, and how far that is usual. Measured on
rendered photos."""
FLOOR_PX = 0.06
CIRCLE_POINTS = 180
LEAST_FITTED = 8
LEAST_CONTRAST, LEAST_FOUND = 1.0, 0.3
"""A rim is seen where so large a share of its scan lines shows an edge above their own noise."""
POOLED, LEAST_GROUPS = 4, 3
LEAST_LIKELY, LIKELY_LOSS = 8.0, 2.5
"""Rims that lose so much count for nothing; those that lose less than the latter are believed."""
LARGER_MM = 1.2
NEAR_CIRCLE_PX = 12.0


@dataclass(frozen=True, slots=True)
class Cylinder:
    """One step as a cylinder: z along the axis, and its radius and offset across, mm.

    `aside_mm` is toward the `across` side of `reach.frame_of`; `doubt_mm` the standard deviation
    of the radius where its edges allow of more than one. `loss`: what speaks against its rims, from
    0. `overlooked`: its radius is anybody's guess; not `is_seen`: it stands for a stretch that
    shows no rim.
    """

    z_from_mm: float
    z_to_mm: float
    radius_mm: float
    aside_mm: float
    doubt_mm: float = 0.0
    loss: float = 0.0
    overlooked: bool = False
    is_seen: bool = True

    @property
    def borne_out_mm(self) -> float:
        """Length for which its rims speak: less the more is against them."""
        whole = self.z_to_mm - self.z_from_mm
        return whole * max(0.0, 1.0 - self.loss / LEAST_LIKELY) if self.is_seen else 0.0


@dataclass(frozen=True, slots=True)
class RimOutline:
    """The outline of a tool, and which of its points belong to what.

    Attributes
    ----------
    on_rims : for each step the points on its rim on the `across` side and on the other.
    between : for each place between steps, ends included, the points of the shoulder's edge.
    places_mm : z of these places as they were when the outline was drawn.
    steps : that it was drawn of.
    """

    outline: Outline
    on_rims: tuple[tuple[IndexArray, IndexArray], ...]
    between: tuple[IndexArray, ...]
    places_mm: tuple[float, ...]
    steps: tuple[Cylinder, ...]


def borne_out(steps: Sequence[Cylinder]) -> float:
    """Return the length along which the rims of steps speak for them, mm."""
    return sum(step.borne_out_mm for step in steps)


def hidden(steps: Sequence[Cylinder], others: Sequence[Cylinder]) -> float:
    """Return the length of steps, mm, along which others, borne out, are larger.

    Nothing of a tool lies outside its rims: what is seen inside a larger step is none.
    """
    total = 0.0
    for step in steps:
        for other in others:
            shared = min(step.z_to_mm, other.z_to_mm) - max(step.z_from_mm, other.z_from_mm)
            larger = other.radius_mm > step.radius_mm + LARGER_MM
            if larger and other.is_seen and other.loss < LIKELY_LOSS:
                total += max(shared, 0.0)
    return total


def cylinders_of(rims: Sequence[Rim]) -> tuple[Cylinder, ...]:
    """Return the steps that rims belong to; gaps between neighbours are closed.

    Where the foot of a shoulder is hidden the larger step is seen up to its edge, so the
    smaller one is carried on to it.
    """
    steps = [
        Cylinder(
            rim.z_from_mm,
            rim.z_to_mm,
            rim.radius_mm,
            0.5 * (rim.radii_mm[0] - rim.radii_mm[1]),
        )
        for rim in rims
    ]
    for k in range(len(steps) - 1):
        a, b = steps[k], steps[k + 1]
        meet = a.z_to_mm if a.radius_mm >= b.radius_mm else b.z_from_mm
        steps[k] = replace(a, z_to_mm=meet)
        steps[k + 1] = replace(b, z_from_mm=meet)
    return tuple(step for step in steps if step.z_to_mm > step.z_from_mm)


def rim_outline(
    bgr: NDArray[np.uint8],
    to_linear: Float32Array,
    view: View,
    axis: Axis,
    steps: Sequence[Cylinder],
) -> RimOutline | None:
    """Return the outline of a tool made of cylinders; None if its shape leaves the picture.

    Parameters
    ----------
    bgr, to_linear : (H, W, 3) photo and its (256,) table to linear light.
    view, axis : about right: within some pixels.
    steps : in order along the axis.
    """
    closed = _silhouette(bgr.shape[:2], view, axis, steps)
    if closed is None:
        return None
    line = resample(np.concatenate([closed, closed[:1]]), SPACING_PX)[:-1]
    tangents = _tangents(line)
    outline = rescan(bgr, to_linear, line, tangents)
    members, drawn = [], []
    for step in steps:
        sides, away, open_px = [], [], []
        for sign in (1.0, -1.0):
            index, normal, on_rim = _on_rim(line, view, axis, step, sign)
            if len(index) >= 8:
                put = _put(outline, bgr, to_linear, index, on_rim, normal)
                away.append(put[0])
                open_px.append(put[1])
            sides.append(index)
        members.append((sides[0], sides[1]))
        middle = axis.at(0.5 * (step.z_from_mm + step.z_to_mm)) - view.camera_centre_mm
        scale = float(np.linalg.norm(middle)) / view.lens.focal_px
        doubt_px = np.hypot(_doubt(away), 0.5 * float(np.linalg.norm(open_px)))
        drawn.append(replace(step, doubt_mm=float(np.hypot(step.doubt_mm, doubt_px * scale))))
    between = _between(outline, members, view, axis, steps)
    places = (steps[0].z_from_mm, *(step.z_to_mm for step in steps))
    return RimOutline(outline, tuple(members), between, places, tuple(drawn))


def _doubt(away_px: Sequence[float]) -> float:
    """Return the standard deviation of a radius, px, whose two edges were fitted so far from
    where they were found: two looks at one edge that differ by more than the crest of an onset
    does from the edge itself may mean two edges."""
    beyond = np.maximum(np.abs(np.array(away_px) - CREST_PX) - CREST_SD_PX, 0.0)
    return 0.5 * float(np.linalg.norm(beyond))


def _between(
    outline: Outline,
    members: Sequence[tuple[IndexArray, IndexArray]],
    view: View,
    axis: Axis,
    steps: Sequence[Cylinder],
) -> tuple[IndexArray, ...]:
    """Return, for each place where steps meet or end, the points near it that are on no rim."""
    free = np.ones(len(outline.points_px), dtype=bool)
    for sides in members:
        for index in sides:
            free[index] = False
    places = [steps[0].z_from_mm, *(step.z_to_mm for step in steps)]
    radii = [0.0, *(step.radius_mm for step in steps), 0.0]
    across, toward = frame_of(view.camera_centre_mm, axis)
    turn = np.linspace(0.0, 2.0 * np.pi, CIRCLE_POINTS, endpoint=False)[:, None]
    ring = np.cos(turn) * across + np.sin(turn) * toward
    found = []
    for place, before, after in zip(places, radii[:-1], radii[1:], strict=True):
        circle = view.to_pixels(axis.at(place) + max(before, after) * ring)
        points = outline.points_px
        near = np.zeros(len(points), dtype=bool)
        for chunk in np.array_split(circle, 6):
            gap = np.linalg.norm(points[:, None, :] - chunk[None, :, :], axis=2).min(axis=1)
            near |= gap < NEAR_CIRCLE_PX
        found.append(np.flatnonzero(near & free))
    return tuple(found)


def _silhouette(
    shape: tuple[int, ...], view: View, axis: Axis, steps: Sequence[Cylinder]
) -> FloatArray | None:
    """Return the closed outline (n, 2) of all cylinders together, from the start end round."""
    mask = np.zeros(shape, dtype=np.uint8)
    across, toward = frame_of(view.camera_centre_mm, axis)
    turn = np.linspace(0.0, 2.0 * np.pi, CIRCLE_POINTS, endpoint=False)[:, None]
    ring = np.cos(turn) * across + np.sin(turn) * toward
    for step in steps:
        middle = step.aside_mm * across
        circles = [
            axis.at(z) + middle + step.radius_mm * ring for z in (step.z_from_mm, step.z_to_mm)
        ]
        pixels = view.to_pixels(np.concatenate(circles))
        hull = cv2.convexHull(np.round(pixels * 8.0).astype(np.int32))
        cv2.fillConvexPoly(mask, hull, 255, shift=3)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    line = np.asarray(max(contours, key=len), dtype=np.float64).reshape(-1, 2)
    ends = view.to_pixels(axis.at(np.array([steps[0].z_from_mm, steps[-1].z_to_mm])))
    along = (line - ends[0]) @ (ends[1] - ends[0])
    line = np.roll(line, -int(along.argmin()), axis=0)
    return line


def _tangents(line: FloatArray, reach: int = 4) -> FloatArray:
    step = np.roll(line, -reach, axis=0) - np.roll(line, reach, axis=0)
    return np.asarray(step / np.maximum(np.linalg.norm(step, axis=1, keepdims=True), 1e-9))


def _on_rim(
    line: FloatArray, view: View, axis: Axis, step: Cylinder, sign: float
) -> tuple[IndexArray, FloatArray, FloatArray]:
    """Return which outline points lie on one rim, its outward normal, and their feet on it."""
    z = np.array([step.z_from_mm + CORNER_MM, step.z_to_mm - CORNER_MM])
    if z[1] - z[0] < CORNER_MM or not step.is_seen:
        return np.zeros(0, np.int64), np.zeros(2), np.zeros((0, 2))
    radius = np.full(2, step.radius_mm + sign * step.aside_mm)
    ends = view.to_pixels(rim_points(view.camera_centre_mm, axis, z, radius, sign))
    middle = view.to_pixels(axis.at(z))
    d = ends[1] - ends[0]
    long = float(np.linalg.norm(d))
    d = d / long
    normal = np.array([-d[1], d[0]])
    normal *= np.sign(normal @ (ends[0] - middle[0]))
    along, off = (line - ends[0]) @ d, (line - ends[0]) @ normal
    index = np.flatnonzero((along >= 0.0) & (along <= long) & (np.abs(off) < 4.0))
    return index, normal, ends[0] + along[index, None] * d


def _put(
    outline: Outline,
    bgr: NDArray[np.uint8],
    to_linear: Float32Array,
    index: IndexArray,
    on_rim: FloatArray,
    normal: FloatArray,
) -> tuple[float, float]:
    """Fit the edge of one rim, averaged along it, and put its points into the outline.

    Returns how far outward its middle lies of where it was looked for, and what the shapes that an
    edge may have leave open of that, standard deviation, px. The latter is the same all along the
    rim, so that more of it makes it no surer.
    """
    fitted = np.arange(0, len(index), max(min(EVERY, len(index) // LEAST_FITTED), 1))
    normals = np.broadcast_to(normal, on_rim.shape)
    shapes = rim_shapes(HALF_PX, REACH_PX, BLURS_PX)
    offsets = np.arange(-ALONG_PX, ALONG_PX + 1.0, 2.0)
    feet = on_rim[fitted]
    lines = sample_lines(bgr, feet, normals[fitted], shapes.offsets_px, offsets, to_linear)
    fits, at = _fitted(lines, shapes, fitted.astype(np.float64))
    found = ~fits.at_limit & (fits.contrast > LEAST_CONTRAST)
    if found.sum() < LEAST_FOUND * len(at):
        outline.clear[index] = False
        return CREST_PX, 0.0
    slope, level = _steady(at[found], fits.offset_px[found])
    away = fits.offset_px - level - slope * at
    clear = found & (np.abs(away) < AGREE_PX)
    place = np.arange(len(index), dtype=np.float64)
    nearest = np.rint(np.interp(place, at, np.arange(len(at)))).astype(int)
    moved = level + slope * place + np.interp(place, at, np.where(clear, away, 0.0))
    outline.points_px[index] = on_rim + moved[:, None] * normals
    flat = np.array([-normal[1], normal[0]])
    way = np.sign(float(np.median(outline.tangents[index] @ flat))) or 1.0
    turned = way * (flat + slope / SPACING_PX * np.sign(flat @ (on_rim[-1] - on_rim[0])) * normal)
    outline.tangents[index] = turned / np.linalg.norm(turned)
    outline.bend[index] = 0.0
    # Neighbours share most of what was averaged: each counts for its share of it.
    shared = np.sqrt(2.0 * ALONG_PX / (3.0 * SPACING_PX))
    outline.sd_px[index] = np.sqrt((shared * fits.sd_px[nearest]) ** 2 + FLOOR_PX**2)
    outline.contrast[index] = fits.contrast[nearest]
    outline.clear[index] = clear[nearest]
    left_open = min(float(np.median(fits.sd_px[found])), REACH_PX / np.sqrt(3.0))
    return level + slope * 0.5 * (len(index) - 1), left_open


def _fitted(
    lines: Float32Array, shapes: EdgeShapes, place: FloatArray
) -> tuple[EdgeFits, FloatArray]:
    """Return the fits of a rim's scan lines, and the places (k,) along it that they are of.

    Where most show too little by themselves they are averaged over longer stretches of it.
    """
    fits = fit_edges(lines, shapes)
    shown = ~fits.at_limit & (fits.contrast > LEAST_CONTRAST)
    groups = len(place) // POOLED
    if shown.sum() >= LEAST_FOUND * len(place) or groups < LEAST_GROUPS:
        return fits, place
    pooled = lines[: groups * POOLED].reshape(groups, POOLED, *lines.shape[1:]).mean(axis=1)
    middles = place[: groups * POOLED].reshape(groups, POOLED).mean(axis=1)
    return fit_edges(np.asarray(pooled, dtype=np.float32), shapes), middles


def _steady(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Return slope and level of a line that most points agree on (repeated medians)."""
    level = float(np.median(y))
    slope = 0.0
    for _ in range(10):
        near = np.abs(y - level - slope * x) < AGREE_PX
        if near.sum() < 4:
            break
        slope, level = (float(v) for v in np.polyfit(x[near], y[near], 1))
    return slope, level
