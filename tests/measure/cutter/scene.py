"""A phone over a bench and exact outlines of tools on it, for the tests beside this file."""

from __future__ import annotations

import cv2
import numpy as np

from calib.lens import lens_from_exif
from calib.view import View
from measure.revolve import Axis, outline_points

SIZE = (4032, 3024)


def phone(tilt_deg: float = 10.0, height_mm: float = 420.0, aside_mm: float = 30.0) -> View:
    """Return a phone that looks down on the target's origin."""
    down = np.diag([1.0, -1.0, -1.0])
    tilted = cv2.Rodrigues(np.array([np.radians(tilt_deg), 0.0, 0.0]))[0] @ down
    centre = np.array([aside_mm, -height_mm * np.tan(np.radians(tilt_deg)), height_mm])
    rotation = np.asarray(cv2.Rodrigues(tilted)[0]).ravel()
    return View(lens_from_exif(SIZE, 26.0), rotation, -tilted @ centre, np.zeros((11, 11)))


def lying(height_mm: float, turn_deg: float = 4.0, rise: float = 0.02) -> Axis:
    """Return the axis of a tool on the bench beside the target, 50 mm from its middle."""
    t = np.radians(turn_deg)
    d = np.array([np.cos(t), np.sin(t), rise])
    return Axis(np.array([-70.0, 50.0, height_mm]), d / np.linalg.norm(d))


def frame(view: View, axis: Axis) -> tuple[np.ndarray, np.ndarray]:
    """Return unit vectors across the picture and toward the camera, square to the axis."""
    back = view.camera_centre_mm - axis.point_mm
    toward = back - (back @ axis.direction) * axis.direction
    toward /= np.linalg.norm(toward)
    return np.cross(toward, axis.direction), toward


def cylinder(view: View, axis: Axis, radius: float, z0: float, z1: float, offset=(0.0, 0.0)):
    """Return pixels of both sides of a cylinder beside the axis: (across side, other side).

    `offset` is across the picture and toward the camera, mm.
    """
    across, toward = frame(view, axis)
    own = Axis(axis.point_mm + offset[0] * across + offset[1] * toward, axis.direction)
    z = np.arange(z0, z1 + 1e-9, 0.1)
    sides = outline_points(
        view.camera_centre_mm, own, z, lambda v: np.full_like(v, radius), np.zeros_like
    )
    sides = sorted(sides, key=lambda side: -float(np.mean((side - axis.point_mm) @ across)))
    return tuple(view.to_pixels(side) for side in sides)


def blade(view: View, axis: Axis, half: float, thickness: float, lean_rad: float, z0, z1):
    """Return pixels of both sides of a flat blade, and the normal of the blade.

    Its corner lines are projected; the outermost on each side is the outline.
    """
    across, toward = frame(view, axis)
    normal = np.cos(lean_rad) * toward + np.sin(lean_rad) * across
    width = np.cross(normal, axis.direction)
    z = np.arange(z0, z1 + 1e-9, 0.1)
    sides = []
    for sign in (1.0, -1.0):
        lines = [
            axis.at(z) + sign * half * width + up * 0.5 * thickness * normal for up in (1.0, -1.0)
        ]
        # Outermost: the largest angle at the camera away from the plane of camera and axis.
        camera = view.camera_centre_mm
        angles = [np.mean(((p - camera) @ across) / ((camera - p) @ toward)) for p in lines]
        sides.append(view.to_pixels(lines[int(np.argmax(sign * np.array(angles)))]))
    return (sides[0], sides[1]), normal
