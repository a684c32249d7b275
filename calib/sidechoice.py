"""Which of the parallel edges along a card's side is the card's own.

Beside the edge of the face there may be the card's own wall, and the shadow that a card 0.76 mm
thick throws on the bench; the far border of that shadow is often the strongest edge of all. Each
of these makes a shape: an even face inside; a wall of a width that the view tells and a level of
its own; the bench outside, darkened alike in all colours over some distance. Every shape is tried
at every place on all scan lines of the side at once, and the lines vote.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["SideChoice", "choose_edge"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

SIGMA_PX = 1.3
MARGIN = 5
"""Samples that must be seen on both sides of an edge."""
VOTE_WEIGHT = 24.0
"""How many independent samples the scan lines of one side are worth; they share grain and model."""
NOISE_FLOOR = 0.004
OUTVOTED = 2.5
"""Most that one line counts against a shape: something may lie across the side there."""
DEPTHS = (0.35, 0.6, 0.85)
WIDTHS_PX = (2.0, 3.5, 5.5, 8.0, 11.0, 15.0, 20.0, 26.0)
FADES_PX = (2.0, 5.0)
PRINTS_PX, LINES_PX = (4.0, 6.0, 9.0, 12.0, 16.0, 21.0, 27.0), (3.0, 6.0)
"""How far inside the edge a printed border ends, or a line runs that is so thick."""
CHANCE_PRINT = 0.2
"""How often something is printed along an edge (no source)."""
CHANCE_PLAIN, CHANCE_FADE = 0.4, 0.3
"""Of no shadow, and of one that fades; the rest is for shadows with a border (common practice,
no source)."""


@dataclass(frozen=True, slots=True)
class SideChoice:
    """Where the card's own edge is among what runs along one side.

    Attributes
    ----------
    offset_px : of the likeliest place, along the scan lines.
    mean_px, sd_px : of all places, each by its chance.
    shadow_px : width of the shadow at the likeliest place; 0 for none or one that fades.
    shadow_depth : share of the light it takes, 0 for none.
    print_px : how far inside that place another tone is printed; 0 for none.
    """

    offset_px: float
    mean_px: float
    sd_px: float
    shadow_px: float
    shadow_depth: float
    print_px: float = 0.0


@dataclass(frozen=True, slots=True)
class _Shadows:
    """Light left by each shadow on a lattice of t in pixels, (s, lattice), blurred.

    `printed` is where the face has another tone, (s, lattice), 0 where it is even; it begins
    `print_px` inside the edge.
    """

    light: FloatArray
    width_px: FloatArray
    depth: FloatArray
    chance: FloatArray
    printed: FloatArray | None = None
    print_px: FloatArray | None = None


def choose_edge(
    light: Float32Array,
    offsets_px: FloatArray,
    wall_px: float,
    expected: tuple[float, float] | None = None,
    printed: bool = False,
) -> SideChoice:
    """Return where the edge of the face is.

    Parameters
    ----------
    light : (n, m, 3) light on lines across the side, edges at the same offset in all.
    offsets_px : (m,) of the samples, evenly spaced, outward.
    wall_px : width of wall that the view shows on this side; 0 where it looks away.
    expected : offset and standard deviation that the other sides ask for, if they do.
    printed : whether a border or a line may be printed along the edge. It often has the stronger
        edge, and as straight a one.
    """
    pixel = float(offsets_px[1] - offsets_px[0])
    m = light.shape[1]
    places = np.arange(MARGIN, m - MARGIN)
    left, shadows = _left_over(light, places, pixel, wall_px, printed)
    floor = 3.0 * m * NOISE_FLOOR**2
    votes = np.log(left + floor)
    votes -= votes.min(axis=(0, 1))
    np.minimum(votes, OUTVOTED, out=votes)
    cost = 0.5 * VOTE_WEIGHT * votes.mean(axis=2) - np.log(shadows.chance)[:, None]
    at = offsets_px[places]
    if expected is not None:
        cost = cost + 0.5 * ((at - expected[0]) / expected[1]) ** 2
    chance = np.exp(cost.min() - cost)
    chance /= chance.sum()
    s, k = np.unravel_index(int(cost.argmin()), cost.shape)
    by_place = chance.sum(axis=0)
    mean = float(by_place @ at)
    sd = math.sqrt(max(float(by_place @ (at - mean) ** 2), 0.0))
    return SideChoice(
        offset_px=float(at[k]),
        mean_px=mean,
        sd_px=sd,
        shadow_px=float(shadows.width_px[s]),
        shadow_depth=float(shadows.depth[s]),
        print_px=0.0 if shadows.print_px is None else float(shadows.print_px[s]),
    )


def _left_over(
    light: Float32Array, places: NDArray[np.int64], pixel: float, wall_px: float, printed: bool
) -> tuple[Float32Array, _Shadows]:
    """Return the squared light, (s, k, n), that each shadow and place leave unexplained."""
    n, m, channels = light.shape
    # The wall's width is taken in half pixels, so that what is built can be used again.
    wall = 0.5 * round(2.0 * wall_px) if wall_px >= 0.7 else 0.0
    basis, shadows = _bases(m, pixel, wall, int(places[0]), int(places[-1]), printed)
    y = np.ascontiguousarray(light.transpose(1, 2, 0)).reshape(m, channels * n)
    s, k, p, _ = basis.shape
    power = basis.reshape(s * k * p, m) @ y
    np.square(power, out=power)
    explained = power.reshape(s * k, p * channels, n).sum(axis=1).reshape(s, k, n)
    whole = np.square(y).reshape(m * channels, n).sum(axis=0)
    return np.maximum(whole - explained, 0.0), shadows


@lru_cache(maxsize=16)
def _bases(
    m: int, pixel: float, wall_px: float, first: int, last: int, printed: bool
) -> tuple[Float32Array, _Shadows]:
    """Return orthonormal bases, (s, k, p, m): face, bench and, if there are, wall and print."""
    lattice: FloatArray = np.arange(-(m - 1), m, dtype=np.float64) * pixel
    shadows = _shadows(lattice, wall_px)
    if printed:
        shadows = _with_print(lattice, shadows)
    face = 1.0 - _step(lattice)
    parts = [np.broadcast_to(face, shadows.light.shape), shadows.light]
    if wall_px > 0.0:
        wall = _step(lattice) - _step(lattice - wall_px)
        parts.append(np.broadcast_to(wall, shadows.light.shape))
    if shadows.printed is not None:
        parts.append(shadows.printed)
    windows = np.arange(m) - np.arange(first, last + 1)[:, None] + m - 1  # (k, m)
    basis: list[Float32Array] = []
    for part in parts:
        # Light has three digits; single precision is enough, and twice as quick.
        f = part.astype(np.float32)[:, windows]
        for q in basis:
            f -= np.einsum("skm,skm->sk", f, q)[..., None] * q
        f /= np.maximum(np.sqrt(np.einsum("skm,skm->sk", f, f)), 1e-4)[..., None]
        basis.append(f)
    return np.stack(basis, axis=2), shadows


def _shadows(t: FloatArray, wall_px: float) -> _Shadows:
    beyond = _step(t - wall_px)
    after = np.maximum(t - wall_px, 0.0)
    rows, widths, depths, chances = [beyond], [0.0], [0.0], [CHANCE_PLAIN]
    fades = [(d, f) for d in DEPTHS for f in FADES_PX]
    for depth, fade in fades:
        rows.append(beyond * (1.0 - depth * np.exp(-after / fade)))
        widths.append(0.0)
        depths.append(depth)
        chances.append(CHANCE_FADE / len(fades))
    borders = [(d, w) for d in DEPTHS for w in WIDTHS_PX]
    for depth, width in borders:
        # The border is soft: the lamp is no point.
        soft = _step((t - wall_px - width) / (1.0 + 0.1 * width))
        rows.append(beyond * (1.0 - depth * (1.0 - soft)))
        widths.append(width)
        depths.append(depth)
        chances.append((1.0 - CHANCE_PLAIN - CHANCE_FADE) / len(borders))
    return _Shadows(np.array(rows), np.array(widths), np.array(depths), np.array(chances))


def _with_print(t: FloatArray, shadows: _Shadows) -> _Shadows:
    """Return the shadows beside an even face and, some of them, beside a printed one."""
    inner = [1.0 - _step(t + width) for width in PRINTS_PX]
    lines = [
        _step(t + width + thick) - _step(t + width) for width in PRINTS_PX for thick in LINES_PX
    ]
    prints = np.array(inner + lines)
    widths = np.concatenate([PRINTS_PX, np.repeat(PRINTS_PX, len(LINES_PX))])
    # Of shadows there are too many to try each with each print: no two are far from these.
    plain = shadows.depth == 0.0
    some = plain | (
        (shadows.depth == DEPTHS[1]) & np.isin(shadows.width_px, (0.0, *WIDTHS_PX[1::3]))
    )
    k, n = int(some.sum()), len(prints)
    chance = shadows.chance[some] / shadows.chance[some].sum()

    def beside(even: FloatArray) -> FloatArray:
        return np.concatenate([even, np.repeat(even[some], n, axis=0)])

    return _Shadows(
        light=beside(shadows.light),
        width_px=beside(shadows.width_px),
        depth=beside(shadows.depth),
        chance=np.concatenate(
            [(1.0 - CHANCE_PRINT) * shadows.chance, np.repeat(CHANCE_PRINT * chance / n, n)]
        ),
        printed=np.concatenate([np.zeros_like(shadows.light), np.tile(prints, (k, 1))]),
        print_px=np.concatenate([np.zeros(len(shadows.light)), np.tile(widths, k)]),
    )


def _step(t: FloatArray) -> FloatArray:
    # A logistic curve of the same slope: within 0.01 of the Gaussian's, and quick.
    return np.asarray(1.0 / (1.0 + np.exp(np.clip(-1.702 * t / SIGMA_PX, -60.0, 60.0))))
