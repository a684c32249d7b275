"""Which places of a circle about an axis can bound the picture of the piece."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["limb"]

FloatArray = NDArray[np.float64]


def limb(
    centre: FloatArray, radius: float, frame: FloatArray, count: int, least: float
) -> tuple[FloatArray, FloatArray]:
    """Return places of a circle (k, 3) and the outward unit normals of the picture there.

    The plane of sight and tangent bounds the picture where its normal points neither into the
    piece nor into the face that the circle is the rim of.

    Parameters
    ----------
    centre : (3,) of the circle, from the camera, mm.
    radius : of the circle, mm.
    frame : (3, 3) two unit vectors across the axis, and that along it out of the face.
    count : places round the circle that are looked at.
    least : cosine of the normal to the last of `frame` above which a place is kept.
    """
    angle = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)[:, None]
    c, s = np.cos(angle), np.sin(angle)
    radial, tangent = c * frame[0] + s * frame[1], c * frame[1] - s * frame[0]
    place = centre + radius * radial
    sight = place / np.linalg.norm(place, axis=1, keepdims=True)
    normal = np.cross(sight, tangent)
    normal *= np.where(np.sum(normal * radial, axis=1) < 0.0, -1.0, 1.0)[:, None]
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    kept = normal @ frame[2] > least
    return place[kept], normal[kept]
