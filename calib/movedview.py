"""The phone held elsewhere: the view it would have, and what it would see of the target."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.sight import CornerSight, SideSight, Sight
from calib.view import View

__all__ = ["Scene", "framed_distance", "moved_sight", "moved_view", "tilt_of"]

FloatArray = NDArray[np.float64]

MARGIN = 0.04
"""Free border, as a share of the picture's size."""
NEAREST_MM, FARTHEST_MM = 150.0, 3000.0
"""Phones do not focus much nearer (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Scene:
    """What must be in the picture: points (n, 3) of target and piece, target frame, mm."""

    points_mm: FloatArray

    @property
    def middle_mm(self) -> FloatArray:
        """The middle of it, where the phone points."""
        return np.asarray(0.5 * (self.points_mm.min(axis=0) + self.points_mm.max(axis=0)))


def tilt_of(view: View) -> tuple[float, FloatArray]:
    """Return the angle (radians) between the line of sight and straight down onto the target,
    and the (2,) direction in which the phone leans; zeros when it looks straight down."""
    back = -view.rotation[2]
    lean = back[:2] / max(float(np.hypot(back[0], back[1])), 1e-9)
    return float(np.arccos(np.clip(back[2], -1.0, 1.0))), np.asarray(lean)


def moved_view(view: View, middle_mm: FloatArray, toward: FloatArray, distance_mm: float) -> View:
    """Return the view from another place, looking at a point; the phone not turned otherwise.

    Parameters
    ----------
    toward : (3,) unit direction from the point to the camera.
    """
    ahead = -toward
    right = view.rotation[0] - (view.rotation[0] @ ahead) * ahead
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(ahead, right), ahead])
    centre = middle_mm + distance_mm * toward
    turn = np.asarray(cv2.Rodrigues(rotation)[0], dtype=np.float64).ravel()
    return View(view.lens, turn, -rotation @ centre, view.covariance)


def framed_distance(view: View, scene: Scene, toward: FloatArray) -> float:
    """Return the least distance from which the scene is in the picture, mm."""

    def fits(distance: float) -> bool:
        there = moved_view(view, scene.middle_mm, toward, distance)
        return _inside(there, scene.points_mm)

    return _least(fits, NEAREST_MM, FARTHEST_MM)


def _inside(view: View, points_mm: FloatArray) -> bool:
    depth = (points_mm @ view.rotation.T + view.translation_mm)[:, 2]
    if depth.min() < 20.0:
        return False
    pixels = view.to_pixels(points_mm)
    size = np.array(view.lens.size_px, dtype=np.float64)
    return bool(np.all((pixels > MARGIN * size) & (pixels < (1.0 - MARGIN) * size)))


def _least(fits: Callable[[float], bool], low: float, high: float) -> float:
    if fits(low):
        return low
    for _ in range(24):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if fits(middle) else (middle, high)
    return high


def moved_sight(sight: Sight, view: View, there: View) -> Sight:
    """Return what another view sees of the target: as well, pixel for pixel, as this one does."""
    if isinstance(sight, CornerSight):
        flat = np.column_stack([sight.points_mm * sight.scale, np.zeros(len(sight.points_mm))])
        return replace(sight, points_px=there.to_pixels(flat))
    return _moved_sides(sight, view, there)


def _moved_sides(sight: SideSight, view: View, there: View) -> SideSight:
    flat = view.on_plane(sight.points_px)
    half = 0.5 * sight.size_mm
    # Points on the sides as drawn: what they are off by in this photo is another matter there.
    for side, (axis, sign) in enumerate(((0, 1.0), (1, 1.0), (0, -1.0), (1, -1.0))):
        flat[sight.side == side, axis] = sign * half[axis]
    world = np.column_stack([flat, np.zeros(len(flat))])
    corners = np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]]) * half
    near = there.to_pixels(np.column_stack([corners, np.zeros(4)]))
    now = view.to_pixels(np.column_stack([corners, np.zeros(4)]))
    # Twice as large in the picture, twice as many points along each side.
    larger = float(np.sqrt(_area(near) / _area(now)))
    return replace(
        sight,
        points_px=there.to_pixels(world),
        sd_px=sight.sd_px / np.sqrt(larger),
        corners_px=near,
    )


def _area(corners: FloatArray) -> float:
    x, y = corners.T
    return 0.5 * abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)))
