"""A model of a turned piece beside the target, before the piece itself has been measured.

The model is a row of even coves between equal crests, or a plain cylinder. Which of the two
matters: where the two sides of a piece swell and narrow, what one side shows of a cove must fall
on what the other side shows, and that says something of the lens and of how the phone stood. The
sides of a cylinder are two straight lines and say nothing of the kind. Target frame, mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.view import View

__all__ = [
    "SETUPS",
    "ModelPiece",
    "UnseenModelError",
    "contacts",
    "laid_piece",
    "room_in_picture",
    "side_points",
    "standing_piece",
]

FloatArray = NDArray[np.float64]

SETUPS = ("bench", "upright", "level", "plane")
GAP_MM = 15.0
"""Room left between target and piece."""
COVE_LENGTH_MM, FEWEST_COVES = 45.0, 2


class UnseenModelError(ValueError):
    """The camera does not see both sides of the model all along."""


@dataclass(frozen=True, slots=True)
class ModelPiece:
    """A model: `point_mm` (3,) of its axis at one end, unit `direction` (3,), sizes in mm.

    `radius_mm` is that of both ends and of all crests; `depth_mm` that of the coves, 0 for a
    cylinder.
    """

    point_mm: FloatArray
    direction: FloatArray
    radius_mm: float
    length_mm: float
    depth_mm: float = 0.0

    def at(self, z_mm: FloatArray) -> FloatArray:
        """Return points (n, 3) of the axis."""
        return np.asarray(self.point_mm + np.asarray(z_mm)[:, None] * self.direction)

    def radius(self, z_mm: FloatArray) -> FloatArray:
        """Return r (n,) at z."""
        return np.asarray(self.radius_mm - 0.5 * self.depth_mm * (1.0 - np.cos(self._turn * z_mm)))

    def slope(self, z_mm: FloatArray) -> FloatArray:
        """Return dr/dz (n,) at z."""
        return np.asarray(-0.5 * self.depth_mm * self._turn * np.sin(self._turn * z_mm))

    @property
    def _turn(self) -> float:
        coves = max(FEWEST_COVES, round(self.length_mm / COVE_LENGTH_MM))
        return 2.0 * np.pi * coves / self.length_mm


def side_points(piece: ModelPiece, z_mm: FloatArray, camera_mm: FloatArray) -> FloatArray:
    """Return where the camera's rays touch both sides of the circles at z, shape (2, n, 3).

    On the circle about b = a + z d, with unit vectors e1 and e2 across d, the surface is square
    to (cos t, sin t, -r'); the ray touches it where ((b - c) . e1) cos t + ((b - c) . e2) sin t
    = -(r - r' (b - c) . d).

    Raises
    ------
    UnseenModelError
        If a circle is seen from inside, or hidden on both sides.
    """
    toward = piece.point_mm - camera_mm
    first = np.cross(piece.direction, toward)
    first /= np.linalg.norm(first)
    second = np.cross(piece.direction, first)
    from_camera = piece.at(z_mm) - camera_mm
    a, b = from_camera @ first, from_camera @ second
    away = np.hypot(a, b)
    r = piece.radius(z_mm)
    cosine = -(r - piece.slope(z_mm) * (from_camera @ piece.direction)) / away
    if np.any(away <= r) or np.any(np.abs(cosine) >= 1.0):
        raise UnseenModelError("the camera sees no outline of part of the model")
    middle, half = np.arctan2(b, a), np.arccos(cosine)
    sides = []
    for angle in (middle + half, middle - half):
        out = np.cos(angle)[:, None] * first + np.sin(angle)[:, None] * second
        sides.append(piece.at(z_mm) + r[:, None] * out)
    return np.stack(sides)


def contacts(
    rays: FloatArray,
    ahead: FloatArray,
    camera_mm: FloatArray,
    point_mm: FloatArray,
    direction: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return (z, r), (...,) each, of where the surface touches rays of an outline.

    Parameters
    ----------
    rays, ahead : (..., 3) of points of the outline, and of points a little along its tangent:
        the plane of the two touches the surface, and its normal meets the axis there.
    point_mm, direction : (3,) of the axis.
    """
    w = np.cross(direction, np.cross(rays, ahead))
    s = (w @ (point_mm - camera_mm)) / np.sum(rays * w, axis=-1)
    offset = camera_mm + s[..., None] * rays - point_mm
    z = offset @ direction
    return z, np.linalg.norm(offset - z[..., None] * direction, axis=-1)


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
