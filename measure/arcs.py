"""Follow rows by few lines and arcs that keep within a tolerance, for drawings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from measure.chain import Chain, signed_distance

__all__ = ["arcs_within", "chains_of"]

FloatArray = NDArray[np.float64]


def chains_of(pieces: list[tuple[FloatArray, FloatArray]], tolerance_mm: float) -> list[Chain]:
    """Return one chain for each piece of (z, r) rows; pieces of one row are left out."""
    return [arcs_within(z, r, tolerance_mm) for z, r in pieces if len(z) > 1]


def arcs_within(z: FloatArray, r: FloatArray, tolerance_mm: float) -> Chain:
    """Return a chain through some of the rows that strays from the polyline at most so far.

    From each node the longest line or arc is taken that ends on a row and passes all rows,
    and the middles of the chords between them, within the tolerance.

    Parameters
    ----------
    z, r : (n,) rows of one piece, z not decreasing, equal z a shoulder, mm.
    """
    nodes, bulges = [0], []
    corners = np.nonzero(np.diff(z) <= 1e-9)[0].tolist()
    i, n = 0, len(z)
    while i < n - 1:
        wall = next((c for c in corners if c >= i), n - 1)
        if wall == i:
            stop, bulge = i + 1, 0.0
        else:
            stop, bulge = _longest(z, r, i, wall, tolerance_mm)
        nodes.append(stop)
        bulges.append(bulge)
        i = stop
    return Chain(z[nodes], r[nodes], np.array(bulges))


def _longest(z: FloatArray, r: FloatArray, i: int, wall: int, tol: float) -> tuple[int, float]:
    good, bulge = i + 1, 0.0
    step, bad = 2, wall + 1
    while good + step <= wall and step <= wall:
        fit = _bulge_within(z[i : good + step + 1], r[i : good + step + 1], tol)
        if fit is None:
            bad = good + step
            break
        good, bulge = good + step, fit
        step *= 2
    bad = min(bad, wall + 1)
    while bad - good > 1:
        middle = (good + bad) // 2
        fit = _bulge_within(z[i : middle + 1], r[i : middle + 1], tol)
        if fit is None:
            bad = middle
        else:
            good, bulge = middle, fit
    return good, bulge


def _bulge_within(z: FloatArray, r: FloatArray, tol: float) -> float | None:
    """Return the bulge of the arc from first to last row that keeps the tolerance, or None."""
    zs = np.concatenate([z[1:-1], 0.5 * (z[1:] + z[:-1])])
    rs = np.concatenate([r[1:-1], 0.5 * (r[1:] + r[:-1])])
    n = len(zs)
    ends = [(np.full(n, z[k]), np.full(n, r[k])) for k in (0, -1)]
    best: float | None = None
    bulge = 0.0
    for _ in range(5):
        off = signed_distance(zs, rs, ends[0], ends[1], np.full(n, bulge))
        if float(np.max(np.abs(off))) <= tol:
            best = bulge
            if bulge == 0.0:
                return 0.0
        more = signed_distance(zs, rs, ends[0], ends[1], np.full(n, bulge + 1e-6))
        slope = (more - off) / 1e-6
        # Least squares first; the change is small enough for the largest to follow.
        change = -float(slope @ off) / (float(slope @ slope) + 1e-12)
        if abs(change) < 1e-9:
            break
        bulge = float(np.clip(bulge + change, -0.95, 0.95))
    return best
