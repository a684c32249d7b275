"""The exact outline of a body of revolution in a picture: its contour generator, projected.

On the circle at z, with unit vectors e1, e2 across the axis d and b the circle's centre, a point
at the angle phi has the normal cos(phi) e1 + sin(phi) e2 - r' d. It is on the outline where that
normal is square to the ray from the camera centre c: A cos(phi) + B sin(phi) = C with
A = (b - c).e1, B = (b - c).e2, C = r' (b - c).d - r. At an arris the normal turns from one
neighbour's to the other's, and the whole fan belongs to the outline.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Outline", "outline_of"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Outline:
    """Points of the outline: one row a point and side, side 0 then side 1 of the same (z, r).

    Attributes
    ----------
    z, r : (n,) along the meridian, mm.
    points : (n, 2, 3) in the world, for the two sides.
    normals : (n, 2, 3) unit surface normals there.
    arris : (n,) True where the point is on a sharp edge.
    """

    z: FloatArray
    r: FloatArray
    points: FloatArray
    normals: FloatArray
    arris: NDArray[np.bool_]


def outline_of(
    zr: FloatArray, piece_to_world: FloatArray, eye: FloatArray, step_mm: float = 0.1, fan: int = 7
) -> Outline:
    """Return the outline's points that exist, whether or not something hides them.

    Parameters
    ----------
    zr : (n, 2) meridian, mm.
    piece_to_world : (4, 4).
    eye : (3,) camera centre in the world, mm.
    step_mm : spacing of the points along the meridian.
    fan : points that the normal's turn at a corner is divided into.
    """
    z, r, lean, arris = _meridian_samples(zr, step_mm, fan)
    e1, e2, d = piece_to_world[:3, :3].T
    base = piece_to_world[:3, 3] + z[:, None] * d - eye
    a, b = base @ e1, base @ e2
    # The normal is (cos(lean), -sin(lean)) along (radius, axis): r' = tan(lean), kept finite.
    c = np.sin(lean) * (base @ d) - np.cos(lean) * r
    size = np.hypot(a, b) * np.cos(lean)
    seen = (np.abs(c) < size) & (r > 0.0)
    z, r, lean, arris = z[seen], r[seen], lean[seen], arris[seen]
    middle = np.arctan2(b[seen], a[seen])
    half = np.arccos(c[seen] / size[seen])
    phi = np.stack([middle - half, middle + half], axis=1)
    across = np.cos(phi)[..., None] * e1 + np.sin(phi)[..., None] * e2
    centre = piece_to_world[:3, 3] + z[:, None] * d
    points = centre[:, None, :] + r[:, None, None] * across
    normals = np.cos(lean)[:, None, None] * across - np.sin(lean)[:, None, None] * d
    return Outline(z, r, points, normals, arris)


def _meridian_samples(
    zr: FloatArray, step_mm: float, fan: int
) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    """Sample (z, r, lean of the normal, on an arris) along segments and round corners."""
    step = np.diff(zr, axis=0)
    used = np.hypot(*step.T) > 1e-9
    start, step = zr[:-1][used], step[used]
    lean = np.arctan2(step[:, 1], step[:, 0])
    parts = []
    # The end rims turn on to the end faces, whose normals point along the axis.
    before = np.concatenate([[np.pi / 2.0], lean])
    after = np.concatenate([lean, [-np.pi / 2.0]])
    corners = np.concatenate([start, (start + step)[-1:]])
    for i in range(len(corners)):
        if abs(after[i] - before[i]) > 1e-6:
            turn = np.linspace(before[i], after[i], fan)
            sharp = abs(after[i] - before[i]) > np.deg2rad(14.0)
            # A hollow corner has no outline of its own: only turns toward the axis show.
            if after[i] < before[i]:
                parts.append(
                    _rows(np.full(fan, corners[i, 0]), np.full(fan, corners[i, 1]), turn, sharp)
                )
        if i < len(step):
            n = max(int(np.hypot(*step[i]) / step_mm), 1)
            t = (np.arange(n) + 0.5) / n
            parts.append(
                _rows(
                    start[i, 0] + t * step[i, 0],
                    start[i, 1] + t * step[i, 1],
                    np.full(n, lean[i]),
                    False,
                )
            )
    rows = np.concatenate(parts, axis=1)
    return rows[0], rows[1], rows[2], rows[3] > 0.5


def _rows(z: FloatArray, r: FloatArray, lean: FloatArray, sharp: bool) -> FloatArray:
    return np.stack([z, r, lean, np.full(len(z), float(sharp))])
