"""The straight edges along each side of a tool's steps: where the colour changes all along.

Rims are among them, and so are reflections inside a rim and the border of a shadow outside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from calib.view import View
from measure.revolve import Axis
from measure.rimoutline import Cylinder
from measure.rimpixels import rim_pixels, rim_points

__all__ = [
    "LEAST_SIGNIFICANCE",
    "MOST_OF_DISTANCE",
    "ROW_MM",
    "STEP_PX",
    "SURE_SIGNIFICANCE",
    "RimEdges",
    "column_mm",
    "edges_of_step",
    "in_sight",
    "onset_kernel",
]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

STEP_PX, COARSE_PX = 0.5, 2.0
"""Width of a column: half a pixel loses nothing of a sharp edge; and, of a step that was
overlooked, so wide that a rim counts over which the steel shades from the bench's own tone to
another, as a mirror does at grazing sight."""
WINDOW = 3
"""Columns over which inside and outside of an edge are averaged: 1.5 px, about what blurs it. The
outside is carried on by twice as many."""
NEAR = 4 * WINDOW
"""Columns to each side whose noise is taken for usual: the edge itself, two windows to each side,
is the lesser part of them and does not move their median."""
BEYOND_PX = 20
"""Beyond the last radius so many pixels show the bench, for its texture."""
BLOCK_MM, ROW_MM = 1.0, 0.25
"""Rows are averaged to blocks that are longer than a thread of cloth, so that neighbours are
independent; four rows to one."""
END_MM = 0.8
"""Near its ends a rim runs into the shoulders' edges or a chamfer."""
LEAST_LIGHT = 0.3
"""Standard deviation of a block's mean, grey levels, that no texture falls below: rounding to whole
levels makes 1 / sqrt(12)."""
LEAST_SIGNIFICANCE, SURE_SIGNIFICANCE = 4.0, 8.0
"""Some hundred columns are looked at: white noise passes four standard deviations in one step of
a hundred. Texture is not white, so that twice as many are beyond doubt."""

MIRROR_SHARE, INSIDE_MM = 0.3, 1.0
"""Edges are looked for so far inside the radius that was found. A round mirror on the bench, seen
from above, shows the bench in its outermost 1 - cos 45 degrees: there is the innermost edge that is
taken for a rim, or a rim for it."""
OUTSIDE_SHARE, OUTSIDE_MM = 0.25, 2.0
"""And so far outside (no source: as far as rims were missed in rendered photos); of a step that
was overlooked as far outside the largest."""
LEAST_RADIUS_MM, MOST_OF_DISTANCE = 1.0, 0.4
"""A radius below that is a scratch's; a tool so thick for its distance fills the picture."""


@dataclass(frozen=True, slots=True)
class RimEdges:
    """Edges on one side of a step: their radii, mm, and significances, from inside out."""

    radius_mm: FloatArray
    significance: FloatArray


def edges_of_step(
    bgr: NDArray[np.uint8],
    view: View,
    axis: Axis,
    steps: Sequence[Cylinder],
    k: int,
    sign: float,
) -> RimEdges:
    """Return the straight edges along one side of step k, where no other step hides it."""
    step = steps[k]
    about = step.radius_mm + sign * step.aside_mm
    z = in_sight(view, axis, steps, k, sign)
    rows = round(BLOCK_MM / ROW_MM)
    blocks = len(z) // rows
    if blocks < 2:
        return RimEdges(np.zeros(0), np.zeros(0))
    column = column_mm(view, axis, step)
    low = about - MIRROR_SHARE * about - INSIDE_MM
    low = max(0.0 if step.overlooked else low, LEAST_RADIUS_MM)
    largest = max(other.radius_mm for other in steps) if step.overlooked else about
    high = largest + max(OUTSIDE_SHARE * largest, OUTSIDE_MM)
    high = min(
        high, MOST_OF_DISTANCE * float(np.linalg.norm(axis.at(z[0]) - view.camera_centre_mm))
    )
    radii = np.arange(low, high + BEYOND_PX * 2 * column, column)
    x, y = rim_pixels(view, axis, z[: blocks * rows], radii, sign)
    laid = cv2.remap(bgr, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    laid = np.asarray(laid, dtype=np.float32)
    means = laid.reshape(blocks, rows, len(radii), 3).mean(axis=1)
    significance = _significance(means)
    inner = significance[2:-2]
    crest = np.max([significance[k : k + len(inner)] for k in range(5)], axis=0)
    at = 2 + np.flatnonzero((inner >= crest) & (inner >= LEAST_SIGNIFICANCE))
    at = at[radii[at] < high]
    return RimEdges(radii[at], significance[at].astype(np.float64))


def column_mm(view: View, axis: Axis, step: Cylinder) -> float:
    """Return the width of a column at a step, mm."""
    away = axis.at(0.5 * (step.z_from_mm + step.z_to_mm)) - view.camera_centre_mm
    step_px = COARSE_PX if step.overlooked else STEP_PX
    return step_px * float(np.linalg.norm(away)) / view.lens.focal_px


def in_sight(view: View, axis: Axis, steps: Sequence[Cylinder], k: int, sign: float) -> FloatArray:
    """Return z of rows of a rim, away from its ends, that no other step hides."""
    step, camera = steps[k], view.camera_centre_mm
    z = np.arange(step.z_from_mm, step.z_to_mm + 1e-9, ROW_MM)
    radius = np.full(len(z), step.radius_mm + sign * step.aside_mm)
    ahead = rim_points(camera, axis, z, radius, sign) - camera
    from_z = float((camera - axis.point_mm) @ axis.direction)
    free = np.ones(len(z), dtype=bool)
    for other in (*steps[:k], *steps[k + 1 :]):
        for face in (other.z_from_mm, other.z_to_mm):
            share = (face - from_z) / np.where(z == from_z, 1e-9, z - from_z)
            crossing = camera + share[:, None] * ahead - axis.at(face)
            inside = np.linalg.norm(crossing, axis=1) < other.radius_mm
            free &= ~(inside & (share > 0.0) & (share < 1.0))
    z = z[free]
    return z[(z >= z.min() + END_MM) & (z <= z.max() - END_MM)] if len(z) else z


def _significance(means: Float32Array) -> Float32Array:
    """Return, per column, how far the inside departs from what the outside leads to expect.

    In standard deviations of the mean of the blocks (blocks, columns, 3).
    """
    onset = cv2.filter2D(means, -1, onset_kernel()[None, :], borderType=cv2.BORDER_REPLICATE)
    blocks = len(onset)
    size = np.linalg.norm(onset.mean(axis=0), axis=-1)
    spread = np.sqrt(np.sum(onset.var(axis=0, ddof=1), axis=-1))
    # What an edge itself changes along the step is no noise: that of most columns about it counts.
    usual = median_filter(spread, size=2 * NEAR + 1, mode="nearest")
    bench = max(float(np.median(spread[-2 * BEYOND_PX :])), LEAST_LIGHT)
    return np.asarray(size / np.maximum(usual, bench) * np.sqrt(blocks), dtype=np.float32)


def onset_kernel() -> Float32Array:
    """Return weights of columns `STEP_PX` apart, from inside out: the inside, less the outside
    carried on as a straight line, so that soft borders and even shading are no onset."""
    kernel = np.zeros(4 * WINDOW + 3, dtype=np.float32)
    middle = len(kernel) // 2
    kernel[middle - WINDOW : middle] = 1.0 / WINDOW
    kernel[middle + 1 : middle + 1 + WINDOW] = -2.0 / WINDOW
    kernel[middle + 1 + WINDOW : middle + 1 + 2 * WINDOW] = 1.0 / WINDOW
    return kernel
