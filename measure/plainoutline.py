"""The plain outline: that of the largest blob of a piece map, made to mirror itself."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.axissearch import axis_guesses
from measure.band import band_for, band_to_pixels, warp
from measure.blobs import blobs_of
from measure.halfwidths import longest_run
from measure.scene import FREE, Scene, cleared_maps
from measure.silhouette import Silhouette, shrunk
from measure.toneclusters import cluster_maps

__all__ = ["cleared_silhouettes", "cluster_silhouettes", "plain_silhouettes"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

PLAIN_ENOUGH = 0.6
SMALLEST_BLOB = 0.004
BLOBS_MOST, LIKE_SIZE = 4, 0.2
"""So many parts of a map are followed, none smaller than such a share of the largest."""
PART_INSIDE, PART_SMALLER = 0.8, 0.8
"""What lies in another by so much, and is no larger than such a share of it, is a part of it."""
CLUSTERS_MOST = 4
SYMMETRY_POWER = 8
"""What mirrors itself wholly comes before what is large: a piece with its shadow is larger."""
SAME_SHARE = 0.9
"""Regions that overlap by this share of their union are one."""


def plain_silhouettes(scene: Scene, intrinsics: FloatArray) -> Iterator[Silhouette]:
    """Yield the rival piece maps' own outlines, of those that mirror themselves.

    Parameters
    ----------
    scene : the reduced photo.
    intrinsics : (3, 3) of the full photo.
    """
    for piece in scene.maps:
        for blob in _largest_blobs(piece, 1):
            plain = _plain_silhouette(scene, intrinsics, blob)
            if plain is not None and plain.symmetry > PLAIN_ENOUGH:
                yield plain


def cleared_silhouettes(scene: Scene, intrinsics: FloatArray) -> Iterator[Silhouette]:
    """Yield the outlines of what lies on the bench, other things at its border left out of it.

    What else lies there may be larger than the piece, so several are; but none that is only a part
    of what was seen before.

    Parameters
    ----------
    scene, intrinsics : as for `plain_silhouettes`.
    """
    before = [blob > 0 for piece in scene.maps for blob in _largest_blobs(piece, BLOBS_MOST)]
    for piece in cleared_maps(scene):
        for blob in _largest_blobs(piece, BLOBS_MOST):
            if any(_is_part(blob > 0, other) for other in before):
                continue
            plain = _plain_silhouette(scene, intrinsics, blob)
            if plain is not None and plain.symmetry > PLAIN_ENOUGH:
                yield plain


def cluster_silhouettes(scene: Scene, intrinsics: FloatArray) -> Iterator[Silhouette]:
    """Yield outlines of regions of like tone, those first that mirror themselves best.

    Parameters
    ----------
    scene, intrinsics : as for `plain_silhouettes`.
    """
    free = scene.features[..., FREE] > 0.5
    tried: list[tuple[float, NDArray[np.bool_], Silhouette]] = []
    for region in cluster_maps(scene.reduced, scene.maps[0], free):
        piece = np.where(region, 1.0, -1.0).astype(np.float32)
        blobs = _largest_blobs(piece, 1)
        plain = _plain_silhouette(scene, intrinsics, blobs[0]) if blobs else None
        if plain is not None and plain.symmetry > PLAIN_ENOUGH:
            worth = plain.symmetry**SYMMETRY_POWER * float(np.sqrt(region.mean()))
            tried.append((worth, region, plain))
    tried.sort(key=lambda each: -each[0])
    given: list[NDArray[np.bool_]] = []
    for _, region, plain in tried:
        if all(_overlap(region, other) < SAME_SHARE for other in given):
            given.append(region)
            yield plain
        if len(given) == CLUSTERS_MOST:
            return


def _overlap(a: NDArray[np.bool_], b: NDArray[np.bool_]) -> float:
    return float(np.sum(a & b) / max(int(np.sum(a | b)), 1))


def _is_part(blob: NDArray[np.bool_], other: NDArray[np.bool_]) -> bool:
    size = int(np.sum(blob))
    inside = int(np.sum(blob & other)) > PART_INSIDE * size
    return inside and size < PART_SMALLER * int(np.sum(other))


def _largest_blobs(piece: Float32Array, most: int) -> list[Float32Array]:
    """Return the largest connected parts of a piece map, of like size, each (h, w), 1 inside."""
    whole = cv2.morphologyEx(
        (piece > 0).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)
    )
    labels, sizes = blobs_of(np.asarray(whole, dtype=np.uint8))
    least = max(SMALLEST_BLOB * whole.size, LIKE_SIZE * float(sizes.max()), 1.0)
    order = [int(k) for k in np.argsort(-sizes, kind="stable")[:most] if sizes[k] >= least]
    return [np.asarray(labels == k, dtype=np.float32) for k in order]


def _plain_silhouette(
    scene: Scene, intrinsics: FloatArray, blob: Float32Array
) -> Silhouette | None:
    """Return the outline of one part of a piece map, made to mirror itself."""
    guesses = axis_guesses(np.where(blob > 0, 1.0, -1.0).astype(np.float32))
    if not guesses:
        return None
    ends, half = guesses[0]
    K = shrunk(intrinsics, scene.scale)
    for _ in range(4):
        band = band_for(ends, K, 0.06, 1.8 * float(half) + 8.0, 1.0)
        rows, left, right = _extents(warp(blob, band))
        if len(rows) < 20:
            return None
        middle = 0.5 * (left + right) - band.half
        fit = _line_through_most(rows, middle)
        ends_row = np.array([rows[0], rows[-1]])
        ends = band_to_pixels(band, band.half + np.polyval(fit, ends_row), ends_row)
    width = np.zeros(band.rows)
    width[rows.astype(int)] = 0.5 * (right - left + 1.0)
    off = np.abs(middle - np.polyval(fit, rows))
    share = float(np.mean(off < 1.5 + 0.06 * (right - left)))
    return Silhouette(band, longest_run(width), share, share)


def _extents(blob: Float32Array) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return rows (k,) of a band that hold some of the blob, its first and last column there."""
    inside = blob > 0.5
    rows = np.flatnonzero(inside.any(axis=1))
    left = inside[rows].argmax(axis=1)
    right = inside.shape[1] - 1 - inside[rows, ::-1].argmax(axis=1)
    return rows.astype(np.float64), left.astype(np.float64), right.astype(np.float64)


def _line_through_most(x: FloatArray, y: FloatArray) -> FloatArray:
    """Return the coefficients (slope, level) of a line by iteratively reweighted least squares."""
    slope, level = 0.0, float(np.median(y))
    for _ in range(8):
        weight = 1.0 / (1.0 + ((y - slope * x - level) / 1.5) ** 2)
        weight /= weight.sum()
        middle_x, middle_y = float(weight @ x), float(weight @ y)
        across = weight * (x - middle_x)
        slope = float(across @ (y - middle_y)) / float(across @ (x - middle_x))
        level = middle_y - slope * middle_x
    return np.array([slope, level])
