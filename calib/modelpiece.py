"""A plain cylinder beside the target: what stands for the piece before it has been measured.

All outline points of one side of a cylinder lie in one plane through the camera, which holds the
axis' direction too: so each side is a straight line in the undistorted picture, and the radius
that a ray of it stands for is the distance of that plane from the axis. Target frame, mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.view import View

__all__ = [
    "SETUPS",
    "ModelPiece",
    "laid_piece",
    "radii",
    "room_in_picture",
    "side_points",
    "standing_piece",
]

FloatArray = NDArray[np.float64]

SETUPS = ("bench", "upright", "level", "plane")
GAP_MM = 15.0
"""Room left between target and piece."""


@dataclass(frozen=True, slots=True)
class ModelPiece:
    """A cylinder: `point_mm` (3,) of its axis at one end, unit `direction` (3,), size in mm."""

    point_mm: FloatArray
    direction: FloatArray
    radius_mm: float
    length_mm: float

    def at(self, z_mm: FloatArray) -> FloatArray:
        """Return points (n, 3) of the axis."""
        return np.asarray(self.point_mm + np.asarray(z_mm)[:, None] * self.direction)


def side_points(piece: ModelPiece, z_mm: FloatArray, camera_mm: FloatArray) -> FloatArray:
    """Return where the camera's rays touch both sides, shape (2, n, 3), in two planes.

    Raises
    ------
    ValueError
        If the camera stands inside the cylinder.
    """
    toward = piece.point_mm - camera_mm
    first = np.cross(piece.direction, toward)
    first /= np.linalg.norm(first)
    second = np.cross(piece.direction, first)
    a, b = float(toward @ first), float(toward @ second)
    away = float(np.hypot(a, b))
    if away <= piece.radius_mm:
        raise ValueError(f"camera is {away:g} mm from the axis, need more than the radius")
    middle, half = np.arctan2(b, a), np.arccos(-piece.radius_mm / away)
    sides = []
    for angle in (middle + half, middle - half):
        out = piece.radius_mm * (np.cos(angle) * first + np.sin(angle) * second)
        sides.append(piece.at(z_mm) + out)
    return np.stack(sides)


def radii(
    rays: FloatArray, camera_mm: FloatArray, point_mm: FloatArray, direction: FloatArray
) -> FloatArray:
    """Return the radius of the cylinder about an axis that each ray (..., 3) touches."""
    normal = np.cross(rays, direction)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    return np.asarray(np.abs(normal @ (point_mm - camera_mm)))


def laid_piece(
    view: View,
    target_mm: FloatArray,
    window_mm: tuple[float, float] | None,
    height_mm: float,
    radius_mm: float,
    length_mm: float,
) -> ModelPiece:
    """Return a piece that lies where most of it is in the picture, clear of the target.

    Parameters
    ----------
    target_mm : (4, 2) corners of the target's face.
    window_mm : of a board: the piece lies in it where it fits.
    height_mm : Z of the axis.
    """
    if window_mm is not None and length_mm <= window_mm[0] and 2.0 * radius_mm <= window_mm[1]:
        start = np.array([-0.5 * length_mm, 0.0, height_mm])
        return ModelPiece(start, np.array([1.0, 0.0, 0.0]), radius_mm, length_mm)
    width, height = view.lens.size_px
    middle_px = np.array([0.5 * (width - 1.0), 0.5 * (height - 1.0)])
    steps = np.array([[0.2 * width, 0.0], [0.0, 0.2 * height]])
    ways = steps if width >= height else steps[::-1]
    on = view.on_plane(np.vstack([middle_px, middle_px + ways]), height_mm)
    if not np.all(np.isfinite(on)):
        on = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    best, best_room = None, -np.inf
    for along in (on[1] - on[0], on[2] - on[0]):
        d = along / np.linalg.norm(along)
        for shift in _shifts(on[0], d, target_mm, radius_mm + GAP_MM):
            middle = on[0] + shift * np.array([-d[1], d[0]])
            start = np.array([*(middle - 0.5 * length_mm * d), height_mm])
            piece = ModelPiece(start, np.array([*d, 0.0]), radius_mm, length_mm)
            room = min(room_in_picture(view, piece), 0.0) - 1e-3 * abs(shift)
            if room > best_room:
                best, best_room = piece, room
    if best is None:
        raise ValueError("no place for the piece: need a view of the target's plane")
    return best


def _shifts(
    at: FloatArray, d: FloatArray, target_mm: FloatArray, clear_mm: float
) -> tuple[float, ...]:
    """Return sideways moves of a line through `at` along d that clear the target."""
    aside = (target_mm - at) @ np.array([-d[1], d[0]])
    if aside.min() > clear_mm or aside.max() < -clear_mm:
        return (0.0,)
    return (float(aside.min()) - clear_mm, float(aside.max()) + clear_mm)


def standing_piece(
    view: View, target_mm: FloatArray, bench_mm: float, radius_mm: float, length_mm: float
) -> ModelPiece:
    """Return a piece that stands beside the target, on the side with more room in the picture."""
    best, best_room = None, -np.inf
    reach = np.abs(target_mm).max(axis=0) + radius_mm + GAP_MM
    for x, y in ((reach[0], 0.0), (-reach[0], 0.0), (0.0, reach[1]), (0.0, -reach[1])):
        point = np.array([x, y, bench_mm])
        piece = ModelPiece(point, np.array([0.0, 0.0, 1.0]), radius_mm, length_mm)
        room = room_in_picture(view, piece)
        if best is None or room > best_room:
            best, best_room = piece, room
    assert best is not None
    return best


def room_in_picture(view: View, piece: ModelPiece) -> float:
    """Return how far, px, the piece stays inside of the picture; negative where it leaves it."""
    camera = view.camera_centre_mm
    points = side_points(piece, np.array([0.0, piece.length_mm]), camera).reshape(-1, 3)
    if np.any((points @ view.rotation.T + view.translation_mm)[:, 2] <= 1.0):
        return -np.inf
    pixels = view.to_pixels(points)
    far = np.array(view.lens.size_px) - 1.0
    return float(np.minimum(pixels, far - pixels).min())
