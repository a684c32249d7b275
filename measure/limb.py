"""Which places of a circle about an axis can bound the picture of the piece."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.vectors import cross, sum_of_planes

__all__ = ["limb", "limbs"]

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
    place, normal = limbs(centre[None], radius, frame, count)
    kept = normal[0] @ frame[2] > least
    return place[0, kept], normal[0, kept]


def limbs(
    centres: FloatArray, radius: float, frame: FloatArray, count: int
) -> tuple[FloatArray, FloatArray]:
    """Return all places (n, count, 3) of circles (n, 3), and the outward unit normals there.

    As in `limb`.
    """
    angle = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)[:, None]
    c, s = np.cos(angle), np.sin(angle)
    radial, tangent = c * frame[0] + s * frame[1], c * frame[1] - s * frame[0]
    place = centres[:, None, :] + radius * radial
    normal = cross(place, tangent)
    size = np.sqrt(sum_of_planes(normal * normal))
    size *= np.where(sum_of_planes(normal * radial) < 0.0, -1.0, 1.0)
    return place, normal / np.where(size == 0.0, 1.0, size)[..., None]
