"""Small holes in one side of a piece, closed by what the other side shows there.

Grain, a fleck of shadow or a knot throws a few points of one rim off. The piece is round: where
the other rim runs on past the hole, that one tells the radius, and the rows beside the hole by how
much the two differ there.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from measure.profile import GRID_MM

__all__ = ["closed_by_the_other", "pinholes"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

PINHOLE_MM = 2.0
"""A longer hole in one side is a stretch of its own: a flat, a shadow, a rim that hides it."""
BESIDE_ROWS = 3
"""Over so many rows beside a hole both sides must be seen, and say how they differ."""
AGREE_MM = 0.25
"""Sides that differ by more beside a hole do not stand for each other."""
CALM_MM = 0.15
"""How far the side that is seen may run off a straight line there: by a shoulder or a rim that
hides what lies behind it, a hole is no fleck (0.15 and 0.25 mm from rendered photos)."""


def pinholes(r_mm: FloatArray) -> BoolArray:
    """Return which rows of each side, (2, n), lie in a hole that the other side may close.

    Parameters
    ----------
    r_mm : (2, n) radii of both sides in rows `GRID_MM` apart, NaN where not seen.
    """
    seen = np.isfinite(r_mm)
    found = np.zeros_like(seen)
    for side in range(2):
        edges = np.flatnonzero(np.diff(np.concatenate([[1], seen[side].astype(int), [1]])))
        for start, stop in edges.reshape(-1, 2):
            around = slice(start - BESIDE_ROWS, stop + BESIDE_ROWS)
            inside = start >= BESIDE_ROWS and stop + BESIDE_ROWS <= seen.shape[1]
            if not inside or (stop - start) * GRID_MM > PINHOLE_MM:
                continue
            beside = np.r_[start - BESIDE_ROWS : start, stop : stop + BESIDE_ROWS]
            if not seen[1 - side, around].all() or not seen[side, beside].all():
                continue
            apart = np.abs(r_mm[0, beside] - r_mm[1, beside])
            calm = _off_line(r_mm[1 - side, around]) < CALM_MM
            found[side, start:stop] = calm and bool(np.all(apart < AGREE_MM))
    return found


def _off_line(r_mm: FloatArray) -> float:
    """Return how far the radii (n,) of rows in a row are off their straight line at most, mm."""
    rows = np.arange(len(r_mm))
    return float(np.abs(r_mm - np.polyval(np.polyfit(rows, r_mm, 1), rows)).max())


def closed_by_the_other(
    r_mm: FloatArray, noise_mm: FloatArray, holes: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Return radii and their noise, (2, n) each, with holes closed.

    The difference of the sides goes straight on across a hole. The noise of a diameter there is
    twice that of the one radius that was seen, and what the difference strays.

    Parameters
    ----------
    r_mm, noise_mm : (2, n) of both sides, NaN where not seen.
    holes : (2, n) as `pinholes` finds them.
    """
    r, noise = r_mm.copy(), noise_mm.copy()
    rows = np.arange(r.shape[1])
    gap = r_mm[0] - r_mm[1]
    known = np.isfinite(gap)
    if not known.any():
        return r, noise
    for side, sign in ((0, 1.0), (1, -1.0)):
        hole = holes[side]
        across = np.interp(rows[hole], rows[known], gap[known])
        strays = np.abs(across - np.interp(rows[hole], rows[known], _evened(gap[known])))
        r[side, hole] = r_mm[1 - side, hole] + sign * across
        noise[side, hole] = np.sqrt(3.0 * noise_mm[1 - side, hole] ** 2 + strays**2)
    return r, noise


def _evened(gap: FloatArray) -> FloatArray:
    """Return the running mean (n,) over the rows beside, by which a single one is judged."""
    reach = BESIDE_ROWS
    padded = np.concatenate([np.full(reach, gap[0]), gap, np.full(reach, gap[-1])])
    return np.convolve(padded, np.full(2 * reach + 1, 1.0 / (2 * reach + 1)), mode="valid")
