"""A surface of revolution and its outline: the forward model and its exact inversion.

Frame: any right-handed one in millimetres in which the camera centre c, the axis (point a, unit
direction d) and the rays are given; here the target frame.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.vectors import cross, sum_of_planes

__all__ = ["Axis", "contact_points", "outline_points"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Axis:
    """An axis line: `point_mm` (3,) where z = 0, and the unit `direction` (3,) of rising z."""

    point_mm: FloatArray
    direction: FloatArray

    def at(self, z_mm: FloatArray | float) -> FloatArray:
        """Return points of the axis, shape (..., 3)."""
        return np.asarray(self.point_mm + np.asarray(z_mm)[..., None] * self.direction)


def contact_points(
    camera_mm: FloatArray, rays: FloatArray, next_rays: FloatArray, axis: Axis
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return (z, r, weight) of the points where the surface touches the rays of an outline.

    The plane through the camera, the ray v and a neighbouring ray of the outline touches the
    surface; its normal n = v x v' meets the axis there. With w = d x n the point is
    c + s v, s = ((a - c) . w) / (v . w).

    Parameters
    ----------
    camera_mm : (3,) camera centre.
    rays, next_rays : (n, 3) directions to points of the outline, and to points a little further
        along the tangent of the outline. Length does not matter.
    axis : of the surface.

    Returns
    -------
    z, r : (n,) along the axis and from it, mm; NaN where the ray is parallel to the plane.
    weight : (n,) |v . w| for unit v and w: 0 where the ray meets the axis line, where the
        inversion says nothing.
    """
    n = cross(rays, next_rays)
    w = cross(axis.direction, n)
    with np.errstate(divide="ignore", invalid="ignore"):
        along = sum_of_planes(rays * w)
        s = ((axis.point_mm - camera_mm) @ w.T) / along
        weight = np.abs(along) / np.sqrt(sum_of_planes(rays * rays) * sum_of_planes(w * w))
    offset = camera_mm + s[:, None] * rays - axis.point_mm
    z = offset @ axis.direction
    across = offset - z[:, None] * axis.direction
    r = np.sqrt(sum_of_planes(across * across))
    return z, r, np.nan_to_num(weight)


def outline_points(
    camera_mm: FloatArray,
    axis: Axis,
    z_mm: FloatArray,
    radius: Callable[[FloatArray], FloatArray],
    slope: Callable[[FloatArray], FloatArray],
) -> tuple[FloatArray, FloatArray]:
    """Return the two contour points of the circle at each z: the forward model.

    On the circle b + r (cos p e1 + sin p e2) the surface is seen edge-on where
    A cos p + B sin p = C with A = (b-c).e1, B = (b-c).e2, C = -(r - r' (b-c).d).

    Parameters
    ----------
    camera_mm : (3,) camera centre.
    axis : of the surface.
    z_mm : (n,).
    radius, slope : r(z) and dr/dz, mm and dimensionless.

    Returns
    -------
    Two arrays (n, 3), one for each side; NaN where the circle has no contour point.
    """
    d = axis.direction
    helper = np.eye(3)[int(np.argmin(np.abs(d)))]
    e1 = cross(d, helper)
    e1 /= np.linalg.norm(e1)
    e2 = cross(d, e1)
    base = axis.at(z_mm)
    r, dr = radius(z_mm), slope(z_mm)
    A = (base - camera_mm) @ e1
    B = (base - camera_mm) @ e2
    C = -(r - dr * ((base - camera_mm) @ d))
    with np.errstate(invalid="ignore"):
        half = np.arccos(C / np.hypot(A, B))
    middle = np.arctan2(B, A)
    sides = []
    for sign in (1.0, -1.0):
        p = middle + sign * half
        ring = np.cos(p)[:, None] * e1 + np.sin(p)[:, None] * e2
        sides.append(base + r[:, None] * ring)
    return sides[0], sides[1]
