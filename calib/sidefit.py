"""One side of a card to a fraction of a pixel, with what its scan lines leave open in common.

The place of the edge is free on every scan line, its kind (how blurred it is, what shadow lies
beside it, what of the wall shows) is that of the whole side: the lines find it together, and what
they cannot tell apart moves all of them alike. That part is the side's bias; it does not shrink
with the number of lines.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from calib.edges import normal_cdf, orthonormal
from calib.sidechoice import SideChoice
from calib.sidescan import SideScan
from calib.tonededge import fit_toned, toned_shapes
from calib.tones import tones_along

__all__ = ["SCAN_OFFSETS_PX", "SideFit", "fit_side", "unseen"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

SCAN_OFFSETS_PX = np.arange(-11.0, 11.5, 1.0)
POSITIONS_PX = np.arange(-3.5, 3.6, 0.25)
SIGMAS_PX = (0.8, 1.2, 1.8, 2.7)
FADES = tuple((d, f) for d in (0.35, 0.7) for f in (1.5, 4.0))
"""Depth and length, px, of shadows that fade away from the card."""
VOTE_WEIGHT = 24.0
"""How many independent samples the scan lines of one side are worth; they share grain and model."""
NOISE_FLOOR = 0.003
OUTVOTED = 2.5
WALL_TIE = 0.06
"""Noise of a sample over how far a wall's light is from midway between face and bench."""
WALL_LEAST_PX = 0.3
"""A narrower wall is none."""
STRAY_PX = 1.5
"""A point farther off the line of its side is none of the side's."""


@dataclass(frozen=True, slots=True)
class SideFit:
    """Points on one side.

    Attributes
    ----------
    points_px : (n, 2) points that lie on one line, within `STRAY_PX`.
    line_px : (2, 2) where that line runs, from the start of the scan to its end.
    sd_px : (n,) standard deviation across the side, from their own scatter.
    share : share of the scan lines that gave them.
    bias_sd_px : what the kinds of edge that explain the side leave open, common to all points.
    sigma_px : blur of the likeliest kind.
    shaded : share of the light that a shadow takes beside the edge, by the likeliest kinds.
    contrast : step across the edge against what is left unexplained.
    """

    points_px: FloatArray
    line_px: FloatArray
    sd_px: FloatArray
    share: float
    bias_sd_px: float
    sigma_px: float
    shaded: float
    contrast: float


def unseen(start_px: FloatArray, end_px: FloatArray) -> SideFit:
    """Return a side between two corners (2,) that shows no points."""
    none = np.zeros(0)
    line = np.stack([start_px, end_px])
    return SideFit(np.zeros((0, 2)), line, none, 1.0, 0.0, 0.0, 0.0, 0.0)


def fit_side(scan: SideScan, choice: SideChoice, wall_px: float) -> SideFit | None:
    """Fit the side that a scan, centred on it within 2 px, shows; None if there is no line.

    Parameters
    ----------
    scan : with offsets `SCAN_OFFSETS_PX`.
    choice : what shadow lies beside the side.
    wall_px : width of wall that the view shows on this side; 0 where it looks away.
    """
    kinds = _kinds(wall_px if wall_px >= WALL_LEAST_PX else 0.0, choice.shadow_px)
    p, m = kinds.bases.shape[2:]
    rss, whole = _left_over(scan.light, kinds)
    offset, lowest, curvature, inside = _parabola(rss)
    floor = 3.0 * m * NOISE_FLOOR**2
    votes = np.log(lowest + floor)
    votes -= votes.min(axis=0)
    cost = 0.5 * VOTE_WEIGHT * np.minimum(votes, OUTVOTED).mean(axis=1) + 0.5 * kinds.price
    chance = np.exp(cost.min() - cost)
    chance /= chance.sum()
    at = chance @ offset
    best = int(cost.argmin())
    noise2 = (lowest[best] + floor) / max(3 * (m - p) - 1, 1)
    contrast = np.sqrt(np.maximum(whole - lowest[best], 0.0) / (m * noise2))
    sd = np.sqrt(2.0 * noise2 / curvature[best])
    seen = inside[best] & (contrast > 1.0) & (sd < 1.5)
    run = _line(scan.share, at, seen)
    if run is None:
        return None
    line = np.polyval(run, scan.share)
    kept = seen & (np.abs(at - line) < STRAY_PX)
    if kept.sum() < 4:
        return None
    lean, doubt = _by_colour(scan, at, kept) if wall_px < WALL_SEEN_PX else (0.0, 0.0)
    # Common to a side is how far the kinds lie apart in the middle of what they say.
    apart = np.median((offset - at)[:, kept], axis=1)
    scatter = 1.4826 * float(np.median(np.abs(at - line)[kept]))
    usual = float(np.median(sd[kept]))
    own = np.clip(sd[kept] / usual, 0.5, 3.0) * max(scatter, usual)
    return SideFit(
        points_px=scan.points_px(at + lean)[kept],
        line_px=np.stack(
            [
                scan.start_px + (run[1] + lean) * scan.normal,
                scan.end_px + (run[0] + run[1] + lean) * scan.normal,
            ]
        ),
        sd_px=own,
        share=float(kept.mean()),
        bias_sd_px=float(np.hypot(np.sqrt(chance @ apart**2), doubt)),
        sigma_px=float(chance @ kinds.sigma_px),
        shaded=float(chance @ kinds.shaded),
        contrast=float(np.median(contrast[kept])),
    )


def _by_colour(scan: SideScan, at: FloatArray, kept: NDArray[np.bool_]) -> tuple[float, float]:
    """Return how far the side should move outward, px, and what that leaves open.

    The shadow of a card is as dark as many a card; its colour is the bench's. Where colour puts
    the edge a little further in than light does, the truth is taken to lie between.
    """
    shapes = toned_shapes(float(SCAN_OFFSETS_PX[-1]), float(POSITIONS_PX[-1]), TONED_SIGMA_PX)
    tones = tones_along(scan.light, shapes.offsets_px, TONED_ASIDE_PX)
    found = fit_toned(scan.light, tones, shapes)
    good = kept & ~found.at_limit & (found.sd_px < TONED_SD_MOST_PX)
    if good.sum() < 0.5 * kept.sum():
        return 0.0, 0.0
    further = float(np.median((found.offset_px - at)[good]))
    if not -FURTHER_IN_PX[1] < further < -FURTHER_IN_PX[0]:
        return 0.0, 0.0
    return COLOUR_SHARE * further, 0.5 * abs(further)


WALL_SEEN_PX = 1.2
TONED_SIGMA_PX, TONED_ASIDE_PX, TONED_SD_MOST_PX = 0.95, 3.5, 1.5
COLOUR_SHARE = 0.5
FURTHER_IN_PX = (0.25, 1.3)
"""Less than this is nothing, more is another edge (measured on rendered photos)."""


@dataclass(frozen=True, slots=True)
class _Kinds:
    """Kinds of edge: orthonormal bases (s, k, p, m), what is special of each, and its price."""

    bases: Float32Array
    sigma_px: FloatArray
    shaded: FloatArray
    price: FloatArray


def _left_over(light: Float32Array, kinds: _Kinds) -> tuple[Float32Array, FloatArray]:
    """Return the squared light left by kind and place, (s, k, n), and that about the mean, (n,)."""
    s, k, p, m = kinds.bases.shape
    n = len(light)
    # The last sample stands for what is expected of the wall: see `_kinds`.
    y = np.zeros((m, 3, n), dtype=np.float32)
    y[:-1] = light.transpose(1, 2, 0)
    power = kinds.bases.reshape(s * k * p, m) @ y.reshape(m, 3 * n)
    np.square(power, out=power)
    explained = power.reshape(s * k, p * 3, n).sum(axis=1).reshape(s, k, n)
    whole = np.square(y).sum(axis=(0, 1))
    about_mean = np.square(light - light.mean(axis=1, keepdims=True)).sum(axis=(1, 2))
    return np.maximum(whole - explained, 0.0), about_mean.astype(np.float64)


def _parabola(
    rss: Float32Array,
) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    """Return place, least square, curvature and whether it is no border, each (s, n)."""
    s, k, n = rss.shape
    positions_px = POSITIONS_PX
    best = rss.argmin(axis=1)
    inner = np.clip(best, 1, k - 2)
    rows, columns = np.arange(s)[:, None], np.arange(n)
    low, mid, high = (rss[rows, inner + d, columns].astype(np.float64) for d in (-1, 0, 1))
    step = positions_px[1] - positions_px[0]
    bend = np.maximum(low - 2.0 * mid + high, 1e-12)
    shift = np.clip(0.5 * (low - high) / bend, -1.0, 1.0)
    lowest = np.maximum(mid - 0.125 * (low - high) ** 2 / bend, 0.0)
    inside = (best > 0) & (best < k - 1)
    lowest = np.where(inside, lowest, rss[rows, best, columns])
    return positions_px[inner] + shift * step, lowest, bend / step**2, inside


def _line(share: FloatArray, at: FloatArray, seen: NDArray[np.bool_]) -> FloatArray | None:
    """Return slope and start of a robust straight line through the points seen, (2,)."""
    index = np.flatnonzero(seen)
    if len(index) < 6:
        return None
    first, last = np.meshgrid(index[: len(index) // 2], index[len(index) // 2 :])
    i, j = first.ravel(), last.ravel()
    slope = (at[j] - at[i]) / (share[j] - share[i])
    off = np.abs(at[i][:, None] + slope[:, None] * (share[index] - share[i][:, None]) - at[index])
    winner = int(np.minimum(off, 1.0).sum(axis=1).argmin())
    line = at[i[winner]] + slope[winner] * (share - share[i[winner]])
    for limit in (1.5, 1.0):
        near = seen & (np.abs(at - line) < limit)
        if near.sum() < 4:
            return None
        run = np.polyfit(share[near], at[near], 1)
        line = np.polyval(run, share)
    return np.asarray(run)


@lru_cache(maxsize=16)
def _kinds(wall_px: float, shadow_px: float) -> _Kinds:
    """Return the kinds of edge to try; most sides show no wall, and of shadows there are few.

    A wall narrower than the blur cannot be told from a shift of the edge, so its level is
    expected, loosely, midway between face and bench: a last sample, of value 0, says so.
    """
    t = SCAN_OFFSETS_PX[None, :] - POSITIONS_PX[:, None]
    bases, sigmas, shaded, price = [], [], [], []
    for sigma in SIGMAS_PX:
        face = 1.0 - normal_cdf(t / sigma)
        outside = normal_cdf((t - wall_px) / sigma)
        beyond = np.maximum(t - wall_px, 0.0)
        wall = 1.0 - face - outside
        kinds = [(0.0, [outside])]
        kinds += [(d, [outside * (1.0 - d * np.exp(-beyond / f))]) for d, f in FADES]
        if shadow_px > 0.0:
            # The border of the shadow is soft, its darkness free.
            for width in (0.85 * shadow_px, 1.15 * shadow_px):
                border = normal_cdf((t - wall_px - width) / (sigma + 0.1 * width))
                kinds.append((1.0, [outside - border, border]))
        for depth, columns in kinds:
            if wall_px > 0.0:
                first, second, *rest = [face, *columns]
                columns = [first + 0.5 * wall, second + 0.5 * wall, *rest]
                free = [_with_last(wall, WALL_TIE)]
            else:
                columns, free = [face, *columns], []
            bases.append(orthonormal([*(_with_last(c, 0.0) for c in columns), *free]))
            sigmas.append(sigma)
            shaded.append(depth)
            price.append(0.0 if depth == 0.0 else 1.0)
    widest = max(b.shape[1] for b in bases)
    padded = [np.pad(b, ((0, 0), (0, widest - b.shape[1]), (0, 0))) for b in bases]
    return _Kinds(
        np.stack(padded).astype(np.float32), np.array(sigmas), np.array(shaded), np.array(price)
    )


def _with_last(column: FloatArray, last: float) -> FloatArray:
    return np.concatenate([column, np.full((len(column), 1), last)], axis=1)
