"""Where a pencil line, or the edge of a template, lies to a fraction of a pixel.

The photo itself is sampled across the line, in linear light. A pencil line is a strip of specks:
its place is the middle of the light that it takes away, averaged a little along it, since grain
has no width that a model of an edge would fit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.edges import card_shapes, fit_edges, sample_lines
from calib.light import LUMINANCE_BGR
from calib.view import View

__all__ = ["LinePoints", "edge_points", "line_points"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

REACH_MM = 1.6
"""Half length of a scan line."""
GROUND_MM = 0.9
"""Farther out than this a scan line shows bare paper."""
FIRST_WINDOW_MM, LEAST_WINDOW_MM, MOST_WINDOW_MM = 0.7, 0.3, 0.8
ALONG_MM = 0.3
SAMPLE_MM = 0.07
LEAST_SHARE = 0.25
"""A scan line with less ink than this share of the usual has no line on it."""


@dataclass(frozen=True, slots=True)
class LinePoints:
    """Points of a line, in the order of the scan lines.

    Attributes
    ----------
    points_px : (n, 2) in the photo.
    points_mm : (n, 2) in the sheet's plane, target frame.
    good : (n,) whether a line was found there.
    width_mm : how wide the line is drawn; 0 for an edge.
    uneven : logarithm of how much lighter the ground is on one side than on the other, the
        median of all; 0 for an edge, which has two grounds.
    """

    points_px: FloatArray
    points_mm: FloatArray
    good: NDArray[np.bool_]
    width_mm: float
    uneven: float


def line_points(
    bgr: NDArray[np.uint8],
    to_linear: Float32Array,
    view: View,
    height_mm: float,
    points_mm: FloatArray,
    normals: FloatArray,
    along_mm: float = ALONG_MM,
) -> LinePoints:
    """Return the middle of a drawn line across each normal.

    Parameters
    ----------
    bgr, to_linear : the photo, (H, W, 3), and its table to linear light, (256,).
    view, height_mm : the view, and Z of the sheet in it.
    points_mm, normals : (n, 2) rough points of the line in the sheet's plane, unit normals.
    along_mm : half the length along the line that is averaged.
    """
    samples, offsets, start_px, step_px = _scan(
        bgr, to_linear, view, height_mm, points_mm, normals, along_mm
    )
    light = samples @ np.array(LUMINANCE_BGR)
    outer = np.abs(offsets) > GROUND_MM
    left, right = outer & (offsets < 0), outer & (offsets > 0)
    # The brighter half of each flank: a neighbouring line darkens part of one only.
    a = np.percentile(light[:, left], 60, axis=1)
    b = np.percentile(light[:, right], 60, axis=1)
    share = (offsets + REACH_MM) / (2.0 * REACH_MM)
    ground = a[:, None] * (1.0 - share) + b[:, None] * share
    dark = 1.0 - light / np.maximum(ground, 1e-3)
    noise = 1.4826 * np.median(np.abs(dark[:, outer]))
    dark = np.maximum(dark - noise, 0.0)
    inner = np.abs(offsets) <= FIRST_WINDOW_MM
    mass = dark[:, inner].sum(axis=1) * SAMPLE_MM
    usual = float(np.median(mass))
    height = float(np.median(dark[:, inner].max(axis=1)))
    width = float(np.clip(usual / max(height, 1e-6), 0.1, 1.5))
    window = float(np.clip(0.6 * width + 0.15, LEAST_WINDOW_MM, MOST_WINDOW_MM))
    at = _brightest(dark, offsets, width)
    for _ in range(4):
        weight = dark * np.clip((window - np.abs(offsets - at[:, None])) / 0.1 + 0.5, 0.0, 1.0)
        total = weight.sum(axis=1)
        moved = np.divide(weight @ offsets, total, out=at.copy(), where=total > 0.0)
        at = np.clip(moved, -FIRST_WINDOW_MM, FIRST_WINDOW_MM)
    weight = dark * (np.abs(offsets - at[:, None]) <= window)
    good = weight.sum(axis=1) * SAMPLE_MM > LEAST_SHARE * usual
    good &= np.abs(at) < FIRST_WINDOW_MM - 1e-6
    pixels = start_px + (at / SAMPLE_MM)[:, None] * step_px
    uneven = float(np.median(np.abs(np.log(np.maximum(a, 1e-3) / np.maximum(b, 1e-3)))))
    return LinePoints(pixels, view.on_plane(pixels, height_mm), good, width, uneven)


def _brightest(dark: FloatArray, offsets: FloatArray, width_mm: float) -> FloatArray:
    """Return the offset of the most ink within a line's width, near the middle, (n,)."""
    size = max(round(width_mm / SAMPLE_MM) | 1, 3)
    total = np.cumsum(np.pad(dark, ((0, 0), (size // 2 + 1, size // 2))), axis=1)
    boxed = total[:, size:] - total[:, :-size]
    # The rough path is right to a fraction of a millimetre: nearer ink is likelier the line.
    near = np.exp(-0.5 * (offsets / 0.4) ** 2) * (np.abs(offsets) <= FIRST_WINDOW_MM)
    return np.asarray(offsets[np.argmax(boxed * near, axis=1)])


def edge_points(
    bgr: NDArray[np.uint8],
    to_linear: Float32Array,
    view: View,
    height_mm: float,
    points_mm: FloatArray,
    normals: FloatArray,
) -> LinePoints:
    """Return the edge of a flat template across each outward normal; see `line_points`."""
    px = view.to_pixels(_lifted(points_mm, height_mm))
    step = view.to_pixels(_lifted(points_mm + 0.1 * normals, height_mm)) - px
    direction = step / np.linalg.norm(step, axis=1)[:, None]
    shapes = card_shapes(10.0, 7.0, 1.2)
    along = np.linspace(-2.0, 2.0, 5)
    lines = sample_lines(bgr, px, direction, shapes.offsets_px, along, to_linear)
    fits = fit_edges(lines, shapes)
    pixels = px + fits.offset_px[:, None] * direction
    good = ~fits.at_limit & (fits.contrast > 1.0) & (fits.sd_px < 2.0)
    return LinePoints(pixels, view.on_plane(pixels, height_mm), np.asarray(good), 0.0, 0.0)


def _lifted(points_mm: FloatArray, height_mm: float) -> FloatArray:
    return np.column_stack([points_mm, np.full(len(points_mm), height_mm)])


def _scan(
    bgr: NDArray[np.uint8],
    to_linear: Float32Array,
    view: View,
    height_mm: float,
    points_mm: FloatArray,
    normals: FloatArray,
    along_mm: float,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return samples (n, m, 3), their offsets (m,) in mm, and pixel (n, 2) and step of offset 0.

    Within a scan line of 3 mm the scale changes by a thousandth: the step is taken as constant,
    and the way back to the plane goes through the exact pixel.
    """
    px = view.to_pixels(_lifted(points_mm, height_mm))
    ahead = view.to_pixels(_lifted(points_mm + SAMPLE_MM * normals, height_mm))
    behind = view.to_pixels(_lifted(points_mm - SAMPLE_MM * normals, height_mm))
    step = 0.5 * (ahead - behind)
    size = np.asarray(np.linalg.norm(step, axis=1), dtype=np.float64)
    typical = float(np.median(size))
    direction: FloatArray = step / size[:, None]
    count = int(REACH_MM / SAMPLE_MM)
    offsets = SAMPLE_MM * np.arange(-count, count + 1, dtype=np.float64)
    along = np.linspace(-1.0, 1.0, 7) * along_mm * typical / SAMPLE_MM
    # One spacing for all scan lines: the scale differs little over a sheet, and is put right by
    # using each line's own pixel step below.
    samples = sample_lines(bgr, px, direction, offsets / SAMPLE_MM * typical, along, to_linear)
    return samples.astype(np.float64), offsets, px, direction * typical
