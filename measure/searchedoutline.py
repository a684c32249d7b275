"""The searched outline: about the axis, and of the half widths, that most evidence mirrors."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.axissearch import axis_guesses, distinct, search_axis
from measure.band import band_for, band_to_pixels, warp
from measure.evidence import evidence_of, tracing_evidence
from measure.halfwidths import JUMP, best_path, longest_run, totals_of, without_whiskers
from measure.scene import PIECE, Scene
from measure.silhouette import Silhouette, shrunk

__all__ = ["searched_silhouettes"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]


def searched_silhouettes(scene: Scene, intrinsics: FloatArray) -> Iterator[Silhouette]:
    """Yield the mirrored outline with the most evidence for each rival piece map.

    For what mirrors itself only in parts: shadows and clutter.

    Parameters
    ----------
    scene : the reduced photo.
    intrinsics : (3, 3) of the full photo.
    """
    for piece in scene.maps:
        features = scene.features.copy()
        features[..., PIECE] = piece
        hints = scene.hints if piece is scene.maps[0] else ()
        found = _searched(replace(scene, features=features, hints=hints), intrinsics)
        if found is not None:
            yield found


def _searched(scene: Scene, intrinsics: FloatArray) -> Silhouette | None:
    """Return the outline of one piece map: searched at half size, settled at full size."""
    coarse = _halved(scene)
    best = _best_of_guesses(coarse, shrunk(intrinsics, coarse.scale))
    if best is None:
        return None
    K = shrunk(intrinsics, scene.scale)
    reach = (float(best.half.max()) * 1.15 + 6.0) * 2.0
    rows = np.flatnonzero(best.half > 0)[[0, -1]].astype(np.float64)
    line = band_to_pixels(best.band, np.full(2, float(best.band.half)), rows)
    line = _settled(scene, K, scene.from_photo(coarse.to_photo(line)), reach)
    return _trace_band(scene, K, line, reach, 0.06, JUMP)


def _best_of_guesses(coarse: Scene, K: FloatArray) -> Silhouette | None:
    best: Silhouette | None = None
    for piece in (coarse.features[..., PIECE], *coarse.hints):
        for ends, half in axis_guesses(piece):
            lines = search_axis(coarse, K, ends, float(half))
            for line in distinct(lines, 0.05 * float(half) + 1.5):
                found = _trace_band(coarse, K, line, 1.4 * float(half), 0.2, 2.0 * JUMP)
                if found is not None and (best is None or found.score > best.score):
                    best = found
    return best


def _halved(scene: Scene) -> Scene:
    h, w = scene.features.shape[:2]
    size = (w // 2, h // 2)

    def half(picture: Float32Array) -> Float32Array:
        small = cv2.resize(
            picture[: 2 * size[1], : 2 * size[0]], size, interpolation=cv2.INTER_AREA
        )
        return np.asarray(small, dtype=np.float32)

    hints = tuple(half(hint) for hint in scene.hints)
    return replace(
        scene, features=half(scene.features), scale=0.5 * scene.scale, maps=(), hints=hints
    )


def _settled(scene: Scene, K: FloatArray, line: FloatArray, reach: float) -> FloatArray:
    """Return the axis line (2, 2) near a rough one about which most evidence is mirrored."""
    for step, sample in ((4.0, 3.0), (1.5, 2.0)):
        d = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
        normal = np.array([-d[1], d[0]])
        shifts = step * np.arange(-2, 3)
        tries = [line + np.array([[a], [b]]) * normal for a in shifts for b in shifts]
        bands = [band_for(each, K, 0.06, reach, sample) for each in tries]
        count = min(band.rows for band in bands)
        half = bands[0].half
        evidence = [tracing_evidence(warp(scene.features, band)[:count], half) for band in bands]
        line = tries[int(totals_of(np.stack(evidence, axis=1), JUMP * sample).argmax())]
    return line


def _trace_band(
    scene: Scene, K: FloatArray, ends: FloatArray, reach: float, beyond: float, jump: float
) -> Silhouette | None:
    """Return the best mirrored outline about an axis line (2, 2); None where there is none."""
    band = band_for(ends, K, beyond, reach, 1.0)
    sampled = warp(scene.features, band)
    evidence, mirrored = evidence_of(sampled, band.half)
    half = best_path(evidence, jump).astype(np.float64)
    half = longest_run(without_whiskers(half, sampled[..., PIECE], band.half))
    rows = np.nonzero(half > 0)[0]
    if len(rows) < 20:
        return None
    picked = half[rows].astype(int)
    along = mirrored[rows, picked]
    gain = evidence[rows, picked] - evidence[rows, 0]
    score = float(np.sum(gain)) / max(scene.features.shape[:2])
    return Silhouette(band, half, score, float(np.mean(along > 0.3)))
