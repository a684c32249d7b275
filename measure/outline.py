"""The outline of the piece to a fraction of a pixel, with its tangent and its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.edges import EdgeFits, sample_lines
from calib.tonededge import TonedShapes, fit_toned, toned_shapes
from calib.tones import Tones, tones_along
from measure.sides import row_medians

__all__ = ["SPACING_PX", "Outline", "refine_outline", "rescan"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

SPACING_PX = 3.0
"""Distance of outline points. Nearer ones would share their pixels."""
SCAN_HALF_PX = 10.0
FIRST_REACH_PX = 4.5
REACH_PX = 3.0
"""How far from the followed line a rim is looked for, at first and when it is known better:
further out lie the borders of shadows."""
BLUR_PX = 0.95
ASIDE_PX = 1.5
"""So far from the rim a sample is free of its blur."""
TANGENT_REACH = 3
"""A tangent is fitted over this many points on each side."""
CONTRAST_LEAST = 1.0
STRAY, STRAY_PX = 4.0, (0.9, 2.5)
"""A point off the median of its neighbours by so many of their usual deviations, within these
bounds, is weave or grain."""
FLOOR_PX = 0.06
"""Least standard deviation of one point: pixel noise apart, grain and JPEG blocks remain."""


@dataclass(frozen=True, slots=True)
class Outline:
    """Points of the outline in order round the piece; side 0 along the axis, then side 1 back.

    Attributes
    ----------
    points_px, tangents : (n, 2) undistorted nothing: as in the photo; tangents are unit.
    sd_px : (n,) standard deviation across the outline.
    bend : (n,) change of direction over the tangent's reach, radians: large at corners.
    contrast : (n,) how well the step is seen.
    clear : (n,) true where an edge was found and it agrees with its neighbours.
    """

    points_px: FloatArray
    tangents: FloatArray
    sd_px: FloatArray
    bend: FloatArray
    contrast: FloatArray
    clear: NDArray[np.bool_]

    def ends_px(self) -> FloatArray:
        """Return (2, 2) the middles between both sides where they start and where they end."""
        half = len(self.points_px) // 2
        start = self.points_px[[0, -1]].mean(axis=0)
        return np.stack([start, self.points_px[[half - 1, half]].mean(axis=0)])

    def normals(self) -> FloatArray:
        """Return outward unit normals, (n, 2)."""
        return _normals(self.tangents, self.points_px)


def resample(line: FloatArray, spacing: float) -> FloatArray:
    """Return points (n, 2) at equal distances along a polyline (m, 2)."""
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    count = max(int(along[-1] / spacing), 4)
    at = np.linspace(0.0, along[-1], count)
    return np.column_stack([np.interp(at, along, line[:, k]) for k in (0, 1)])


def _smoothed(values: FloatArray, reach: int) -> FloatArray:
    """Return the running mean over 2 reach + 1 points of a closed curve, (n, k)."""
    n = len(values)
    padded = np.concatenate([values[-reach:], values, values[:reach]])
    total = np.cumsum(np.concatenate([np.zeros((1, values.shape[1])), padded]), axis=0)
    return np.asarray((total[2 * reach + 1 :] - total[: -2 * reach - 1])[:n] / (2 * reach + 1))


def _tangents(points: FloatArray, weight: FloatArray, reach: int) -> FloatArray:
    """Return unit tangents (n, 2) of a closed curve by weighted local straight lines.

    Beside a corner the parabola through the points on its own side is taken: a line that went
    round the corner would be the tangent of neither side.
    """
    shifts = np.arange(-reach, reach + 1)
    chosen, best = _lines(points, weight, shifts)
    plain = best <= BENT_PX**2
    for way in (-1, 1):
        tangent, left = _parabolas(points, way * np.arange(ASIDE))
        better = ~plain & (left < STRAIGHTER * best)
        chosen = np.where(better[:, None], tangent, chosen)
        best = np.where(better, left / STRAIGHTER, best)
    return chosen


def _parabolas(points: FloatArray, shifts: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
    """Return directions (n, 2) at the points of parabolas through others, and their misfits (n,).

    Beside a corner all neighbours lie on one side: a straight line would lag on a curved rim.
    """
    index = (np.arange(len(points))[:, None] + shifts) % len(points)
    design = np.stack([np.ones(len(shifts)), shifts, shifts**2], axis=1).astype(np.float64)
    inverse = np.linalg.pinv(design)
    near = points[index]
    unit = np.einsum("k,nkc->nc", inverse[1], near)
    unit /= np.maximum(np.linalg.norm(unit, axis=1, keepdims=True), 1e-12)
    left = near - np.einsum("jk,nkc->njc", design @ inverse, near)
    across = left[..., 0] * unit[:, None, 1] - left[..., 1] * unit[:, None, 0]
    return unit, np.mean(across * across, axis=1)


def _lines(
    points: FloatArray, weight: FloatArray, shifts: NDArray[np.int64]
) -> tuple[FloatArray, FloatArray]:
    """Return directions (n, 2) of lines through neighbours, and their mean square misfit (n,)."""
    index = (np.arange(len(points))[:, None] + shifts) % len(points)
    near, w = points[index], weight[index]
    w = w / np.sum(w, axis=1, keepdims=True)
    t = shifts - np.sum(w * shifts, axis=1, keepdims=True)
    slope = np.sum((w * t)[..., None] * near, axis=1)
    unit = slope / np.maximum(np.linalg.norm(slope, axis=1, keepdims=True), 1e-12)
    off = near - np.sum(w[..., None] * near, axis=1, keepdims=True)
    across = off[..., 0] * unit[:, None, 1] - off[..., 1] * unit[:, None, 0]
    return unit, np.sum(w * across * across, axis=1)


BENT_PX = 0.3
STRAIGHTER = 0.15
ASIDE = 9
"""A line that misses its points by this is bent; a parabola through so many points on one side
must miss them by that much less, squared."""


def _running_median(values: FloatArray, reach: int) -> FloatArray:
    """Return the median (n,) over neighbours on a closed curve; NaN where all are NaN."""
    index = (np.arange(len(values))[:, None] + np.arange(-reach, reach + 1)) % len(values)
    return row_medians(values[index])


def _normals(tangents: FloatArray, points: FloatArray) -> FloatArray:
    """Return outward unit normals (n, 2) of a closed curve."""
    normals = np.column_stack([tangents[:, 1], -tangents[:, 0]])
    x, y = points[:, 0], points[:, 1]
    area = np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)
    return normals if area > 0 else -normals


def refine_outline(
    bgr: NDArray[np.uint8], to_linear: Float32Array, sides_px: tuple[FloatArray, FloatArray]
) -> Outline:
    """Refine an outline that lies within a few pixels of the rim, on the full photo.

    Parameters
    ----------
    bgr, to_linear : (H, W, 3) photo and its (256,) table to linear light.
    sides_px : two polylines (n, 2), in order along the axis.
    """
    closed = np.concatenate([sides_px[0], sides_px[1][::-1]])
    line = resample(np.concatenate([closed, closed[:1]]), SPACING_PX)[:-1]
    tangents = _tangents(_smoothed(line, 2), np.ones(len(line)), 4)
    line, tangents, _ = _scan(bgr, to_linear, line, tangents, FIRST_REACH_PX, 2.0)
    return rescan(bgr, to_linear, line, tangents)


def rescan(
    bgr: NDArray[np.uint8], to_linear: Float32Array, line: FloatArray, tangents: FloatArray
) -> Outline:
    """Refine an outline that lies within a few pixels of the rim.

    Parameters
    ----------
    line, tangents : (n, 2) points in order round the piece, and unit tangents.
    """
    line, tangents, fits = _scan(bgr, to_linear, line, tangents, REACH_PX, 1.5)
    ahead = np.roll(tangents, -TANGENT_REACH, axis=0)
    behind = np.roll(tangents, TANGENT_REACH, axis=0)
    cross = behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0]
    bend = np.arctan2(cross, np.sum(ahead * behind, axis=1))
    sd, contrast, clear = fits
    return Outline(line, tangents, sd, bend, contrast, clear)


def _pooled(
    lines: Float32Array,
    tones: Tones,
    shapes: TonedShapes,
    index: NDArray[np.int64],
    reach: int,
) -> EdgeFits:
    """Return the fits of chosen lines, each averaged with so many neighbours on each side."""
    near = (index[:, None] + np.arange(-reach, reach + 1)) % len(lines)
    return fit_toned(lines[near].mean(axis=1), tones.at(index), shapes)


def _with_neighbours(
    lines: Float32Array, tones: Tones, shapes: TonedShapes, own: EdgeFits
) -> EdgeFits:
    """Return the fits, those of noisy lines drawn to what they show together with their neighbours.

    Grain and a noisy shadow throw single lines off by pixels; the rim runs on.
    """
    noisy = (own.sd_px > NOISY_PX) | own.at_limit | (own.contrast <= CONTRAST_LEAST)
    index = np.flatnonzero(noisy)
    if len(index) == 0:
        return own
    pooled = _pooled(lines, tones, shapes, index, POOL)
    spread = np.hypot(pooled.sd_px, UNEVEN_PX)
    sd = np.where(own.at_limit[index], 9.0, own.sd_px[index])
    share = sd**2 / (sd**2 + spread**2)
    offset, sd_px = own.offset_px.copy(), own.sd_px.copy()
    contrast, at_limit = own.contrast.copy(), own.at_limit.copy()
    offset[index] += share * (pooled.offset_px - offset[index])
    sd_px[index] = sd * spread / np.hypot(sd, spread)
    contrast[index], at_limit[index] = pooled.contrast, pooled.at_limit
    return EdgeFits(offset, sd_px, contrast, at_limit)


NOISY_PX = 0.15
POOL = 2
UNEVEN_PX = 0.3
"""How far the rim may run off the line that is followed, among so many neighbours."""


def _looked_at_again(
    lines: Float32Array,
    tones: Tones,
    shapes: TonedShapes,
    steady: FloatArray,
    usual: FloatArray,
    clear: NDArray[np.bool_],
) -> tuple[FloatArray, FloatArray]:
    """Return offset and sd (n,) where lines show a rim only together; NaN elsewhere.

    It counts where neighbours run evenly and it runs on with them: a speck on the rim or a dark
    fibre hides it on a few lines only. A groove or a corner is left alone.
    """
    n = len(lines)
    offset, sd = np.full(n, np.nan), np.full(n, np.nan)
    index = np.flatnonzero(~clear & (usual < EVEN_PX))
    if len(index):
        pooled = _pooled(lines, tones, shapes, index, POOL_WIDE)
        good = ~pooled.at_limit & (pooled.contrast > CONTRAST_LEAST) & (pooled.sd_px < 1.0)
        good &= np.abs(pooled.offset_px - steady[index]) < AGREES_PX
        offset[index[good]] = pooled.offset_px[good]
        sd[index[good]] = np.hypot(pooled.sd_px[good], UNEVEN_PX)
    return offset, sd


POOL_WIDE = 4
EVEN_PX, AGREES_PX = 0.6, 0.6
"""Neighbours that run so evenly are one rim, and what agrees with them so well is theirs."""


def _scan(
    bgr: NDArray[np.uint8],
    to_linear: Float32Array,
    line: FloatArray,
    tangents: FloatArray,
    reach: float,
    along: float,
) -> tuple[FloatArray, FloatArray, tuple[FloatArray, FloatArray, NDArray[np.bool_]]]:
    normals = _normals(tangents, line)
    shapes = toned_shapes(SCAN_HALF_PX, reach, BLUR_PX)
    offsets = along * np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    lines = sample_lines(bgr, line, normals, shapes.offsets_px, offsets, to_linear)
    tones = tones_along(lines, shapes.offsets_px, ASIDE_PX + 0.5 * reach)
    fits = _with_neighbours(lines, tones, shapes, fit_toned(lines, tones, shapes))
    offset = fits.offset_px
    found = ~fits.at_limit & (fits.contrast > CONTRAST_LEAST) & (fits.sd_px < 2.0)
    steady = _running_median(np.where(found, offset, np.nan), 4)
    stray = np.abs(offset - steady)
    usual = 1.4826 * _running_median(np.where(found, stray, np.nan), 8)
    clear = found & (stray < np.clip(STRAY * np.nan_to_num(usual), *STRAY_PX))
    moved = np.where(clear, offset, np.nan_to_num(steady))
    again, again_sd = _looked_at_again(lines, tones, shapes, steady, usual, clear)
    seen_again = np.isfinite(again)
    moved = np.where(seen_again, again, moved)
    spread = np.where(seen_again, again_sd, fits.sd_px)
    clear |= seen_again
    line = line + moved[:, None] * normals
    weight = np.where(clear, 1.0 / (spread**2 + 0.2**2), 0.05)
    sd = np.sqrt(spread**2 + FLOOR_PX**2)
    return line, _tangents(line, weight, TANGENT_REACH), (sd, fits.contrast, clear)
