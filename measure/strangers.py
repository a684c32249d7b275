"""Whether what lies just outside an outline is bench, and what lies inside no highlight.

The inner edge of a lamination, or of a highlight, mirrors itself as well as a rim does; beyond it
is more of the piece. Shadow and falling light change the bench's lightness, hardly its hue: a
stranger is told by hue alone, and where both sides show one, no stain is to blame.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.edges import sample_lines
from measure.outline import Outline

__all__ = ["burnt_share", "strange_share"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

NEAR_PX = np.arange(3.0, 7.0)
"""Just outside the rim, free of its blur."""
FAR_SHARE = np.arange(0.009, 0.025, 0.001)
"""Farther out, as shares of the photo's longer side: bench."""
ALONG_PX = np.array([-2.0, 0.0, 2.0])
EVENED = 9
"""Neighbours on each side that are averaged: grain and weave even out."""
STRANGE_HUE = 0.06
"""A difference of hue, natural logarithm of a ratio, that neither noise nor the light that a piece
throws on the bench makes (measured on rendered photos)."""
BURNT = 250
"""Of 255: so light in all three colours, the photo is burnt out."""
DARK = 0.003
"""Light that is added before ratios are taken: black has no hue."""


def strange_share(bgr: NDArray[np.uint8], to_linear: Float32Array, outline: Outline) -> float:
    """Return the share of an outline outside which both sides show something unlike the bench.

    Parameters
    ----------
    bgr, to_linear : (H, W, 3) photo and its (256,) table to linear light.
    outline : side 0 along the axis, then side 1 back.
    """
    points, normals = outline.points_px, outline.normals()
    far_px = max(bgr.shape[:2]) * FAR_SHARE
    near = sample_lines(bgr, points, normals, NEAR_PX, ALONG_PX, to_linear).mean(axis=1)
    far = np.median(sample_lines(bgr, points, normals, far_px, ALONG_PX, to_linear), axis=1)
    off = np.linalg.norm(_hue(_evened(near)) - _hue(_evened(far)), axis=1)
    half = len(off) // 2
    both = np.minimum(off[:half], off[half : 2 * half][::-1])
    return float(np.mean(both > STRANGE_HUE))


def burnt_share(bgr: NDArray[np.uint8], outline: Outline) -> float:
    """Return the share of the area inside an outline in which the photo is burnt out.

    A highlight on polished steel or varnish may mirror itself; a piece is not so light all over.
    """
    low = np.floor(np.maximum(outline.points_px.min(axis=0), 0.0)).astype(np.int64)
    high = np.ceil(outline.points_px.max(axis=0)).astype(np.int64) + 1
    part = bgr[low[1] : high[1], low[0] : high[0]]
    inside = np.zeros(part.shape[:2], dtype=np.uint8)
    cv2.fillPoly(inside, [np.round(outline.points_px - low).astype(np.int32)], 1)
    blue, green, red = cv2.split(part)
    burnt = cv2.min(cv2.min(blue, green), red) >= BURNT
    return float(np.sum(burnt & (inside > 0)) / max(int(inside.sum()), 1))


def _evened(light: Float32Array) -> FloatArray:
    """Return the running mean (n, 3) along a closed outline."""
    padded = np.concatenate([light[-EVENED:], light, light[:EVENED]]).astype(np.float64)
    total = np.cumsum(np.concatenate([np.zeros((1, 3)), padded]), axis=0)
    wide = 2 * EVENED + 1
    return np.asarray((total[wide:] - total[:-wide]) / wide)


def _hue(light: FloatArray) -> FloatArray:
    """Return blue over red and green over both (n, 2), natural logarithms, of linear light."""
    b, g, r = np.log(light + DARK).T
    return np.column_stack([b - r, g - 0.5 * (b + r)])
