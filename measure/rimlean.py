"""How far beside a guessed axis, and how askew, that of a tool lies: its sides mirror each other.

Lengths in mm; a side is (rows, columns): rows along the axis, columns by radius.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.rimevidence import ROW_MM, RimLayout

__all__ = ["lean_of"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

MOST_TURN = 0.1
LOOKED_AT = 24
"""Of the axes ranked by place, so many are weighed with what each row's neighbours show beside
their own place of the axis."""


def lean_of(
    a: Float32Array, b: Float32Array, layout: RimLayout, farthest_mm: float, grain_mm: float
) -> tuple[float, float]:
    """Return shift (mm, at the middle) and turn (rad) of the axis toward the first side.

    For each shift and turn tried, what both sides show at one radius is averaged along the axis
    and the best radius of each place counts.
    """
    every = max(round(grain_mm / layout.column_mm), 1)
    rows = round(1.0 / ROW_MM)
    a, b = (_pooled(side, rows, every) for side in (a, b))
    z = np.arange(len(a)) * rows * ROW_MM
    z = z - z.mean()
    column = every * layout.column_mm
    shifts = np.arange(-round(farthest_mm / column), round(farthest_mm / column) + 1)
    turns = np.arange(-MOST_TURN, MOST_TURN + 1e-9, 2.0 * column / float(np.ptp(z)))
    if farthest_mm < 5.0:
        turns = turns[np.abs(turns) * 0.5 * np.ptp(z) <= farthest_mm]
    line = np.rint(turns[:, None, None] * z / column + shifts[:, None]).astype(int)
    farthest = int(np.abs(line).max())
    a, b = (np.pad(side, ((0, 0), (farthest, farthest))) for side in (a, b))
    likely = _by_place(a, b, farthest)[np.arange(len(z)), line + farthest].sum(axis=2)
    best = (-1.0, 0.0, 0.0)
    for index in np.argsort(-likely, axis=None)[:LOOKED_AT]:
        turn, shift = np.unravel_index(index, likely.shape)
        total = float(_mirrored(a, b, line[turn, shift], farthest).max(axis=1).sum())
        if total > best[0]:
            best = (total, float(shifts[shift] * column), float(turns[turn]))
    return best[1], best[2]


def _by_place(a: Float32Array, b: Float32Array, farthest: int) -> FloatArray:
    """Return what both sides show where the axis is by so many columns aside, (rows, 2 n + 1).

    As if it were as far aside at the neighbours of each row.
    """
    places = range(-farthest, farthest + 1)
    found = [_mirrored(a, b, np.full(len(a), k), farthest).max(axis=1) for k in places]
    return np.stack(found, axis=1).astype(np.float64)


def _mirrored(a: Float32Array, b: Float32Array, line: NDArray[np.int64], pad: int) -> Float32Array:
    """Return what both sides, padded, show about an axis `line` (rows,) columns aside."""
    columns = a.shape[1] - 2 * pad
    if np.all(line == line[0]):
        low = pad + int(line[0])
        mirror = pad - int(line[0])
        both = a[:, low : low + columns] * b[:, mirror : mirror + columns]
    else:
        index = np.arange(columns) + pad
        row = np.arange(len(a))[:, None]
        both = a[row, index + line[:, None]] * b[row, index - line[:, None]]
    return np.asarray(cv2.blur(both, (1, 7)), dtype=np.float32)


def _pooled(side: Float32Array, rows: int, columns: int) -> Float32Array:
    """Return means over `rows` of the largest of `columns`, which a neighbour may share."""
    side = np.asarray(cv2.dilate(side, np.ones((1, columns + 2), np.uint8)), dtype=np.float32)
    n, m = len(side) // rows, side.shape[1] // columns
    pooled = side[: n * rows, : m * columns : columns].reshape(n, rows, m).mean(axis=1)
    return np.asarray(pooled, dtype=np.float32)
