"""Where an edge lies along a scan line, to a fraction of a pixel, in linear light.

A scan line runs across an edge from inside (t < 0) to outside (t > 0). The model of it is a step
blurred by a Gaussian, with what really happens on both sides of one: the inside darkens toward
the rim of a round piece, the outside is darkened by a contact shadow. Each shape of that kind
makes a small linear basis, the same for every scan line, so the best position for thousands of
lines is found by projecting all of them on all bases at once (variable projection
[GolubPereyra1973]); shapes that explain a line equally well widen its uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

__all__ = ["EdgeFits", "EdgeShapes", "card_shapes", "fit_edges", "rim_shapes", "sample_lines"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

POSITION_STEP_PX = 0.25
SHAPE_DOUBT = 3.0
"""Residuals of a scan line are not white (grain, JPEG blocks): a shape is ruled out only when it
is worse by this factor more than white noise would ask."""


@dataclass(frozen=True, slots=True)
class EdgeShapes:
    """Orthonormal bases of all positions and shapes for one grid of samples.

    Attributes
    ----------
    offsets_px : (m,) sample positions t along a scan line.
    positions_px : (k,) trial positions of the edge.
    bases : (s, k, p, m) float32, orthonormal rows; s shapes, p basis functions.
    price : (s,) what a shape's extra freedom costs, in chi squared (BIC [Schwarz1978]).
    """

    offsets_px: FloatArray
    positions_px: FloatArray
    bases: Float32Array
    price: FloatArray


@dataclass(frozen=True, slots=True)
class EdgeFits:
    """Edges found on n scan lines.

    Attributes
    ----------
    offset_px : (n,) position along the scan line, positive outward.
    sd_px : (n,) standard deviation of it, shape doubt included.
    contrast : (n,) root of the light that the step explains over that left unexplained.
    at_limit : (n,) true where the best position is the first or last tried: no edge here.
    """

    offset_px: FloatArray
    sd_px: FloatArray
    contrast: FloatArray
    at_limit: NDArray[np.bool_]


def sample_lines(
    bgr: NDArray[np.uint8],
    points_px: FloatArray,
    normals: FloatArray,
    offsets_px: FloatArray,
    along_px: FloatArray,
    to_linear: Float32Array,
) -> Float32Array:
    """Sample the photo in linear light along scan lines, bilinearly.

    Parameters
    ----------
    bgr : (H, W, 3) photo.
    points_px, normals : (n, 2) middle of each line and unit outward normal.
    offsets_px : (m,) positions along the normal.
    along_px : (a,) positions along the edge that are averaged.
    to_linear : (256,) table from encoded to linear light.

    Returns
    -------
    (n, m, 3) float32, averaged over `along_px`. Positions outside the photo take the value of
    its border.
    """
    height, width = bgr.shape[:2]
    tangents = np.stack([-normals[:, 1], normals[:, 0]], axis=1)
    centre = points_px[:, None, :] + offsets_px[None, :, None] * normals[:, None, :]
    total = np.zeros((len(points_px), len(offsets_px), 3), dtype=np.float32)
    flat = bgr.reshape(-1, 3)
    for along in along_px:
        xy = centre + along * tangents[:, None, :]
        x = np.clip(xy[..., 0], 0.0, width - 1.001)
        y = np.clip(xy[..., 1], 0.0, height - 1.001)
        x0 = x.astype(np.int64)
        y0 = y.astype(np.int64)
        fx = (x - x0).astype(np.float32)[..., None]
        fy = (y - y0).astype(np.float32)[..., None]
        index = y0 * width + x0
        top = to_linear[flat[index]] * (1 - fx) + to_linear[flat[index + 1]] * fx
        index += width
        bottom = to_linear[flat[index]] * (1 - fx) + to_linear[flat[index + 1]] * fx
        total += top * (1 - fy) + bottom * fy
    return total / np.float32(len(along_px))


def _normal_cdf(x: FloatArray) -> FloatArray:
    # scipy.special has it, but costs a tenth of a second to import for these few values.
    flat = [0.5 * math.erfc(-v / math.sqrt(2.0)) for v in x.ravel()]
    return np.array(flat).reshape(x.shape)


def _build(
    offsets: FloatArray,
    positions: FloatArray,
    sigma: float,
    insides: list[tuple[float, ...]],
    outsides: list[tuple[float, float]],
    strips: tuple[float, ...] = (0.0,),
) -> EdgeShapes:
    bases = []
    for inside_lengths, (depth, length), strip in product(insides, outsides, strips):
        t = offsets[None, :] - positions[:, None]
        beyond_face = _normal_cdf(t / sigma)
        outside = _normal_cdf((t - strip) / sigma)
        beyond = np.maximum(t - strip, 0.0)
        columns = [1.0 - beyond_face, outside * (1.0 - depth * np.exp(-beyond / length))]
        columns += [(1.0 - beyond_face) * np.exp(np.minimum(t, 0) / g) for g in inside_lengths]
        if strip > 0.0:
            columns.append(beyond_face - outside)
        q, _ = np.linalg.qr(np.stack(columns, axis=2))
        bases.append(np.swapaxes(q, 1, 2))
    widest = max(b.shape[1] for b in bases)
    padded = [np.pad(b, ((0, 0), (0, widest - b.shape[1]), (0, 0))) for b in bases]
    fewest = min(b.shape[1] for b in bases)
    price = np.array([3.0 * (b.shape[1] - fewest) * math.log(3.0 * len(offsets)) for b in bases])
    return EdgeShapes(offsets, positions, np.stack(padded).astype(np.float32), price)


def _grids(half_px: float, reach_px: float) -> tuple[FloatArray, FloatArray]:
    offsets = np.arange(-half_px, half_px + 0.5, 1.0)
    positions = np.arange(-reach_px, reach_px + 0.5 * POSITION_STEP_PX, POSITION_STEP_PX)
    return offsets, positions


@lru_cache(maxsize=32)
def card_shapes(
    half_px: float, reach_px: float, sigma_px: float, strips_px: tuple[float, ...] = (0.0,)
) -> EdgeShapes:
    """Return shapes for a flat card: even inside, contact shadow of any depth outside.

    `strips_px` are the possible widths of the card's own wall, seen beyond the edge of its face
    where that side looks toward the camera. Its colour is free: cards have white cores.
    """
    offsets, positions = _grids(half_px, reach_px)
    outsides = [(0.0, 1.0)] + [(a, b) for a in (0.3, 0.6, 0.9) for b in (1.5, 3.0, 6.0)]
    return _build(offsets, positions, sigma_px, [()], outsides, strips_px)


@lru_cache(maxsize=32)
def rim_shapes(half_px: float, reach_px: float, sigma_px: float) -> EdgeShapes:
    """Return shapes for a rim of a round piece: the inside may shade toward it."""
    offsets, positions = _grids(half_px, reach_px)
    outsides = [(0.0, 1.0), (0.4, 3.0), (0.4, 8.0)]
    return _build(offsets, positions, sigma_px, [(), (2.0,), (6.0,)], outsides)


def fit_edges(
    samples: Float32Array, shapes: EdgeShapes, noise_floor: float = 1e-3, chunk: int = 256
) -> EdgeFits:
    """Find the edge on each scan line.

    Parameters
    ----------
    samples : (n, m, c) linear light of n lines, m samples, c channels.
    shapes : for the same m samples.
    noise_floor : least standard deviation of a sample, linear light.
    chunk : lines worked on at a time; bounds the memory.
    """
    s, k, p, m = shapes.bases.shape
    if samples.shape[1] != m:
        raise ValueError(f"lines have {samples.shape[1]} samples, the shapes {m}")
    matrix = shapes.bases.reshape(s * k * p, m)
    parts = [
        _fit_chunk(samples[i : i + chunk], matrix, shapes, noise_floor)
        for i in range(0, len(samples), chunk)
    ]
    if not parts:
        empty = np.zeros(0)
        return EdgeFits(empty, empty, empty, np.zeros(0, dtype=bool))
    columns = [np.concatenate(column) for column in zip(*parts, strict=True)]
    return EdgeFits(columns[0], columns[1], columns[2], columns[3].astype(bool))


def _fit_chunk(
    samples: Float32Array, matrix: Float32Array, shapes: EdgeShapes, noise_floor: float
) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    s, k, p, m = shapes.bases.shape
    n, _, channels = samples.shape
    y = samples - samples.mean(axis=1, keepdims=True)
    flat = y.transpose(1, 0, 2).reshape(m, n * channels)
    power = (matrix @ flat) ** 2
    explained = power.reshape(s, k, p, n, channels).sum(axis=(2, 4)).astype(np.float64)
    total = np.sum(y.astype(np.float64) ** 2, axis=(1, 2))
    rss = np.maximum(total - explained, 0.0)  # (s, k, n)
    freedom = max(channels * (m - p) - 1, 1)

    best = rss.argmin(axis=1)  # (s, n)
    inner = np.clip(best, 1, k - 2)
    take = np.stack([np.take_along_axis(rss, (inner + d)[:, None, :], 1)[:, 0] for d in (-1, 0, 1)])
    curvature = np.maximum(take[0] - 2 * take[1] + take[2], 1e-30)
    shift = np.clip(0.5 * (take[0] - take[2]) / curvature, -1.0, 1.0)
    step = shapes.positions_px[1] - shapes.positions_px[0]
    offset = shapes.positions_px[inner] + shift * step
    lowest = take[1] - 0.125 * (take[0] - take[2]) ** 2 / curvature
    lowest = np.where(
        best == inner, np.maximum(lowest, 0.0), np.take_along_axis(rss, best[:, None], 1)[:, 0]
    )

    noise2 = np.maximum(lowest.min(axis=0) / freedom, noise_floor**2)
    price = SHAPE_DOUBT * noise2 * shapes.price[:, None]
    lowest = lowest + price
    rss = rss + price[:, None, :]
    winner = lowest.argmin(axis=0)
    columns = np.arange(n)
    least = lowest[winner, columns]
    variance = 2.0 * noise2 * step**2 / curvature
    weight = np.exp(-0.5 * (lowest - least) / (SHAPE_DOUBT * noise2))
    weight /= weight.sum(axis=0)
    mean = np.sum(weight * offset, axis=0)
    spread = np.sum(weight * (variance + (offset - mean) ** 2), axis=0)
    # Two places may explain a line equally well (a wall as dark as the shadow): the parabola
    # knows of one only, the whole grid of both.
    chance = np.exp(-0.5 * (rss - rss.min(axis=(0, 1))) / (SHAPE_DOUBT * noise2))
    chance /= chance.sum(axis=(0, 1))
    grid = shapes.positions_px[None, :, None]
    grid_mean = np.sum(chance * grid, axis=(0, 1))
    grid_spread = np.sum(chance * (grid - grid_mean) ** 2, axis=(0, 1))
    split = grid_spread > np.maximum(0.09, 4.0 * spread)
    mean = np.where(split, grid_mean, mean)
    spread = np.where(split, grid_spread, spread)
    contrast = np.sqrt(np.maximum(total - least, 0.0) / (noise2 * freedom))
    edge = best[winner, columns]
    at_limit = (edge == 0) | (edge == k - 1)
    return mean, np.sqrt(spread), contrast, at_limit
