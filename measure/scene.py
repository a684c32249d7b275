"""The photo reduced to what the coarse search needs, and where in it the piece may lie."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.boardsquares import Zone, covered_outside, filled, squares_seen, surely_paper
from measure.piecemaps import core, piece_map, shadow_like

__all__ = ["FREE", "PIECE", "SEEN", "Scene", "cleared_maps", "prepare"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

PIECE, FREE, SEEN = 3, 4, 5
"""Planes of a scene's features after the three of colour."""
FEATURE_SIDE_PX = 756
LIGHT_WEIGHTS = (0.6, 0.12)
"""Weight of lightness in the two piece maps. A shadow differs from the bench in lightness alone,
so the second map leaves it out; grey pieces on grey benches need the first."""
LAB_WEIGHTS = np.array([0.7, 2.0, 2.0], dtype=np.float32)
STRONG_PERCENT, LEAST_STRONG = 97, 4.0
"""A strong edge is the step of colour that so many of a hundred stay below, and this at least."""
LIT_SHARE = (0.15, 0.92)
"""A map without its shadow is worth following where it keeps this share of the whole."""
PAPER_LEAST = 0.85
"""Bare paper is so light at least, as a share of how light the strips usually are."""


@dataclass(frozen=True, slots=True)
class Scene:
    """The photo reduced to what the coarse search needs.

    Attributes
    ----------
    features : (h, w, 6) float32: smoothed colour (3), a step of 1 being a strong edge; piece
        (+1) or not (-1); free of the target (1); seen (1), not outside the box.
    scale : feature pixels per photo pixel.
    maps : (h, w) rival piece maps, the first one being in `features`: all that is unlike the
        bench, and that without what may be the piece's own shadow.
    reduced : (h, w, 3) the photo at that scale.
    hints : more (h, w) piece maps that suggest axis lines, but judge nothing.
    paper : (h, w) where an edge is a printed board's own; None for a card.
    """

    features: Float32Array
    scale: float
    maps: tuple[Float32Array, ...]
    reduced: NDArray[np.uint8]
    hints: tuple[Float32Array, ...] = ()
    paper: NDArray[np.bool_] | None = None

    def to_photo(self, points: FloatArray) -> FloatArray:
        """Return photo pixels of feature pixels."""
        return np.asarray((points + 0.5) / self.scale - 0.5)

    def from_photo(self, points: FloatArray) -> FloatArray:
        """Return feature pixels of photo pixels."""
        return np.asarray((points + 0.5) * self.scale - 0.5)


def prepare(
    bgr: NDArray[np.uint8],
    covers_px: list[FloatArray],
    box_px: tuple[float, float, float, float] | None,
    zone: Zone | None = None,
) -> Scene:
    """Reduce the photo to colour and a rough map of what is piece.

    Parameters
    ----------
    bgr : (H, W, 3).
    covers_px : polygons (m, 2) that are certainly not the piece: the target.
    box_px : (x, y, w, h) that the piece is searched in, or None.
    zone : the window of a printed board, when that is the target.
    """
    height, width = bgr.shape[:2]
    scale = min(1.0, FEATURE_SIDE_PX / max(height, width))
    reduced = cv2.resize(bgr, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    small = np.asarray(reduced, dtype=np.uint8)
    lab = np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2Lab), dtype=np.uint8)
    shape = (lab.shape[0], lab.shape[1])
    cover = filled(covers_px, shape, scale)
    cover = np.asarray(cv2.dilate(cover, np.ones((9, 9), np.uint8)), dtype=np.uint8)
    seen = _inside_box(box_px, shape, scale)
    bench: NDArray[np.bool_] | None = None
    paper: NDArray[np.bool_] | None = None
    if zone is not None:
        squares = squares_seen(zone, lab, scale)
        paper = surely_paper(zone, squares, scale)
        cover = covered_outside(zone, cover, squares, scale)
        bench = _bare(lab, (filled(list(zone.bench_px), shape, scale) > 0) & (cover == 0))
    with ThreadPoolExecutor(len(LIGHT_WEIGHTS)) as pool:
        # Nearly all of it is one cut of OpenCV's, which leaves the other core idle.
        asked = partial(piece_map, lab, cover, seen, bench=bench)
        by_weight = list(pool.map(asked, LIGHT_WEIGHTS))
    union = np.maximum(by_weight[0], by_weight[1])
    free = np.where(cover > 0, 0.0, seen)
    planes = [_colour(lab), union[..., None], free[..., None], seen[..., None]]
    features = np.concatenate(planes, axis=2).astype(np.float32)
    rivals = _rivals(small, union, cover, bench)
    return Scene(features, scale, rivals, small, tuple(by_weight[1:]), paper)


def cleared_maps(scene: Scene) -> tuple[Float32Array, ...]:
    """Return piece maps (h, w) for which what lies about at the picture's border is no bench.

    Where a tool or an offcut of the piece's colour lies there, the piece itself seems to be bench.
    None with a board, whose paper is the bench, and none with a box, which keeps such things out.
    """
    seen = scene.features[..., SEEN]
    if scene.paper is not None or not seen.all():
        return ()
    lab = np.asarray(cv2.cvtColor(scene.reduced, cv2.COLOR_BGR2Lab), dtype=np.uint8)
    cover = (scene.features[..., FREE] == 0.0).astype(np.uint8)
    asked = partial(piece_map, lab, cover, seen, bench=None, common=True)
    union = np.maximum(*(asked(weight) for weight in LIGHT_WEIGHTS))
    if np.array_equal(union, scene.maps[0]):
        return ()
    return _rivals(scene.reduced, union, cover, None)


def _rivals(
    small: NDArray[np.uint8],
    union: Float32Array,
    cover: NDArray[np.uint8],
    bench: NDArray[np.bool_] | None,
) -> tuple[Float32Array, ...]:
    """Return the piece maps (h, w) that differ enough to be worth following, the widest first."""
    lit = np.where(shadow_like(small, union, cover), -1.0, union).astype(np.float32)
    opened = cv2.morphologyEx(lit, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    lit = np.asarray(opened, dtype=np.float32)
    share = float(np.sum(lit > 0)) / max(float(np.sum(union > 0)), 1.0)
    inner = core(small, union, bench if bench is not None else union < 0)
    maps = [union]
    if LIT_SHARE[0] < share < LIT_SHARE[1]:
        maps.append(lit)
    if inner is not None:
        maps.append(inner)
    return tuple(maps)


def _colour(lab: NDArray[np.uint8]) -> Float32Array:
    """Return smoothed colour (h, w, 3) in strong edges of this photo."""
    smooth = cv2.GaussianBlur(lab.astype(np.float32), (0, 0), 1.5) * LAB_WEIGHTS
    step = np.linalg.norm(smooth[::2, 4::4] - smooth[::2, :-4:4], axis=2)
    strong = max(float(np.percentile(step, STRONG_PERCENT)), LEAST_STRONG)
    return np.asarray(smooth / strong)


def _inside_box(
    box_px: tuple[float, float, float, float] | None, shape: tuple[int, int], scale: float
) -> Float32Array:
    """Return 1 inside the box, 0 outside it, (h, w); 1 everywhere without a box."""
    seen = np.ones(shape, dtype=np.float32)
    if box_px is not None:
        x, y, w, h = box_px
        seen[:] = 0.0
        x0, y0 = max(int(x * scale), 0), max(int(y * scale), 0)
        seen[y0 : int((y + h) * scale) + 1, x0 : int((x + w) * scale) + 1] = 1.0
    return seen


def _bare(lab: NDArray[np.uint8], strips: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the lighter part of strips of paper: the piece, or its shadow, may lie on them."""
    if not strips.any():
        return strips
    usual = float(np.percentile(lab[..., 0][strips], 60))
    return np.asarray(strips & (lab[..., 0] > PAPER_LEAST * usual))
