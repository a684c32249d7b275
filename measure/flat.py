"""Flat blades: a spade's rim lies at the corners of its section, not round an axis.

Frame: the target frame, mm. The section of a blade is a rectangle of half-width x and
thickness t, its middle on the axis of the shank. In the direction of the unit normal n of the
plane through the camera that touches it, it reaches x |n.s| + t/2 |n.b|, with s along the width
and b square to the blade. That is exact, and gives x from the reach that `reach` finds.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from measure.reach import SideReach, frame_of
from measure.revolve import Axis

__all__ = ["THICKNESS_MM", "THICKNESS_SD_MM", "blade_half_width", "swept_radius"]

FloatArray = NDArray[np.float64]

THICKNESS_MM = 2.0
THICKNESS_SD_MM = 0.7
"""A spade's blade where nobody has measured it (common practice, no source)."""


def blade_half_width(
    camera_mm: FloatArray,
    side: SideReach,
    axis: Axis,
    sign: float,
    blade_normal: FloatArray,
    thickness_mm: float,
) -> tuple[FloatArray, FloatArray]:
    """Return (z, half-width) of the rim of a flat blade seen on one side, (n,) each, mm.

    Parameters
    ----------
    camera_mm : (3,) camera centre.
    side : reaches over `axis`.
    axis : of the shank; lies in the middle plane of the blade.
    sign : +1 for the side of `frame_of`'s `across`, -1 for the other.
    blade_normal : (3,) square to the blade; what of it lies along the axis is ignored.
    thickness_mm : of the blade.

    Raises
    ------
    ValueError
        If the blade is seen on edge, so that its width is not in the picture.
    """
    d = axis.direction
    across, toward = frame_of(camera_mm, axis)
    b = blade_normal - (blade_normal @ d) * d
    b = b / np.linalg.norm(b)
    s = np.cross(b, d)
    cos, sin = np.cos(side.lean_rad)[:, None], np.sin(side.lean_rad)[:, None]
    normal = sign * cos * across + sin * toward
    along_width, through = normal @ s, normal @ b
    if np.any(np.abs(along_width) < 0.5):
        raise ValueError("the blade is seen on edge; its width is not in the picture")
    half = (side.reach_mm - 0.5 * thickness_mm * np.abs(through)) / np.abs(along_width)
    # The corner that is seen lies beside the foot of the touching plane; mind its z.
    tangent = np.cross(d, normal)
    corner = (np.sign(along_width) * half)[:, None] * s
    corner += (np.sign(through) * 0.5 * thickness_mm)[:, None] * b
    beside = np.sum(corner * tangent, axis=-1)
    foot = axis.point_mm + side.z_mm[:, None] * d + side.reach_mm[:, None] * normal
    ray = foot - camera_mm
    z = side.z_mm + beside * (ray @ d) / np.sum(ray * tangent, axis=-1)
    return z, half


def swept_radius(reach_mm: float, thickness_mm: float) -> float:
    """Return how far the corner of a square-edged blade reaches from the axis, mm."""
    return math.hypot(reach_mm, 0.5 * thickness_mm)
