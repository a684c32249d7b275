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
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "EdgeFits",
    "EdgeShapes",
    "card_shapes",
    "fit_edges",
    "joined",
    "left_over",
    "normal_cdf",
    "orthonormal",
    "rim_shapes",
    "sample_lines",
    "settled",
]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

POSITION_STEP_PX = 0.25
SHADOW_PRICE = 40.0
NO_SECOND_MAP = np.zeros(0, dtype=np.uint16)
LINES_AT_ONCE = 8192
"""Lines sampled in one go: OpenCV gathers at most 32767 rows."""
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
    # Both coordinates apart, and weights as wide as the colours: the same sums in fewer passes.
    x, y = points_px.astype(np.float32).T
    across_x, across_y = normals.astype(np.float32).T
    offsets = offsets_px.astype(np.float32)
    lines = np.empty((len(points_px), len(offsets_px), 3), dtype=np.float32)
    for i in range(0, len(points_px), LINES_AT_ONCE):
        part = slice(i, i + LINES_AT_ONCE)
        middle_x = x[part, None] + offsets * across_x[part, None]
        middle_y = y[part, None] + offsets * across_y[part, None]
        for k, step in enumerate(along_px.astype(np.float32)):
            beside_x = middle_x + step * -across_y[part, None]
            beside_y = middle_y + step * across_x[part, None]
            light = _light_at(bgr, beside_x, beside_y, to_linear)
            if k == 0:
                lines[part] = light
            else:
                lines[part] += light
    lines /= np.float32(len(along_px))
    return lines


def _light_at(
    bgr: NDArray[np.uint8], x: Float32Array, y: Float32Array, to_linear: Float32Array
) -> Float32Array:
    """Return linear light (n, m, 3) between the pixels, at positions x and y, (n, m)."""
    height, width = bgr.shape[:2]
    # Single precision places to 0.0003 px in the largest photos: far below any edge's noise.
    x = np.clip(x, np.float32(0.0), np.float32(width - 1.001))
    y = np.clip(y, np.float32(0.0), np.float32(height - 1.001))
    left, above = x.astype(np.int16), y.astype(np.int16)
    corner = cv2.merge([left, above])
    fx, fy = (cv2.merge([share, share, share]) for share in (x - left, y - above))

    def taken(right: int, down: int) -> Float32Array:
        # remap gathers whole pixels several times faster than indexing does.
        pixels = cv2.remap(bgr[down:, right:], corner, NO_SECOND_MAP, cv2.INTER_NEAREST)
        return np.asarray(cv2.LUT(pixels, to_linear), dtype=np.float32)

    top, bottom = taken(0, 0), taken(0, 1)
    right = taken(1, 0)
    right -= top
    right *= fx
    top += right
    right = taken(1, 1)
    right -= bottom
    right *= fx
    bottom += right
    bottom -= top
    bottom *= fy
    top += bottom
    return top


def normal_cdf(x: FloatArray) -> FloatArray:
    """Return the normal distribution's cumulative values, of any shape."""
    # scipy.special has it, but costs a tenth of a second to import for these few values, of which
    # most are equal.
    different, place = np.unique(np.round(x, 9), return_inverse=True)
    values = np.array([0.5 * math.erfc(-v / math.sqrt(2.0)) for v in different.tolist()])
    return np.asarray(values[place].reshape(x.shape))


def _build(
    offsets: FloatArray,
    positions: FloatArray,
    sigma: float,
    insides: list[tuple[float, ...]],
    outsides: list[tuple[float, float]],
    strips: tuple[float, ...] = (0.0,),
    shadow_price: float = 0.0,
) -> EdgeShapes:
    t = offsets[None, :] - positions[:, None]
    face = 1.0 - normal_cdf(t / sigma)
    bases = []
    for inside_lengths, strip in product(insides, strips):
        outside = normal_cdf((t - strip) / sigma)
        beyond = np.maximum(t - strip, 0.0)
        for depth, length in outsides:
            columns = [face, outside * (1.0 - depth * np.exp(-beyond / length))]
            columns += [face * np.exp(np.minimum(t, 0) / g) for g in inside_lengths]
            if strip > 0.0:
                columns.append(1.0 - face - outside)
            bases.append(orthonormal(columns))
    widest = max(b.shape[1] for b in bases)
    padded = [np.pad(b, ((0, 0), (0, widest - b.shape[1]), (0, 0))) for b in bases]
    fewest = min(b.shape[1] for b in bases)
    freedom = [3.0 * (b.shape[1] - fewest) * math.log(3.0 * len(offsets)) for b in bases]
    depths = [depth for _, _, (depth, _) in product(insides, strips, outsides)]
    price = np.array(freedom) + shadow_price * np.array(depths)
    return EdgeShapes(offsets, positions, np.stack(padded).astype(np.float32), price)


def orthonormal(columns: list[FloatArray]) -> FloatArray:
    """Return orthonormal rows, (..., p, m), that span p functions, each (..., m)."""
    basis: list[FloatArray] = []
    for column in columns:
        left = column
        # Twice is enough to keep even nearly equal functions square to each other.
        for _ in range(2):
            for q in basis:
                left = left - np.sum(left * q, axis=-1, keepdims=True) * q
        norm = np.linalg.norm(left, axis=-1, keepdims=True)
        basis.append(left / np.maximum(norm, 1e-12))
    return np.stack(basis, axis=-2)


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
    return _build(offsets, positions, sigma_px, [()], outsides, strips_px, SHADOW_PRICE)


@lru_cache(maxsize=32)
def rim_shapes(half_px: float, reach_px: float, sigmas_px: tuple[float, ...]) -> EdgeShapes:
    """Return shapes for a rim of a round piece: the inside may shade toward it.

    `sigmas_px` are the blurs that the photo may have: a blur taken for wider than it is puts the
    edge inside, where the piece shades, and one taken for narrower outside.
    """
    offsets, positions = _grids(half_px, reach_px)
    outsides = [(0.0, 1.0), (0.4, 4.0), (0.85, 2.5), (0.85, 8.0)]
    insides: list[tuple[float, ...]] = [(), (20.0,), (3.0, 20.0)]
    rivals = [
        _build(offsets, positions, sigma, insides, outsides, (0.0,), SHADOW_PRICE)
        for sigma in sigmas_px
    ]
    return replace(
        rivals[0],
        bases=np.concatenate([rival.bases for rival in rivals]),
        price=np.concatenate([rival.price for rival in rivals]),
    )


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
    return joined(parts)


def joined(parts: list[EdgeFits]) -> EdgeFits:
    """Return the fits of several lots of lines as those of one."""
    if not parts:
        empty = np.zeros(0)
        return EdgeFits(empty, empty, empty, np.zeros(0, dtype=bool))
    return EdgeFits(
        np.concatenate([part.offset_px for part in parts]),
        np.concatenate([part.sd_px for part in parts]),
        np.concatenate([part.contrast for part in parts]),
        np.concatenate([part.at_limit for part in parts]),
    )


def _fit_chunk(
    samples: Float32Array, matrix: Float32Array, shapes: EdgeShapes, noise_floor: float
) -> EdgeFits:
    _, _, p, m = shapes.bases.shape
    rss, total = left_over(samples, matrix, shapes)
    freedom = max(samples.shape[2] * (m - p) - 1, 1)
    return settled(rss, total, shapes.price, shapes.positions_px, freedom, noise_floor)


def settled(
    rss: Float32Array,
    total: FloatArray | Float32Array,
    price: FloatArray,
    positions_px: FloatArray,
    freedom: int,
    noise_floor: float,
) -> EdgeFits:
    """Return where the edges lie, from what every shape at every trial position leaves unexplained.

    Parameters
    ----------
    rss : (s, k, n) squares left by s shapes at k positions on n lines.
    total : (n,) squares left by a line without an edge.
    price : (s,) what a shape's extra freedom costs, in chi squared.
    positions_px : (k,) trial positions, evenly spaced.
    freedom : number of samples less that of what is fitted.
    noise_floor : least standard deviation of a sample.
    """
    s, k, n = rss.shape
    best = rss.argmin(axis=1)  # (s, n)
    inner = np.clip(best, 1, k - 2)
    rows, columns = np.arange(s)[:, None], np.arange(n)
    take = [rss[rows, inner + d, columns].astype(np.float64) for d in (-1, 0, 1)]
    curvature = np.maximum(take[0] - 2 * take[1] + take[2], 1e-30)
    shift = np.clip(0.5 * (take[0] - take[2]) / curvature, -1.0, 1.0)
    step = positions_px[1] - positions_px[0]
    offset = positions_px[inner] + shift * step
    lowest = take[1] - 0.125 * (take[0] - take[2]) ** 2 / curvature
    lowest = np.where(best == inner, np.maximum(lowest, 0.0), rss[rows, best, columns])

    noise2 = np.maximum(lowest.min(axis=0) / freedom, noise_floor**2)
    asked = SHAPE_DOUBT * noise2 * price[:, None]
    lowest = lowest + asked
    winner = lowest.argmin(axis=0)
    least = lowest[winner, columns]
    variance = 2.0 * noise2 * step**2 / curvature
    weight = np.exp(-0.5 * (lowest - least) / (SHAPE_DOUBT * noise2))
    weight /= weight.sum(axis=0)
    mean = np.sum(weight * offset, axis=0)
    spread = np.sum(weight * (variance + (offset - mean) ** 2), axis=0)
    grid_mean, grid_spread = _over_grid(rss, asked, noise2, positions_px)
    split = grid_spread > np.maximum(0.09, 4.0 * spread)
    mean = np.where(split, grid_mean, mean)
    spread = np.where(split, grid_spread, spread)
    contrast = np.sqrt(np.maximum(total - least, 0.0) / (noise2 * freedom))
    edge = best[winner, columns]
    at_limit = (edge == 0) | (edge == k - 1)
    return EdgeFits(mean, np.sqrt(spread), contrast, at_limit)


def left_over(
    samples: Float32Array, matrix: Float32Array, shapes: EdgeShapes
) -> tuple[Float32Array, Float32Array]:
    """Return what shape and position leave of the light, (s, k, n), and all that
    varies along the line, (n,); squared.

    Lines run fastest in memory, so that every sum adds whole rows.
    """
    s, k, p, m = shapes.bases.shape
    n, _, channels = samples.shape
    y = np.ascontiguousarray(samples.transpose(1, 2, 0)).reshape(m, channels * n)
    # The mean must stay in: a shape with a shadow cannot make an even line of it.
    whole = np.square(y).reshape(m * channels, n).sum(axis=0)
    power = matrix @ y
    np.square(power, out=power)
    rss = power.reshape(s * k, p * channels, n).sum(axis=1)
    np.subtract(whole, rss, out=rss)
    np.maximum(rss, 0.0, out=rss)
    even = m * np.square(y.mean(axis=0)).reshape(channels, n).sum(axis=0)
    return rss.reshape(s, k, n), whole - even


def _over_grid(
    rss: Float32Array, price: FloatArray, noise2: FloatArray, positions_px: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return mean and variance (n,) of the position over the whole grid and all shapes.

    Two places may explain a line equally well (a wall as dark as the shadow): the parabola
    round the best position knows of one only, the whole grid of both.
    """
    unit = (SHAPE_DOUBT * noise2).astype(np.float32)
    chance = rss / (-2.0 * unit)
    chance -= (price / (2.0 * unit)).astype(np.float32)[:, None, :]
    chance -= chance.max(axis=(0, 1))
    np.exp(chance, out=chance)
    at = np.stack([np.ones(len(positions_px)), positions_px, positions_px**2]).astype(np.float32)
    whole, first, second = (at @ chance.sum(axis=0)).astype(np.float64)
    mean = first / whole
    return mean, np.maximum(second / whole - mean**2, 0.0)
