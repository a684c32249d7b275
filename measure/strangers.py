"""Whether what lies just outside an outline is bench, and what lies inside no highlight.

The inner edge of a lamination, or of a highlight, mirrors itself as well as a rim does; beyond it
is more of the piece. Shadow and falling light change the bench's lightness, hardly its hue: a
stranger is told by its hue, and where both sides show one, no stain is to blame. Light that the
piece throws on the bench close by tints it, and in its shadow so does what comes from elsewhere in
the room: by a small part of what the piece itself differs by. Beside a piece, which takes light
away, the bench is hardly lighter than farther off: so tinted and lighter, it is none. Strips too
broad to look beyond are told by a larger outline about the first.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.edges import sample_lines
from measure.outline import Outline

__all__ = [
    "ALONG_PX",
    "DARK",
    "FAR_SHARE",
    "NEAR_PX",
    "burnt_share",
    "evened",
    "lies_within",
    "strange_share",
]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

NEAR_PX = np.arange(3.0, 7.0)
"""Just outside the rim, free of its blur."""
FAR_SHARE = np.arange(0.009, 0.025, 0.001)
"""Farther out, as shares of the photo's longer side: bench."""
ALONG_PX = np.array([-2.0, 0.0, 2.0])
EVENED = 9
"""Neighbours on each side that are averaged: grain and weave even out."""
STRANGE_HUE, OF_BENCH = 0.06, 2.0
"""A difference of hue, natural logarithm of a ratio, that noise does not make (measured on rendered
photos), nor a many-coloured bench: so many times what it usually differs by from place to place."""
TINT_MOST, LIGHTER_MOST = 0.25, 0.1
"""A tint is no larger a share of the step of hue at the rim, and the bench so tinted no lighter,
natural logarithm: usual shares 0.15 beside true rims in many-coloured light, 0.5 and more beside
laminations but for one, whose strips were 0.4 lighter than the bench (rendered photos)."""
BURNT = 250
"""Of 255: so light in all three colours, the photo is burnt out."""
EVERY, TOUCHES_PX, WITHIN_LEAST, SMALLER = 4, 2.0, 0.9, 0.85
"""An outline lies in another where so much of it does, or runs along it, and where it fills no more
than so much of it (no source)."""
SAME_LEAST = 0.6
"""Outlines that run along each other for so much of their length have their sides in common."""
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
    inside, near = (
        evened(sample_lines(bgr, points, normals, at, ALONG_PX, to_linear).mean(axis=1))
        for at in (-NEAR_PX, NEAR_PX)
    )
    far = evened(np.median(sample_lines(bgr, points, normals, far_px, ALONG_PX, to_linear), axis=1))
    elsewhere = np.roll(far, 2 * EVENED + 1, axis=0)
    of_bench = float(np.median(np.linalg.norm(_hue(far) - _hue(elsewhere), axis=1)))
    off = np.linalg.norm(_hue(near) - _hue(far), axis=1)
    step = np.linalg.norm(_hue(inside) - _hue(far), axis=1)
    lighter = np.mean(np.log(near + DARK) - np.log(far + DARK), axis=1)
    strange = (off > max(STRANGE_HUE, OF_BENCH * of_bench)) & (
        (off > TINT_MOST * step) | (lighter > LIGHTER_MOST)
    )
    half = len(strange) // 2
    return float(np.mean(strange[:half] & strange[half : 2 * half][::-1]))


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


def lies_within(inner: Outline, outer: Outline) -> bool:
    """Return whether an outline lies in another that is plainly larger: a lamination's, or a part.

    Where the strips beside a lamination are broad they are all that its surroundings show.
    """
    hull = outer.points_px.astype(np.float32)
    points = inner.points_px[::EVERY].astype(np.float32)
    inside = [cv2.pointPolygonTest(hull, (float(x), float(y)), True) for x, y in points]
    areas = [cv2.contourArea(each.points_px.astype(np.float32)) for each in (inner, outer)]
    within = float(np.mean(np.array(inside) > -TOUCHES_PX))
    return within >= WITHIN_LEAST and areas[0] < SMALLER * areas[1]


def much_the_same(one: Outline, other: Outline) -> bool:
    """Return whether most of an outline runs along another: the same rim, ended otherwise."""
    hull = other.points_px.astype(np.float32)
    points = one.points_px[::EVERY].astype(np.float32)
    off = [cv2.pointPolygonTest(hull, (float(x), float(y)), True) for x, y in points]
    return float(np.mean(np.abs(off) < TOUCHES_PX)) >= SAME_LEAST


def evened(light: Float32Array, reach: int = EVENED) -> FloatArray:
    """Return the running mean (n, 3) along a closed outline, over so many neighbours each way."""
    padded = np.concatenate([light[-reach:], light, light[:reach]]).astype(np.float64)
    total = np.cumsum(np.concatenate([np.zeros((1, 3)), padded]), axis=0)
    wide = 2 * reach + 1
    return np.asarray((total[wide:] - total[:-wide]) / wide)


def _hue(light: FloatArray) -> FloatArray:
    """Return blue over red and green over both (n, 2), natural logarithms, of linear light."""
    b, g, r = np.log(light + DARK).T
    return np.column_stack([b - r, g - 0.5 * (b + r)])
