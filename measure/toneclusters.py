"""Rival piece maps by tone: what lies on the bench, cut into clusters of like colour and lightness.

Colour is that of the surface over that of the bench near by, so that light falling off over the
bench is none. The piece is one cluster or a few (two-tone laminations, its lit side and its dark
one), its shadow is others; which go together is tried, and judged by what mirrors itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.light import linear
from calib.vectors import sum_of_planes
from measure.blobs import blobs_of

__all__ = ["cluster_maps"]

Float32Array = NDArray[np.float32]
BoolArray = NDArray[np.bool_]

COUNTS = (3, 4, 5)
"""Numbers of clusters tried."""
WEIGHTS = np.array([0.5, 2.0, 2.0], dtype=np.float32)
"""Of lightness and of two hues: a shadow changes lightness most."""
AROUND_PX = 25
LEAST_SHARE, MOST_SHARE = 0.004, 0.4
"""Of the picture that a piece may fill."""
SAMPLES = 8000


def cluster_maps(
    bgr: NDArray[np.uint8], piece: Float32Array, free: BoolArray
) -> Iterator[BoolArray]:
    """Yield the regions that unions of clusters make, the largest blob of each, holes filled.

    Parameters
    ----------
    bgr : (h, w, 3) reduced photo.
    piece : (h, w) rough piece map, above 0 where unlike the bench.
    free : (h, w) where a piece may be: seen, and not the target.
    """
    tone = _against_bench(bgr, piece, free) * WEIGHTS
    wide = np.ones((AROUND_PX, AROUND_PX), np.uint8)
    near = (cv2.dilate((piece > 0).astype(np.uint8), wide) > 0) & free
    sample = tone[near] if near.sum() > SAMPLES // 20 else tone[free]
    sample = np.ascontiguousarray(sample[:: max(1, len(sample) // SAMPLES)])
    if len(sample) < max(COUNTS):
        return
    planes = np.ascontiguousarray(np.moveaxis(tone, 2, 0))
    for count in COUNTS:
        centres = _centres(sample, count)
        off = np.stack([np.sum((planes - c[:, None, None]) ** 2, axis=0) for c in centres])
        label = np.argmin(off, axis=0).astype(np.uint8)
        label = np.asarray(cv2.medianBlur(label, 5), dtype=np.uint8)
        bench = int(np.argmin(np.sum(centres**2, axis=1)))
        others = [(label == k) & free for k in range(count) if k != bench]
        for size in range(1, len(others) + 1):
            for chosen in combinations(others, size):
                blob = _largest_blob(np.logical_or.reduce(chosen))
                if blob is not None:
                    yield blob


def _against_bench(bgr: NDArray[np.uint8], piece: Float32Array, free: BoolArray) -> Float32Array:
    """Return logarithms over the bench near by, (h, w, 3): lightness, blue/red, green/both."""
    calm = cv2.bilateralFilter(bgr, 7, 25, 5)
    light = linear(np.asarray(calm, dtype=np.uint8)).astype(np.float32) + np.float32(0.002)
    bench = (piece < 0) & free
    if not bench.any():
        bench = free
    share = bench.astype(np.float32)
    size = (2 * (max(piece.shape) // 6) + 1,) * 2
    weight = np.asarray(cv2.blur(share, size))[..., None]
    near = cv2.blur(light * share[..., None], size) / (weight + np.float32(1e-4))
    usual = np.array([np.median(light[..., k][bench]) for k in range(3)])
    # Wide of any bench its usual colour must do.
    ratio = np.log(light / np.maximum(np.where(weight > 0.01, near, usual), 1e-4))
    blue, green, red = ratio[..., 0], ratio[..., 1], ratio[..., 2]
    darker = sum_of_planes(ratio) / np.float32(3.0)
    tone = np.stack([darker, blue - red, green - 0.5 * (blue + red)], axis=2)
    return np.asarray(tone, dtype=np.float32)


def _centres(sample: Float32Array, count: int) -> Float32Array:
    cv2.setRNGSeed(1)
    criteria = (cv2.TERM_CRITERIA_MAX_ITER | cv2.TERM_CRITERIA_EPS, 20, 0.01)
    _, _, centres = cv2.kmeans(  # type: ignore[call-overload]  # the stubs want labels, a first run has none
        sample, count, None, criteria, 2, cv2.KMEANS_PP_CENTERS
    )
    return np.asarray(centres, dtype=np.float32)


def _largest_blob(inside: BoolArray) -> BoolArray | None:
    """Return the largest connected part, its holes filled; None where it can be no piece."""
    kernel = np.ones((5, 5), np.uint8)
    whole = cv2.morphologyEx(inside.astype(np.uint8), cv2.MORPH_OPEN, kernel)
    whole = cv2.morphologyEx(whole, cv2.MORPH_CLOSE, kernel)
    labels, sizes = blobs_of(np.asarray(whole, dtype=np.uint8))
    k = int(np.argmax(sizes))
    if sizes[k] == 0:
        return None
    blob = (labels == k).astype(np.uint8)
    outlines, _ = cv2.findContours(blob, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros_like(blob)
    cv2.drawContours(filled, list(outlines), -1, 1, cv2.FILLED)
    if not LEAST_SHARE < float(filled.mean()) < MOST_SHARE:
        return None
    return np.asarray(filled > 0)
