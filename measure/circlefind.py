"""Circles in a plane of the photo, found roughly: where to look, not what they measure.

Seen square to the plane every circle in it, and in any plane parallel to it, is a circle. So the
photo is turned to that view, edges vote for centres along their gradients, and the radii at which
edges lie all round a centre are kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.view import View
from measure.circles import Circle, arc_degrees, fit_circle

__all__ = ["find_circles"]

FloatArray = NDArray[np.float64]
ByteArray = NDArray[np.uint8]

LONGEST_PX = 1300
FINEST_PX_PER_MM = 5.0
"""Size and scale of the straightened picture: what finds 15 mm bores in a second or two."""
SMALLEST_MM, LARGEST_MM = 3.0, 80.0
"""Radii looked for."""
ALIGNED = 0.94
"""Least cosine between an edge's gradient and the radius for the edge to count."""
CENTRES, RADII, MOST_CIRCLES = 10, 8, 12
"""Centres tried, radii tried round each, and circles kept: a face has four or five."""
BIN_MM, BAND_MM = 0.25, 0.35
"""Width of a bin of radii; how far off a circle an edge may be and still belong to it."""
BLUR_PX = 1.6
"""Against grain, which is finer than a rim's edge is long."""
MOST_EDGES = 25_000
GROWN = 1.06
"""How much larger than the card what is kept off is: its own shadow."""


@dataclass(frozen=True, slots=True)
class _Edges:
    """Edge pixels in the plane: places (n, 2), mm, and unit gradients (n, 2)."""

    places: FloatArray
    gradients: FloatArray


def find_circles(
    bgr: ByteArray,
    view: View,
    height_mm: float,
    keep_off_px: FloatArray,
    box_px: tuple[float, float, float, float] | None = None,
    least_arc_deg: float = 150.0,
) -> list[Circle]:
    """Return circles in the plane Z = height, enough of their arc seen, mm, best seen first.

    Parameters
    ----------
    bgr : (H, W, 3) photo.
    keep_off_px : (m, 2) polygon round the target, in which nothing is looked for.
    box_px : (x, y, width, height) to look in; None for all of the photo.
    least_arc_deg : grain and rays make short arcs; a rim goes most of the way.

    Raises
    ------
    ValueError
        If the plane is not in front of the camera all over the region.
    """
    low, high = _region(bgr, view, height_mm, box_px)
    scale = min(FINEST_PX_PER_MM, LONGEST_PX / float(np.max(high - low)))
    size = np.maximum(np.ceil((high - low) * scale).astype(int), 8)
    x, y = np.meshgrid(np.arange(size[0]) / scale + low[0], np.arange(size[1]) / scale + low[1])
    places = np.stack([x, y, np.full_like(x, height_mm)], axis=-1)
    px = view.to_pixels(places.reshape(-1, 3)).reshape(*x.shape, 2).astype(np.float32)
    # Blurred first where the plane's grid is coarser than the photo.
    native = float(np.median(np.linalg.norm(np.diff(px, axis=1), axis=-1)))
    grey = cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY)
    if native > 1.2:
        grey = cv2.GaussianBlur(grey, (0, 0), 0.5 * native)
    at = px[..., 0].copy(), px[..., 1].copy()
    flat = cv2.remap(grey, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    inside = _mask(px, bgr.shape, keep_off_px, box_px)
    edges = _edges(np.asarray(flat, dtype=np.uint8), inside, low, scale)
    if len(edges.places) < 30:
        return []
    drawn: list[Circle] = []
    for centre in _centres(edges, low, high):
        drawn += _round_centre(edges, centre)
    return _explaining(edges, drawn, least_arc_deg)


def _region(
    bgr: ByteArray, view: View, height: float, box: tuple[float, float, float, float] | None
) -> tuple[FloatArray, FloatArray]:
    x, y, wide, tall = box or (0.0, 0.0, bgr.shape[1] - 1.0, bgr.shape[0] - 1.0)
    t = np.linspace(0.0, 1.0, 9)
    ring = np.concatenate(
        [np.column_stack([x + wide * t, np.full(9, y + s * tall)]) for s in (0.0, 1.0)]
        + [np.column_stack([np.full(9, x + s * wide), y + tall * t]) for s in (0.0, 1.0)]
    )
    on = view.on_plane(ring, height)
    if not np.all(np.isfinite(on)):
        raise ValueError("the plane is not in front of the camera all over the photo")
    return on.min(axis=0), on.max(axis=0)


def _mask(
    px: NDArray[np.float32],
    shape: tuple[int, ...],
    keep_off: FloatArray,
    box: tuple[float, float, float, float] | None,
) -> NDArray[np.bool_]:
    x, y, wide, tall = box or (0.0, 0.0, shape[1] - 1.0, shape[0] - 1.0)
    low, high = (x + 3.0, y + 3.0), (x + wide - 3.0, y + tall - 3.0)
    inside = np.all((px > low) & (px < high), axis=-1)
    card = np.zeros(shape[:2], dtype=np.uint8)
    middle = keep_off.mean(axis=0)
    cv2.fillPoly(card, [np.round((keep_off - middle) * GROWN + middle).astype(np.int32)], 255)
    hidden = cv2.remap(card, px[..., 0].copy(), px[..., 1].copy(), cv2.INTER_NEAREST)
    return np.asarray(inside & (hidden == 0))


def _edges(flat: ByteArray, inside: NDArray[np.bool_], low: FloatArray, scale: float) -> _Edges:
    smooth = cv2.GaussianBlur(flat, (0, 0), BLUR_PX)
    gx = cv2.Scharr(smooth, cv2.CV_16S, 1, 0)
    gy = cv2.Scharr(smooth, cv2.CV_16S, 0, 1)
    strength = np.hypot(gx.astype(np.float32), gy.astype(np.float32))
    level = float(np.percentile(strength[inside], 88)) if inside.any() else 1.0
    thin = cv2.Canny(gx, gy, 0.5 * level, level, L2gradient=True)
    rows, columns = np.nonzero((thin > 0) & inside & (strength > 0))
    if len(rows) > MOST_EDGES:
        strongest = np.argpartition(-strength[rows, columns], MOST_EDGES)[:MOST_EDGES]
        rows, columns = rows[strongest], columns[strongest]
    gradients = np.column_stack([gx[rows, columns], gy[rows, columns]]).astype(np.float64)
    gradients /= np.linalg.norm(gradients, axis=1)[:, None]
    return _Edges(np.column_stack([columns, rows]) / scale + low, gradients)


def _centres(edges: _Edges, low: FloatArray, high: FloatArray) -> list[FloatArray]:
    """Return the places where most gradients meet, (2,) each, mm."""
    cell = 0.5
    size = np.ceil((high - low) / cell).astype(int) + 1
    votes = np.zeros(int(size[0] * size[1]))
    for reach in np.arange(SMALLEST_MM, min(LARGEST_MM, float(np.max(high - low)) / 2.0), cell):
        for sign in (-1.0, 1.0):
            at = np.round((edges.places + sign * reach * edges.gradients - low) / cell).astype(int)
            ok = np.all((at >= 0) & (at < size), axis=1)
            # As many edge pixels as a circle is long: small ones count as much as large ones.
            votes += np.bincount(at[ok, 1] * size[0] + at[ok, 0], minlength=len(votes)) / reach
    grid = cv2.GaussianBlur(votes.reshape(size[1], size[0]), (0, 0), 1.5)
    grid = np.asarray(grid - cv2.GaussianBlur(grid, (0, 0), 20.0))
    centres = []
    for _ in range(CENTRES):
        row, column = np.unravel_index(int(np.argmax(grid)), grid.shape)
        if grid[row, column] <= 0.0:
            break
        centres.append(np.array([column, row]) * cell + low)
        cv2.circle(grid, (int(column), int(row)), 3, 0.0, -1)
    return centres


def _round_centre(edges: _Edges, centre: FloatArray) -> list[Circle]:
    """Return circles at the radii with edges all round a centre."""
    points = edges.places[_across(edges, centre)]
    reach = np.linalg.norm(points - centre, axis=1)
    points = points[(reach > SMALLEST_MM) & (reach < LARGEST_MM)]
    if len(points) < 20:
        return []
    reach = np.linalg.norm(points - centre, axis=1)
    count = np.bincount((reach / BIN_MM).astype(int))
    share = np.convolve(count, np.ones(5), "same") / np.maximum(np.arange(len(count)), 1.0)
    found = []
    for _ in range(RADII):
        place = int(np.argmax(share))
        if share[place] <= 0.0:
            break
        share[max(place - 2, 0) : place + 3] = 0.0
        circle = Circle(centre, (place + 0.5) * BIN_MM)
        for band in (1.2, 0.8, 0.5):
            near = points[np.abs(_off(points, circle)) < band]
            if len(near) < 15:
                break
            circle = fit_circle(near, circle).circle
        else:
            found.append(circle)
    return found


def _explaining(edges: _Edges, drawn: list[Circle], least_arc_deg: float) -> list[Circle]:
    """Return the circles that explain most edges, each by edges that no other explains."""
    left = np.ones(len(edges.places), dtype=bool)
    kept: list[Circle] = []
    while drawn and len(kept) < MOST_CIRCLES:
        arcs = []
        for circle in drawn:
            on = left & (np.abs(_off(edges.places, circle)) < BAND_MM)
            on[on] = _across(_Edges(edges.places[on], edges.gradients[on]), circle.centre)
            arcs.append(arc_degrees(edges.places[on], circle.centre) if on.any() else 0.0)
        best = int(np.argmax(arcs))
        if arcs[best] < least_arc_deg:
            break
        kept.append(drawn[best])
        left &= np.abs(_off(edges.places, drawn[best])) > 2.0 * BAND_MM
        drawn = [c for c, arc in zip(drawn, arcs, strict=True) if arc >= least_arc_deg]
        drawn = [c for c in drawn if c is not kept[-1]]
    return kept


def _across(edges: _Edges, centre: FloatArray) -> NDArray[np.bool_]:
    """Return which edges run round a centre, (n,)."""
    off = edges.places - centre
    reach = np.maximum(np.linalg.norm(off, axis=1), 1e-9)
    return np.asarray(np.abs(np.sum(off * edges.gradients, axis=1)) > ALIGNED * reach)


def _off(points: FloatArray, circle: Circle) -> FloatArray:
    return np.asarray(np.linalg.norm(points - circle.centre, axis=1) - circle.radius)
