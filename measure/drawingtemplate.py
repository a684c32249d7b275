"""A flat template or scraper: its edge is the outline, its middle or its straight side the axis."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.finding import linear_table
from calib.light import linear
from calib.refusal import RefusalError
from calib.view import View
from measure.drawingaxis import AxisGuess, robust_line
from measure.drawingfind import axis_through
from measure.drawingline import LinePoints, edge_points
from measure.drawingpath import FULL, HALF, STEP_MM, Path, Reading
from measure.drawingside import Find, Side, measure_side
from measure.sheetimage import SheetImage

__all__ = ["find_template"]

FloatArray = NDArray[np.float64]
ByteArray = NDArray[np.uint8]

RING_MM = 8.0
"""What lies this near to the card is what the card lies on."""
CLEAR_MM = 2.0
LIGHTER, DARKER, HUE = 0.5, -0.6, 0.22
"""How far, in natural logarithms, what the card lies on may vary in light and colour."""
ALIKE = 0.93
"""Share of a template that a full profile's mirror image covers."""
STRAIGHT_SHARE = 0.6
SMALLEST_MM2 = 150.0
LEAST_RADIUS_MM = 0.5
END_CLEAR_MM = 1.5
PLAIN_MM = 0.6
STRAIGHT_WITHIN_MM = 0.8


def find_template(
    bgr: ByteArray, view: View, image: SheetImage, card_mm: FloatArray, profile: str | None
) -> tuple[Reading, tuple[Path, ...], tuple[Side, ...]]:
    """Return how the template reads, its rough outline, and its sides measured.

    Parameters
    ----------
    bgr, view : the photo and its view.
    image : the template's plane, rectified.
    card_mm : (m, 2) corners of the card in that plane.
    profile : `FULL` or `HALF` if the turner says which, else None.

    Raises
    ------
    RefusalError
        `no-outline`, `no-centre-line`.
    """
    mask = _template(image, card_mm)
    middle = _middle_axis(image, mask)
    reading: Reading | None = None
    if profile != HALF:
        reading = _full(image, mask, middle, certain=profile == FULL)
    if reading is None and profile != FULL:
        reading = _half(image, mask)
    if reading is None:
        raise RefusalError(
            "no-centre-line",
            "The template is neither a mirror image about its middle nor straight on one side.",
            "Cut it along its centre line, or draw round it, add the centre line, use --what line.",
        )

    def find(points: FloatArray, normals: FloatArray, along_mm: float) -> LinePoints:
        return edge_points(bgr, linear_table(), view, image.height_mm, points, normals)

    if reading.profile == HALF:
        reading = _on_straight_side(reading, find)
    if _is_plain(reading.path):
        raise RefusalError(
            "no-outline",
            "What the card lies on is a plain rectangle: no template.",
            "Lay card and template on a plain ground; for a drawing use --what line.",
        )
    signs = (1, -1) if reading.profile == FULL else (reading.side,)
    paths = tuple(_side_path(image, mask, reading.axis, sign) for sign in signs)
    try:
        sides = tuple(
            measure_side(reading.axis, sign, path, find)
            for sign, path in zip(signs, paths, strict=True)
        )
    except ValueError:
        raise _nothing() from None
    return reading, paths, sides


def _is_plain(path: Path) -> bool:
    """Whether a template is as wide all along: a sheet of paper, not a profile."""
    inner = path.r_mm[len(path.r_mm) // 20 : -max(len(path.r_mm) // 20, 1)]
    return bool(np.percentile(inner, 98) - np.percentile(inner, 2) < PLAIN_MM)


def _on_straight_side(reading: Reading, find: Find) -> Reading:
    """Return the reading about the straight side as the photo shows it to a fraction of a pixel.

    Raises
    ------
    RefusalError
        `no-outline`.
    """
    axis = reading.axis
    z = np.arange(reading.path.z_mm[0] + END_CLEAR_MM, reading.path.z_mm[-1] - END_CLEAR_MM, 0.4)
    points = axis.point_mm + z[:, None] * axis.direction
    found = find(points, np.broadcast_to(-reading.side * axis.normal, points.shape), 0.3)
    moved = found.points_mm - axis.point_mm
    across = moved @ axis.normal
    use = found.good & (np.abs(across) < STRAIGHT_WITHIN_MM)
    if np.count_nonzero(use) < max(20, 0.3 * len(z)):
        raise _nothing()
    slope, shift = robust_line((moved @ axis.direction)[use], across[use], 0.02)
    return replace(reading, axis=axis_through(axis, slope, shift))


def _nothing() -> RefusalError:
    return RefusalError(
        "no-outline",
        "No template can be told from what it lies on.",
        "Lay it on a plain ground of another tone, clear of the card and whole in the picture.",
    )


def _template(image: SheetImage, card_mm: FloatArray) -> ByteArray:
    """Return the template's mask (H, W), 0 or 1; the card may lie on it or beside it."""
    card = np.zeros(image.seen.shape, dtype=np.uint8)
    cv2.fillPoly(card, [np.round(image.to_px(card_mm)).astype(np.int32)], 1)
    near = _grown(card, CLEAR_MM, image)
    ring = (_grown(card, RING_MM, image) > 0) & (near == 0) & image.seen
    if np.count_nonzero(ring) < 100:
        raise _nothing()
    calm = np.asarray(cv2.GaussianBlur(image.bgr, (0, 0), 0.25 * image.px_per_mm), dtype=np.uint8)
    light = linear(calm).astype(np.float32) + np.float32(2e-3)
    ratio = np.log(light / np.median(light[ring], axis=0))
    even = ratio.mean(axis=2)
    hue = np.abs(ratio - even[..., None]).max(axis=2)
    like = (even > DARKER) & (even < LIGHTER) & (hue < HUE) | (near > 0)
    own = _part_with((like & image.seen).astype(np.uint8), card)
    seen = image.seen.astype(np.uint8)
    rim = (seen - cv2.erode(seen, np.ones((5, 5), np.uint8), borderValue=0)) > 0
    if np.mean(own[rim] > 0) > 0.1:
        other = ((own == 0) & image.seen & (near == 0)).astype(np.uint8)
        other = cv2.morphologyEx(other, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        own = _largest_inside(np.asarray(other, dtype=np.uint8), rim)
    else:
        own = np.maximum(own, near)
    contours, _ = cv2.findContours(own, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours or own.sum() < SMALLEST_MM2 * image.px_per_mm**2:
        raise _nothing()
    whole = np.zeros_like(own)
    cv2.drawContours(whole, [max(contours, key=cv2.contourArea)], -1, 1, cv2.FILLED)
    if np.any(whole[rim]):
        raise _nothing()
    return whole


def _grown(mask: ByteArray, by_mm: float, image: SheetImage) -> ByteArray:
    size = 2 * int(np.ceil(by_mm * image.px_per_mm)) + 1
    return np.asarray(cv2.dilate(mask, np.ones((size, size), np.uint8)), dtype=np.uint8)


def _part_with(mask: ByteArray, card: ByteArray) -> ByteArray:
    _, labels = cv2.connectedComponents(mask)
    inside = labels[card > 0]
    own = int(np.bincount(inside[inside > 0]).argmax()) if np.any(inside > 0) else 0
    return np.asarray((labels == own) & (own > 0), dtype=np.uint8)


def _largest_inside(mask: ByteArray, rim: NDArray[np.bool_]) -> ByteArray:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    outside = set(np.unique(labels[rim]).tolist())
    inner = [k for k in range(1, count) if k not in outside]
    if not inner:
        raise _nothing()
    best = max(inner, key=lambda k: int(stats[k, cv2.CC_STAT_AREA]))
    return np.asarray(labels == best, dtype=np.uint8)


def _points(image: SheetImage, mask: ByteArray) -> FloatArray:
    y, x = np.nonzero(mask)
    return image.to_mm(np.column_stack([x, y]).astype(np.float64))


def _middle_axis(image: SheetImage, mask: ByteArray) -> AxisGuess:
    points = _points(image, mask)
    middle = points.mean(axis=0)
    _, vectors = np.linalg.eigh(np.cov((points - middle).T))
    d = vectors[:, 1] * np.sign(vectors[0, 1] or 1.0)
    axis = AxisGuess(middle, d, 0.0, 0.0, False, False)
    for _ in range(3):
        up, down = (_side_path(image, mask, axis, sign) for sign in (1, -1))
        z = np.arange(max(up.z_mm[0], down.z_mm[0]), min(up.z_mm[-1], down.z_mm[-1]), 0.5)
        if len(z) < 20:
            break
        offset = 0.5 * (np.interp(z, up.z_mm, up.r_mm) - np.interp(z, down.z_mm, down.r_mm))
        axis = axis_through(axis, *robust_line(z, offset, 0.05))
    return axis


def _side_path(image: SheetImage, mask: ByteArray, axis: AxisGuess, sign: int) -> Path:
    """Return how far the template reaches from the axis on one side, at each place along it."""
    points = _points(image, mask) - axis.point_mm
    z, r = points @ axis.direction, sign * (points @ axis.normal)
    first = float(z.min())
    k = np.round((z - first) / STEP_MM).astype(int)
    reach = np.zeros(k.max() + 1)
    np.maximum.at(reach, k, r)
    some = np.flatnonzero(reach > LEAST_RADIUS_MM)
    if len(some) < 20:
        raise _nothing()
    rows = np.arange(some[0], some[-1] + 1)
    # A pixel's centre lies half a pixel inside the edge.
    return Path(first + STEP_MM * rows, reach[rows] + 0.5 / image.px_per_mm, 0.0, 1.0)


def _full(image: SheetImage, mask: ByteArray, axis: AxisGuess, certain: bool) -> Reading | None:
    up, down = (_side_path(image, mask, axis, sign) for sign in (1, -1))
    z = np.arange(min(up.z_mm[0], down.z_mm[0]), max(up.z_mm[-1], down.z_mm[-1]), 0.5)
    a = np.interp(z, up.z_mm, up.r_mm, left=0.0, right=0.0)
    b = np.interp(z, down.z_mm, down.r_mm, left=0.0, right=0.0)
    alike = float(np.minimum(a, b).sum() / max(np.maximum(a, b).sum(), 1e-9))
    if alike < ALIKE and not certain:
        return None
    return Reading(axis, FULL, 0, up, alike)


def _half(image: SheetImage, mask: ByteArray) -> Reading | None:
    """Return the reading about the template's longest straight side."""
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    rim = np.zeros_like(mask)
    cv2.drawContours(rim, contours, -1, 1, 1)
    lines = cv2.HoughLines(rim, 1.0, np.deg2rad(0.25), int(12.0 * image.px_per_mm))
    if lines is None:
        return None
    rho, theta = np.asarray(lines, dtype=np.float64).reshape(-1, 2)[0]
    n = np.array([np.cos(theta), np.sin(theta)])
    ends = image.to_mm(rho * n + np.array([[0.0], [50.0]]) * np.array([-n[1], n[0]]))
    d = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    d = d if d[0] >= 0.0 else -d
    edge = _points(image, rim)
    axis = AxisGuess(ends[0], d, 0.0, 0.0, True, False)
    for near in (0.8, 0.4, 0.4):
        across = (edge - axis.point_mm) @ axis.normal
        use = np.abs(across) < near
        along = (edge[use] - axis.point_mm) @ axis.direction
        slope, shift = np.polyfit(along, across[use], 1)
        axis = axis_through(axis, float(slope), float(shift))
    inside = (_points(image, mask) - axis.point_mm) @ axis.normal
    side = 1 if float(np.mean(inside)) > 0.0 else -1
    path = _side_path(image, mask, axis, side)
    long = float(along.max() - along.min())
    if (
        long < STRAIGHT_SHARE * (path.z_mm[-1] - path.z_mm[0])
        or np.mean(side * inside < -0.5) > 0.02
    ):
        return None
    return Reading(axis, HALF, side, path, 1.0)
