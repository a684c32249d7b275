"""How a lens draws a flat page: projection and its derivatives, one view at a time.

Common unknowns of a set of photos: ln f, cx, cy, k1, k2, k3, ln(page height / width as drawn).
Unknowns of one view: a small turn (3) of the pose, its translation (3), the relative change of
the focal length by autofocus, and the page's bow (3), in mm at half its diagonal.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "BOW",
    "COMMON",
    "FOCUS",
    "PER_VIEW",
    "PageView",
    "Pose",
    "page_basis",
    "page_jacobian",
    "page_pixels",
    "turned",
]

FloatArray = NDArray[np.float64]

COMMON = 7
PER_VIEW = 10
FOCUS = 6
"""Place of the focus change in a view's unknowns."""
BOW = slice(7, 10)
"""Places of the bow in a view's unknowns."""


@dataclass(frozen=True, slots=True)
class PageView:
    """Corners of a flat page in one photo.

    Attributes
    ----------
    points_mm : (n, 2) on the page as drawn, origin near its middle.
    points_px : (n, 2) in the photo.
    sd_px : (n,) standard deviation of each coordinate.
    """

    points_mm: FloatArray
    points_px: FloatArray
    sd_px: FloatArray


class Pose(NamedTuple):
    """Where the page is in the camera frame, and what is peculiar to this view.

    `rotation` (3, 3) and `translation` (3,) mm take page to camera; `focus` is the relative
    change of the focal length; `bow` (3,) mm, coefficients of `page_basis`.
    """

    rotation: FloatArray
    translation: FloatArray
    focus: float
    bow: FloatArray


def page_basis(points_mm: FloatArray) -> FloatArray:
    """Return x^2, xy, y^2 over the squared half-diagonal, shape (n, 3): the page's bow.

    Centred, so that the bow moves the page as a whole as little as may be.
    """
    reach = float(np.sqrt(np.max(np.sum(points_mm**2, axis=1))))
    x, y = (points_mm / reach).T
    basis = np.stack([x * x, x * y, y * y], axis=1)
    return np.asarray(basis - basis.mean(axis=0))


def _camera_points(view: PageView, common: FloatArray, pose: Pose) -> tuple[FloatArray, FloatArray]:
    stretch = np.exp(np.array([-0.5, 0.5]) * common[6])
    height = np.zeros(len(view.points_mm))
    if np.any(pose.bow):
        height = page_basis(view.points_mm) @ pose.bow
    world = np.column_stack([view.points_mm * stretch, height])
    turned_only = world @ pose.rotation.T
    return turned_only, turned_only + pose.translation


def _bend(x: FloatArray, k: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    r2 = np.sum(x**2, axis=1)
    factor = 1.0 + r2 * (k[0] + r2 * (k[1] + r2 * k[2]))
    slope = k[0] + r2 * (2.0 * k[1] + r2 * 3.0 * k[2])
    return r2, factor, slope


def page_pixels(view: PageView, common: FloatArray, pose: Pose) -> FloatArray:
    """Return where the corners come to lie, pixels, shape (n, 2)."""
    _, camera = _camera_points(view, common, pose)
    x = camera[:, :2] / camera[:, 2:]
    _, factor, _ = _bend(x, common[3:6])
    focal = np.exp(common[0]) * (1.0 + pose.focus)
    return np.asarray(x * factor[:, None] * focal + common[1:3])


def page_jacobian(view: PageView, common: FloatArray, pose: Pose) -> tuple[FloatArray, FloatArray]:
    """Return d(pixels)/d(common) (2 n, 7) and d(pixels)/d(view's unknowns) (2 n, 10)."""
    turned_only, camera = _camera_points(view, common, pose)
    depth = camera[:, 2]
    x = camera[:, :2] / depth[:, None]
    r2, factor, slope = _bend(x, common[3:6])
    base = float(np.exp(common[0]))
    focal = base * (1.0 + pose.focus)
    n = len(x)

    by_x = focal * (
        factor[:, None, None] * np.eye(2) + 2.0 * slope[:, None, None] * x[:, :, None] * x[:, None]
    )
    by_camera = np.zeros((n, 2, 3))
    by_camera[:, 0, 0] = by_camera[:, 1, 1] = 1.0 / depth
    by_camera[:, :, 2] = -x / depth[:, None]
    by_camera = by_x @ by_camera

    common_part = np.zeros((n, 2, COMMON))
    common_part[:, :, 0] = focal * factor[:, None] * x
    common_part[:, 0, 1] = common_part[:, 1, 2] = 1.0
    for i in range(3):
        common_part[:, :, 3 + i] = focal * x * r2[:, None] ** (i + 1)
    stretch = np.exp(np.array([-0.5, 0.5]) * common[6])
    pull = view.points_mm * stretch * np.array([-0.5, 0.5])
    common_part[:, :, 6] = (by_camera @ (pull @ pose.rotation[:, :2].T)[:, :, None])[:, :, 0]

    view_part = np.zeros((n, 2, PER_VIEW))
    cross = np.zeros((n, 3, 3))
    cross[:, 0, 1], cross[:, 0, 2] = turned_only[:, 2], -turned_only[:, 1]
    cross[:, 1, 0], cross[:, 1, 2] = -turned_only[:, 2], turned_only[:, 0]
    cross[:, 2, 0], cross[:, 2, 1] = turned_only[:, 1], -turned_only[:, 0]
    view_part[:, :, :3] = by_camera @ cross
    view_part[:, :, 3:6] = by_camera
    view_part[:, :, FOCUS] = base * factor[:, None] * x
    up = by_camera @ pose.rotation[:, 2]
    view_part[:, :, BOW] = up[:, :, None] * page_basis(view.points_mm)[:, None, :]
    return common_part.reshape(2 * n, COMMON), view_part.reshape(2 * n, PER_VIEW)


def turned(pose: Pose, step: FloatArray) -> Pose:
    """Return a pose changed by a step (10,) in the view's unknowns."""
    turn = np.asarray(cv2.Rodrigues(step[:3])[0], dtype=np.float64)
    return Pose(
        turn @ pose.rotation,
        pose.translation + step[3:6],
        pose.focus + float(step[FOCUS]),
        pose.bow + step[BOW],
    )
