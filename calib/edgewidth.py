"""How blurred edges are: the width of a step, in linear light, at known places."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calib.edges import normal_cdf, orthonormal, sample_lines
from calib.sight import CornerSight, Sight

__all__ = ["edge_places", "edge_widths"]

FloatArray = NDArray[np.float64]

SIGMAS_PX = 0.4 * 1.22 ** np.arange(18)
OFFSETS_PX = np.arange(-2.0, 2.01, 0.5)
STEP_SHARE = 0.9
"""Of the light's variation along a line that a plain step must explain to have a width."""
MOST_LINES = 240


def edge_places(sight: Sight) -> tuple[FloatArray, FloatArray, float]:
    """Return points (n, 2) on straight edges of the target, normals (n, 2), and a reach in px
    within which no other edge lies."""
    if isinstance(sight, CornerSight):
        return _between_corners(sight)
    corners = sight.corners_px
    # Sides 0 to 3 are right, top, left, bottom; corners start at top left and run clockwise.
    run = np.stack([corners[b] - corners[a] for a, b in ((1, 2), (0, 1), (3, 0), (2, 3))])
    run /= np.linalg.norm(run, axis=1, keepdims=True)
    along = run[sight.side]
    keep = slice(None, None, max(1, math.ceil(len(along) / MOST_LINES)))
    normals = np.column_stack([-along[:, 1], along[:, 0]])
    return sight.points_px[keep], normals[keep], 12.0


def _between_corners(sight: CornerSight) -> tuple[FloatArray, FloatArray, float]:
    """Return the middles of the sides of squares, each between two neighbouring saddle points."""
    apart = np.linalg.norm(sight.points_mm[:, None] - sight.points_mm[None], axis=2)
    side = float(np.min(apart + 1e9 * np.eye(len(apart))))
    first, second = np.nonzero(np.triu(np.abs(apart - side) < 0.01 * side))
    step = max(1, math.ceil(len(first) / MOST_LINES))
    a, b = sight.points_px[first[::step]], sight.points_px[second[::step]]
    along = b - a
    length = np.linalg.norm(along, axis=1, keepdims=True)
    normals = np.column_stack([-along[:, 1], along[:, 0]]) / length
    # The marks stand a fifth of a square away from the sides.
    return 0.5 * (a + b), normals, float(min(12.0, 0.2 * np.median(length)))


def edge_widths(
    bgr: NDArray[np.uint8],
    points_px: FloatArray,
    normals: FloatArray,
    reach_px: float,
    to_linear: NDArray[np.float32],
) -> FloatArray:
    """Return the standard deviation of the blur across each edge, (n,), px.

    NaN where no plain step is seen. The sampling between the pixels adds about 0.4 px, in
    quadrature, which is taken off again.

    Parameters
    ----------
    bgr : (H, W, 3) photo.
    points_px, normals : (n, 2) on the edges and across them.
    reach_px : how far to look to either side.
    to_linear : (256,) table from encoded to linear light.
    """
    near = min(NEAR_PX, reach_px)
    width, share = _widths(bgr, points_px, normals, near, to_linear)
    # A narrow look sees less of shadow and artwork; a wide edge does not fit into it.
    width = np.where((share > STEP_SHARE) & (width < NEAR_SHARE * near), width, np.nan)
    if reach_px > near:
        wide, share = _widths(bgr, points_px, normals, reach_px, to_linear)
        wide = np.where((share > STEP_SHARE) & (wide >= NEAR_SHARE * near), wide, np.nan)
        width = np.where(np.isnan(width), wide, width)
    return width


def _widths(
    bgr: NDArray[np.uint8],
    points_px: FloatArray,
    normals: FloatArray,
    reach_px: float,
    to_linear: NDArray[np.float32],
) -> tuple[FloatArray, FloatArray]:
    """Return the best width of a step on each line, and the share that the step explains."""
    t = np.arange(-reach_px, reach_px + 1e-9, 0.5)
    lines = sample_lines(bgr, points_px, normals, t, np.array([-1.0, 0.0, 1.0]), to_linear)
    light = lines.sum(axis=2).astype(np.float64)
    light -= light.mean(axis=1, keepdims=True)
    whole = np.maximum(np.sum(light**2, axis=1), 1e-12)
    shares = []
    for sigma in SIGMAS_PX:
        steps = normal_cdf((t[None, :] - OFFSETS_PX[:, None]) / sigma)
        bases = orthonormal([np.ones_like(steps), steps])[:, 1]
        shares.append(np.max((light @ bases.T) ** 2, axis=1) / whole)
    table = np.stack(shares, axis=1)
    found = SIGMAS_PX[table.argmax(axis=1)]
    width = np.sqrt(np.maximum(found**2 - SAMPLING_SD_PX**2, 0.09))
    return width, table.max(axis=1)


NEAR_PX, NEAR_SHARE = 5.0, 0.35
SAMPLING_SD_PX = 0.41
"""Linear interpolation between pixels is a blur of sqrt(1/6) px on average."""
