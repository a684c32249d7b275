"""Where the rim of a piece lies along scan lines, told from the shadow beside it by colour.

Along a scan line the piece covers the bench in part where the lens blurs its rim: each sample is
a(t) times the piece's light plus 1 - a(t) times the bench's, a falling from 1 to 0. Rivals:

- *told*: piece and bench each keep their own colour, in any shading and shadow;
- *bench told*: the bench keeps its colour, the piece has any (a polish that mirrors the room);
- *free*: both have any (a shadow lit by another light than the bench).

All are linear in the colours, so at every trial position they are eliminated exactly (variable
projection [GolubPereyra1973]). What more freedom asks is its price [Schwarz1978].
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from calib.edges import EdgeFits, joined, normal_cdf, settled
from calib.tones import Tones

__all__ = ["TonedShapes", "fit_toned", "toned_shapes"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

POSITION_STEP_PX = 0.25
SHADINGS_PX = (20.0, 3.0)
"""How far in from the rim a round piece's shading reaches: slowly, and at the rim alone."""
SHADOWS = ((0.0, 1.0), (0.35, 4.0), (0.62, 3.0), (0.85, 2.5), (0.85, 8.0))
"""Depth and reach (px) of a contact shadow beside a rim."""
SHADOW_PRICE = 40.0
FREEDOM_PRICE = 2.5
"""Scan lines have structure that no shape describes: a colour must earn more than noise asks."""
NOISE_FLOOR = 0.1
"""Of the noise that the tones were evened to."""
LINES_AT_ONCE = 256
TINY = 1e-9


@dataclass(frozen=True, slots=True)
class TonedShapes:
    """Shapes of a rim at all trial positions, for one grid of samples.

    Attributes
    ----------
    offsets_px : (m,) sample positions, outward positive.
    positions_px : (k,) trial positions of the rim.
    inside : (i, k, m) the piece's cover: even, and shaded in each way.
    outside : (o, k, m) the bench's: even, and shadowed in each way.
    """

    offsets_px: FloatArray
    positions_px: FloatArray
    inside: Float32Array
    outside: Float32Array


@lru_cache(maxsize=8)
def toned_shapes(half_px: float, reach_px: float, blur_px: float) -> TonedShapes:
    """Return the shapes for samples to `half_px` and positions to `reach_px` on both sides."""
    offsets = np.arange(-half_px, half_px + 0.5, 1.0)
    positions = np.arange(-reach_px, reach_px + 0.5 * POSITION_STEP_PX, POSITION_STEP_PX)
    t = offsets - positions[:, None]
    cover = 1.0 - normal_cdf(t / blur_px)
    inside = [cover] + [cover * np.exp(np.minimum(t, 0.0) / g) for g in SHADINGS_PX]
    beyond = np.maximum(t, 0.0)
    outside = [(1.0 - cover) * (1.0 - depth * np.exp(-beyond / far)) for depth, far in SHADOWS]
    return TonedShapes(
        offsets,
        positions,
        np.stack(inside).astype(np.float32),
        np.stack(outside).astype(np.float32),
    )


def fit_toned(lines: Float32Array, tones: Tones, shapes: TonedShapes) -> EdgeFits:
    """Find the rim on each scan line.

    Parameters
    ----------
    lines : (n, m, 3) linear light.
    tones : of the same lines.
    shapes : for the same m samples.
    """
    if lines.shape[1] != len(shapes.offsets_px):
        raise ValueError(f"lines have {lines.shape[1]} samples, shapes {len(shapes.offsets_px)}")
    parts = []
    for i in range(0, len(lines), LINES_AT_ONCE):
        part = slice(i, i + LINES_AT_ONCE)
        parts.append(_fit(lines[part], tones.at(part), shapes))
    return joined(parts)


def _fit(lines: Float32Array, tones: Tones, shapes: TonedShapes) -> EdgeFits:
    samples = 3 * lines.shape[1]
    even, weight = tones.evened(lines), tones.weight.T.astype(np.float32)
    whole = np.sum(np.square(even), axis=(1, 2))
    left, price = [], []
    for explained, freedom, depth in _explained(even, weight, tones, shapes):
        left.append(whole - explained)
        price.append(FREEDOM_PRICE * freedom * math.log(samples) + SHADOW_PRICE * depth)
    flat = np.sum(even * weight.T[:, :, None], axis=1)
    total = whole - np.sum(flat**2, axis=1) / np.sum(weight**2, axis=0)
    rss = np.stack(left)
    np.maximum(rss, 0.0, out=rss)
    return settled(rss, total, np.array(price), shapes.positions_px, samples - 5, NOISE_FLOOR)


def _explained(
    even: Float32Array, weight: Float32Array, tones: Tones, shapes: TonedShapes
) -> Iterator[tuple[Float32Array, int, float]]:
    """Yield what each rival explains at each position, (k, n), its freedom and shadow's depth.

    Freedom is counted beyond that of one colour on each side. The piece's shapes are made square
    to each other first, then the bench's to them (Gram and Schmidt, in the lines' own weights).
    """
    inside, outside = shapes.inside, shapes.outside
    square = np.square(weight)  # (m, n)
    bench, piece = tones.bench.astype(np.float32), tones.piece.astype(np.float32)
    across = _square_to(bench)
    told = np.einsum("nmi,ni->mn", even, piece) * weight
    channels = [np.einsum("nmi,ni->mn", even, c) * weight for c in (bench, *across)]
    alike = np.sum(piece * bench, axis=1)
    inner = inside[0] ** 2 @ square
    owns = [shape**2 @ square for shape in outside]
    ontos = [(inside[0] * shape) @ square for shape in outside]
    shown = [[shape @ v for v in (channels[0], *channels)] for shape in outside]
    cover = [(inside[0] @ v) / inner for v in (told, *channels)]
    for shade in (None, *range(1, len(inside))):
        freedom = 0 if shade is None else 1
        firsts = [inner * c * c for c in cover]
        if shade is not None:
            lean = ((inside[0] * inside[shade]) @ square) / inner
            size = np.maximum(inside[shade] ** 2 @ square - lean**2 * inner, TINY)
            shaded = [
                (inside[shade] @ v - lean * inner * c) / size
                for v, c in zip((told, *channels), cover, strict=True)
            ]
            firsts = [f + size * s * s for f, s in zip(firsts, shaded, strict=True)]
        free = firsts[1] + firsts[2] + firsts[3]
        covered = (alike * cover[0], *cover[1:])
        for k, (shape, (depth, _)) in enumerate(zip(outside, SHADOWS, strict=True)):
            onto, own = ontos[k], owns[k]
            taken = onto**2 / inner
            rest = [v - onto * c for v, c in zip(shown[k], covered, strict=True)]
            if shade is not None:
                over = (inside[shade] * shape) @ square - lean * onto
                taken = taken + over**2 / size
                shares = (alike * shaded[0], *shaded[1:])
                rest = [r - over * s for r, s in zip(rest, shares, strict=True)]
            one = rest[0] ** 2 / np.maximum(own - alike**2 * taken, TINY)
            size_free = np.maximum(own - taken, TINY)
            yield firsts[0] + one, freedom, depth
            yield free + rest[1] ** 2 / size_free, 2 + 3 * freedom, depth
            every = rest[1] ** 2 + rest[2] ** 2 + rest[3] ** 2
            yield free + every / size_free, 4 + 3 * freedom, depth


def _square_to(unit: Float32Array) -> tuple[Float32Array, Float32Array]:
    """Return two unit vectors (n, 3) square to each other and to the given ones."""
    helper = np.eye(3, dtype=np.float32)[np.argmin(np.abs(unit), axis=1)]
    first = np.cross(unit, helper)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return first, np.cross(unit, first)
