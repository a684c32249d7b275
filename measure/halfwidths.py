"""The half width in each row of a band that has the most evidence without leaping about."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["JUMP", "best_path", "longest_run", "totals_of", "without_whiskers"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

JUMP = 0.05
"""Cost of a change of half width by one sample of the finest band."""
MOST_JUMP = 2.0


def best_path(evidence: Float32Array, jump: float) -> NDArray[np.int64]:
    """Return the half width per row, 0 for no piece, of the best outline of one band."""
    rows, width = evidence.shape
    totals = np.empty((rows, width), dtype=np.float32)
    totals[0] = evidence[0]
    for row in range(1, rows):
        totals[row] = _best_before(totals[row - 1][None], jump)[0] + evidence[row]
    path = np.zeros(rows, dtype=np.int64)
    path[-1] = int(totals[-1].argmax())
    index = np.arange(width)
    for row in range(rows - 1, 0, -1):
        cost = np.minimum(jump * np.abs(index - path[row]), MOST_JUMP)
        path[row - 1] = int((totals[row - 1] - cost).argmax())
    return path


def totals_of(evidence: Float32Array, jump: float) -> Float32Array:
    """Return the best total evidence of each of h bands, (h,), of evidence (rows, h, width)."""
    total = evidence[0]
    for row in evidence[1:]:
        total = _best_before(total, jump) + row
    return np.asarray(total.max(axis=1))


def _best_before(total: Float32Array, jump: float) -> Float32Array:
    """Return, for each half width of the next row, the best total that leads to it, (h, width)."""
    index = jump * np.arange(total.shape[1], dtype=np.float32)
    up = np.maximum.accumulate(total + index, axis=1) - index
    down = np.maximum.accumulate((total - index)[:, ::-1], axis=1)[:, ::-1] + index
    far = total.max(axis=1, keepdims=True) - MOST_JUMP
    return np.asarray(np.maximum(np.maximum(up, down), far))


def longest_run(half: FloatArray) -> FloatArray:
    """Return the half widths (rows,) with all but the run of most area cleared."""
    filled = half > 0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], filled.astype(int), [0]])))
    runs = edges.reshape(-1, 2)
    if len(runs) == 0:
        return half
    start, stop = runs[int(np.argmax([half[a:b].sum() for a, b in runs]))]
    kept = np.zeros_like(half)
    kept[start:stop] = half[start:stop]
    return kept


def without_whiskers(half: FloatArray, piece: Float32Array, middle: int) -> FloatArray:
    """Return the half widths with rows cleared at both ends that hold mostly bench."""
    columns = np.abs(np.arange(piece.shape[1]) - middle)
    inside = columns[None, :] <= half[:, None]
    share = np.sum((piece > 0) & inside, axis=1) / np.maximum(inside.sum(axis=1), 1)
    held = np.flatnonzero((half > 0) & (share >= 0.5))
    kept = np.zeros_like(half)
    if len(held):
        kept[held[0] : held[-1] + 1] = half[held[0] : held[-1] + 1]
    return kept
