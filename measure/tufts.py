"""Where an outline leaves the rim for a tuft of bench: out along a gap or a grain line, and back.

Both sides may do so at the same place, where planks cross under the piece, and then mirror each
other as a collar would. Just inside its outline a collar has the tone of the piece, a tuft that of
the bench; and it is a spike: its legs stand near to each other for their length.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.edges import sample_lines
from measure.outline import SPACING_PX, Outline
from measure.strangers import ALONG_PX, DARK, FAR_SHARE, NEAR_PX, evened

__all__ = ["spikes", "without_tufts"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
BoolArray = NDArray[np.bool_]

UNLIKE_OWN, LIKE_BENCH = 0.3, 0.5
"""Inside a tuft the light is off what it is inside its wider neighbourhood by so much (natural
logarithm, over the three colours), and by no more than this share of that off the bench's."""
INSIDE_EVENED = 2
"""Neighbours averaged inside: fewer than of the bench, a leg of a tuft is narrow."""
OWN_REACH, OWN_EVERY = 60, 4
"""Neighbours on each side of which the median counts as the piece's own."""
LEGS_APART, RUN_APART = 40, 3
"""Points between the legs of one tuft, whose tip may lie in a gap, and within a leg."""
SPIKE, SHORTEST = 0.6, 6
"""From end to end a spike is nearer than this share of the way round it, of so many points. Of
118000 points on true rims 0.05 % lie on one with bench inside (rendered photos)."""


def without_tufts(bgr: NDArray[np.uint8], to_linear: Float32Array, outline: Outline) -> Outline:
    """Return the outline with its points on tufts not clear.

    Parameters
    ----------
    bgr, to_linear : (H, W, 3) photo and its (256,) table to linear light.
    outline : closed, its points `SPACING_PX` apart.
    """
    points, normals = outline.points_px, outline.normals()
    far_px = max(bgr.shape[:2]) * FAR_SHARE
    far = np.median(sample_lines(bgr, points, normals, far_px, ALONG_PX, to_linear), axis=1)
    near = sample_lines(bgr, points, normals, -NEAR_PX, ALONG_PX, to_linear).mean(axis=1)
    bench = np.log(evened(far) + DARK)
    inside = np.log(evened(near, INSIDE_EVENED) + DARK)
    shifts = range(-OWN_REACH, OWN_REACH + 1, OWN_EVERY)
    own = np.median([np.roll(inside, shift, axis=0) for shift in shifts], axis=0)
    off_own = np.linalg.norm(inside - own, axis=1)
    off_bench = np.linalg.norm(inside - bench, axis=1)
    like_bench = (off_own > UNLIKE_OWN) & (off_bench < LIKE_BENCH * off_own)
    return replace(outline, clear=outline.clear & ~spikes(points, like_bench))


def spikes(points_px: FloatArray, marked: BoolArray) -> BoolArray:
    """Return which points (n,) lie on spikes that begin and end at marked points.

    Parameters
    ----------
    points_px : (n, 2) points of an outline, `SPACING_PX` apart, from the middle of its first end:
        a tenon there is a spike too, and none across it is looked for.
    marked : (n,).
    """
    on_spike = np.zeros(len(marked), dtype=bool)
    for first, last in _runs(marked, LEGS_APART):
        if _is_spike(points_px, first, last):
            on_spike[first : last + 1] = True
            continue
        for a, b in _runs(marked[first : last + 1], RUN_APART):
            if _is_spike(points_px, first + a, first + b):
                on_spike[first + a : first + b + 1] = True
    return on_spike


def _is_spike(points_px: FloatArray, first: int, last: int) -> bool:
    steps = last - first
    across = float(np.linalg.norm(points_px[last] - points_px[first]))
    return steps >= SHORTEST and across < SPIKE * steps * SPACING_PX


def _runs(marked: BoolArray, apart: int) -> Iterator[tuple[int, int]]:
    """Yield first and last of the runs of marked places that lie no farther apart than so many."""
    at = np.flatnonzero(marked)
    if len(at) == 0:
        return
    cuts = np.flatnonzero(np.diff(at) > apart)
    firsts, lasts = at[np.append(0, cuts + 1)], at[np.append(cuts, len(at) - 1)]
    for first, last in zip(firsts, lasts, strict=True):
        yield int(first), int(last)
