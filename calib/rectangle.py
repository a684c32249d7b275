"""A rectangle of known shape under perspective: what four lines say of it, and what three imply.

With the focal length and the optical centre known, the sides of a quadrilateral in the photo tell
the ratio of the rectangle's sides and whether its corners are square; three of its sides and the
ratio tell the fourth [HartleyZisserman2004].
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.vectors import cross

__all__ = ["completed", "corners_of", "is_convex", "ratio_and_skew"]

FloatArray = NDArray[np.float64]


def _lines(quad: FloatArray, centre_px: FloatArray, focal_px: float) -> FloatArray:
    """Return the planes, (4, 3), through the camera and each side; side i starts at corner i."""
    rays = np.column_stack([(quad - centre_px) / focal_px, np.ones(4)])
    return np.asarray(cross(rays, np.roll(rays, -1, axis=0)))


def ratio_and_skew(quad: FloatArray, centre_px: FloatArray, focal_px: float) -> tuple[float, float]:
    """Return side 0 over side 1 of the rectangle seen as a quad, and the cosine of their angle.

    Parameters
    ----------
    quad : (4, 2) corners in order, pixels.
    centre_px, focal_px : optical centre and focal length.

    Returns
    -------
    (NaN, NaN) for a quad that no rectangle in front of the camera can give.
    """
    rays = np.column_stack([(quad - centre_px) / focal_px, np.ones(4)])
    # Depths of the corners, up to one factor: opposite corners share the middle.
    matrix = np.column_stack([rays[1], -rays[2], rays[3]])
    if abs(np.linalg.det(matrix)) < 1e-12:
        return float("nan"), float("nan")
    depth = np.linalg.solve(matrix, rays[0])
    if np.any(depth <= 0):
        return float("nan"), float("nan")
    p = [rays[0], depth[0] * rays[1], depth[1] * rays[2], depth[2] * rays[3]]
    first, second = p[1] - p[0], p[2] - p[1]
    a, b = float(np.linalg.norm(first)), float(np.linalg.norm(second))
    return a / b, float(first @ second) / (a * b)


def completed(
    quad: FloatArray, missing: int, ratio: float, centre_px: FloatArray, focal_px: float
) -> FloatArray | None:
    """Return the quad with one side moved to where the other three imply it.

    Parameters
    ----------
    quad : (4, 2) corners in order; side i runs from corner i to the next.
    missing : the side that is not trusted.
    ratio : length of the missing side over that of its neighbours.
    centre_px, focal_px : optical centre and focal length.
    """
    turned = np.roll(quad, -missing, axis=0)  # the missing side is 0 to 1; trusted is 2 to 3
    lines = _lines(turned, centre_px, focal_px)
    along = cross(lines[1], lines[3])  # direction of the two neighbours
    across = cross(lines[2], along)  # in the plane of the trusted side, square to them
    if min(np.linalg.norm(along), np.linalg.norm(across)) < 1e-9:
        return None
    along /= np.linalg.norm(along)
    across /= np.linalg.norm(across)
    rays = np.column_stack([(turned - centre_px) / focal_px, np.ones(4)])
    # Corner 2 at depth 1, corner 3 on its ray, `width` away along `across`.
    solved, *_ = np.linalg.lstsq(np.column_stack([rays[3], -across]), rays[2], rcond=None)
    depth, width = float(solved[0]), float(solved[1])
    if depth <= 0.0:
        return None
    third, fourth = rays[2], depth * rays[3]
    outward = along[:2] - along[2] * third[:2]  # how the third corner moves in the picture
    sense = np.sign(outward @ (turned[1] - turned[2]))
    step = sense * abs(width) / ratio * along
    moved = np.stack([fourth + step, third + step])
    if moved[:, 2].min() <= 0.0:
        return None
    pixels = moved[:, :2] / moved[:, 2:] * focal_px + centre_px
    return np.asarray(np.roll(np.concatenate([pixels, turned[2:]]), missing, axis=0))


def corners_of(starts: FloatArray, ends: FloatArray) -> FloatArray | None:
    """Return where each of four lines, given by two points, meets the one before it, (4, 2)."""
    lines = cross(np.column_stack([starts, np.ones(4)]), np.column_stack([ends, np.ones(4)]))
    lines /= np.hypot(lines[:, 0], lines[:, 1])[:, None]
    meet = cross(np.roll(lines, 1, axis=0), lines)
    if np.any(np.abs(meet[:, 2]) < 0.05):
        return None
    return np.asarray(meet[:, :2] / meet[:, 2:])


def is_convex(quad: FloatArray) -> bool:
    """Return whether the corners run clockwise on screen round a convex quad."""
    edges = np.roll(quad, -1, axis=0) - quad
    following = np.roll(edges, -1, axis=0)
    turns = edges[:, 0] * following[:, 1] - edges[:, 1] * following[:, 0]
    return bool(np.all(turns > 0))
