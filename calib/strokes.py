"""Straight strokes in a photo at low resolution, and the three-sided frames that they make.

Where a shadow falls across a card, or grain hides part of its outline, no closed contour is left;
its sides still run straight for a while.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["frames", "parted", "standing_out", "straight_strokes"]

FloatArray = NDArray[np.float64]

SHORTEST_PX = 22.0
STROKES_MOST, JOINED_MOST = 120, 600
"""So many of the longest strokes, and of the others so many that part most; and of how many."""
ACROSS_PX = 3.0
"""How far off a stroke what lies beside it is compared."""
PARALLEL = 0.999
"""Cosine between strokes that may be pieces of one, 2.5 degrees."""
BESIDE_PX = 2.0
NEAR_PX, NEAR_SHARE = 14.0, 0.25
"""How far from where two sides meet their strokes may end: the corner is round, or hidden."""
SQUARE = 0.8
"""Largest cosine between neighbouring sides in the picture."""
FRAMES_MOST = 300
STRONGER, AROUND_PX = 4.0, 12.0
"""How many times stronger faint edges are made, and over what reach they are compared."""


def straight_strokes(lab: NDArray[np.uint8]) -> FloatArray:
    """Return strokes as their two ends, (n, 2, 2): the longest, and those that part most.

    Parameters
    ----------
    lab : (h, w, 3) picture; every channel is searched, colours with twice their contrast.

    References
    ----------
    [GromponeVonGioi2012], as in OpenCV.
    """
    detector = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD, 1.0)
    found = []
    for channel in range(3):
        values = lab[..., channel]
        if channel > 0:
            values = np.clip(2.0 * values.astype(np.float32) - 128.0, 0.0, 255.0)
        lines = detector.detect(np.ascontiguousarray(values, dtype=np.uint8))[0]
        if lines is not None:
            found.append(np.asarray(lines, dtype=np.float64).reshape(-1, 2, 2))
    if not found:
        return np.zeros((0, 2, 2))
    strokes = _joined(np.concatenate(found))
    if len(strokes) <= STROKES_MOST:
        return strokes
    # On boards the grain's strokes are longer than a card's sides, but both their sides are wood.
    strongest = np.argsort(-parted(lab, strokes[STROKES_MOST:]), kind="stable")[:STROKES_MOST]
    return np.concatenate([strokes[:STROKES_MOST], strokes[STROKES_MOST:][strongest]])


def parted(lab: NDArray[np.uint8], strokes: FloatArray) -> FloatArray:
    """Return how much the picture differs from one side of strokes (n, 2, 2) to the other, (n,)."""
    share = np.linspace(0.1, 0.9, 15)[:, None]
    along = strokes[:, 1] - strokes[:, 0]
    normal = np.column_stack([along[:, 1], -along[:, 0]])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    at = strokes[:, :1] + share * along[:, None]
    h, w = lab.shape[:2]
    tones = []
    for side in (-ACROSS_PX, ACROSS_PX):
        x, y = np.moveaxis(np.rint(at + side * normal[:, None]).astype(np.int64), -1, 0)
        beside = lab[np.clip(y, 0, h - 1), np.clip(x, 0, w - 1)]
        tones.append(beside.astype(np.float64).mean(axis=1))
    return np.asarray(np.linalg.norm(tones[1] - tones[0], axis=1))


def standing_out(lab: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return a picture (h, w, 3) in which faint edges stand out from what lies around them.

    A pale card on a pale bench has sides of a few levels; what is far darker elsewhere is cut off.
    """
    values = lab.astype(np.float32)
    around = cv2.GaussianBlur(values, (0, 0), AROUND_PX)
    return np.asarray(np.clip(128.0 + STRONGER * (values - around), 0, 255), dtype=np.uint8)


def _joined(strokes: FloatArray) -> FloatArray:
    """Return strokes with pieces of one line put together and doubles dropped."""
    length = np.linalg.norm(strokes[:, 1] - strokes[:, 0], axis=1)
    strokes = strokes[length > 0.5 * SHORTEST_PX]
    result = []
    while len(strokes):
        length = np.linalg.norm(strokes[:, 1] - strokes[:, 0], axis=1)
        i = int(length.argmax())
        start, along = strokes[i, 0], (strokes[i, 1] - strokes[i, 0]) / length[i]
        normal = np.array([-along[1], along[0]])
        ways = (strokes[:, 1] - strokes[:, 0]) / length[:, None]
        alike = np.abs(ways @ along) > PARALLEL
        alike &= np.all(np.abs((strokes - start) @ normal) < BESIDE_PX, axis=1)
        at = np.sort((strokes - start) @ along, axis=1)
        low, high = 0.0, length[i]
        part = np.zeros(len(strokes), dtype=bool)
        part[i] = True
        for _ in range(4):
            reach = NEAR_PX + NEAR_SHARE * (high - low)
            part |= alike & (at[:, 0] < high + reach) & (at[:, 1] > low - reach)
            low, high = min(low, at[part, 0].min()), max(high, at[part, 1].max())
        if high - low >= SHORTEST_PX:
            result.append(np.stack([start + low * along, start + high * along]))
        strokes = strokes[~part]
        if len(result) == JOINED_MOST:
            break
    return np.array(result).reshape(-1, 2, 2)


def frames(strokes: FloatArray, plain: FloatArray | None = None) -> list[FloatArray]:
    """Return quads (4, 2), clockwise on screen, whose sides 0, 1 and 3 are strokes.

    Side 2, opposite side 0, joins the far ends of the strokes 1 and 3: it is only a guess. Those of
    the longest base come first, or those whose least plain stroke is plainest.

    Parameters
    ----------
    strokes : (n, 2, 2) their ends.
    plain : (n,) how plain each of them is.
    """
    if len(strokes) < 3:
        return []
    base, other, foot, far = _corners(strokes)
    rank = np.linalg.norm(strokes[:, 1] - strokes[:, 0], axis=1) if plain is None else plain
    found: list[tuple[float, FloatArray]] = []
    for i in range(len(strokes)):
        rows = np.flatnonzero(base == i)
        along = strokes[i, 1] - strokes[i, 0]
        place = (foot[rows] - strokes[i, 0]) @ along / (along @ along)
        side = np.sign(along[0] * (far - foot)[rows, 1] - along[1] * (far - foot)[rows, 0])
        for s in (-1.0, 1.0):
            starts = rows[(side == s) & (place < 0.4)]
            ends = rows[(side == s) & (place > 0.6)]
            for a in starts:
                for b in ends:
                    quad = np.stack([foot[a], foot[b], far[b], far[a]])
                    # Clockwise on screen: the far side lies below a base that runs to the right.
                    if s < 0:
                        quad = quad[[1, 0, 3, 2]]
                    first = rank[i] if plain is None else rank[[i, other[a], other[b]]].min()
                    found.append((-float(first), quad))
    found.sort(key=lambda item: item[0])
    return [quad for _, quad in found[:FRAMES_MOST]]


def _corners(
    strokes: FloatArray,
) -> tuple[NDArray[np.int64], NDArray[np.int64], FloatArray, FloatArray]:
    """Return for pairs that make a corner: their numbers, the corner and the second's end."""
    length = np.linalg.norm(strokes[:, 1] - strokes[:, 0], axis=1)
    way = (strokes[:, 1] - strokes[:, 0]) / length[:, None]
    sine = way[:, None, 0] * way[None, :, 1] - way[:, None, 1] * way[None, :, 0]
    square = np.abs(way @ way.T) < SQUARE
    gap = strokes[None, :, 0] - strokes[:, None, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        along = (gap[..., 0] * way[None, :, 1] - gap[..., 1] * way[None, :, 0]) / sine
        beyond = (gap[..., 0] * way[:, None, 1] - gap[..., 1] * way[:, None, 0]) / sine
    near = NEAR_PX + NEAR_SHARE * length
    off_first = np.minimum(np.abs(along), np.abs(along - length[:, None]))
    off_other = np.minimum(np.abs(beyond), np.abs(beyond - length[None, :]))
    meets = square & (off_first < near[:, None]) & (off_other < near[None, :])
    i, j = np.nonzero(meets)
    foot = strokes[i, 0] + along[i, j][:, None] * way[i]
    first_is_far = beyond[i, j] > 0.5 * length[j]
    far = np.where(first_is_far[:, None], strokes[j, 0], strokes[j, 1])
    return i.astype(np.int64), j.astype(np.int64), foot, far
