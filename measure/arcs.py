"""Follow rows by few lines and arcs that keep within a tolerance, for drawings."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from measure.chain import Chain

__all__ = ["arcs_within", "chains_of"]

FloatArray = NDArray[np.float64]

MOST_TURNS = 5
SURELY = 1.5
"""The mean square beyond the tolerance at which a search ends, once it hardly changes."""


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
    along, up = float(z[-1] - z[0]), float(r[-1] - r[0])
    half = 0.5 * math.hypot(along, up)
    # The chord lies on the axis of u; both ends at u = +-half, as in `signed_distance`.
    dz, dr = zs - 0.5 * (z[0] + z[-1]), rs - 0.5 * (r[0] + r[-1])
    v = (dr * along - dz * up) * (0.5 / half)
    inside = dz * dz + dr * dr - half * half
    bulge = 0.0
    for turn in range(MOST_TURNS):
        off = _distance(inside, v, half, bulge)
        if float(np.max(np.abs(off))) <= tol:
            return bulge
        slope = (_distance(inside, v, half, bulge + 1e-6) - off) * 1e6
        # Least squares first; the change is small enough for the largest to follow.
        change = -float(slope @ off) / (float(slope @ slope) + 1e-12)
        if abs(change) < 1e-9:
            break
        # No arc keeps all within what the best keeps none within on average.
        if turn and float(off @ off) > SURELY * len(off) * tol**2 and abs(change) < 1e-3:
            break
        bulge = min(max(bulge + change, -0.95), 0.95)
    return None


def _distance(inside: FloatArray, v: FloatArray, half: float, bulge: float) -> FloatArray:
    """Return signed distances from the circle, of points in the frame of its chord, mm."""
    height = bulge * half
    value = (2.0 * height) * inside - (2.0 * (height**2 - half**2)) * v
    gradient = 2.0 * (height**2 + half**2)
    root = np.sqrt(np.maximum(gradient**2 + (8.0 * height) * value, 0.0))
    return np.asarray(2.0 * value / (gradient + root))
