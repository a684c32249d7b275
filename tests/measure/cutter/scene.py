"""A phone over a bench and exact outlines of tools on it, for the tests beside this file."""

from __future__ import annotations

import cv2
import numpy as np

from calib.lens import lens_from_exif
from calib.view import View
from measure.profile import Profile
from measure.reach import reach_over
from measure.revolve import Axis, outline_points
from measure.toolview import ToolView

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


def tool_view(
    steps, offsets=None, turned_deg=0.0, noise_px=0.0, seed=0, flat=None, reversed_z=False, rise=0.0
):
    """Return a ToolView of a stepped tool: steps are (length, radius), from the shank on.

    `offsets` are (ex, ey) of each step from the shank's axis, in the tool's own frame: the x
    axis lies across the first photo. The tool is turned about its length by `turned_deg`.
    `flat` is a thickness: every step but the first is then a blade that lies flat.
    """
    view, axis = phone(), lying(steps[0][1] + 10.0, rise=rise)
    rng = np.random.default_rng(seed)
    ends = np.cumsum([0.0, *(length for length, _ in steps)])
    offsets = offsets or [(0.0, 0.0)] * len(steps)
    t = np.radians(turned_deg)
    spin = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    pixels = ([], [])
    rows = []
    for i, ((_, radius), offset) in enumerate(zip(steps, offsets, strict=True)):
        z0, z1 = ends[i], ends[i + 1]
        if flat and i:
            on_edge = abs(turned_deg % 180.0 - 90.0) < 45.0
            half, thick = (flat / 2.0, 2.0 * radius) if on_edge else (radius, flat)
            sides, _ = blade(view, axis, half, thick, _lean_to_level(view, axis), z0, z1)
            # The trace takes it for round: its width is the sum of both reaches.
            rays = [view.rays(side) for side in sides]
            reach = [reach_over(view.camera_centre_mm, ray, axis).reach_mm for ray in rays]
            radius = 0.5 * float(np.median(reach[0]) + np.median(reach[1]))
        else:
            sides = cylinder(view, axis, radius, z0, z1, tuple(spin @ np.array(offset)))
        for store, side in zip(pixels, sides, strict=True):
            store.append(side + rng.normal(0.0, noise_px, side.shape))
        z = np.arange(np.ceil(z0 * 4) / 4, z1 + 1e-9, 0.25)
        rows += [(zi, 2.0 * radius) for zi in z]
    rows = np.array(rows)
    z, d = rows[:, 0], rows[:, 1] + rng.normal(0.0, 0.02, len(rows))
    sides = [np.vstack(side) for side in pixels]
    if reversed_z:
        z, d, axis = ends[-1] - z[::-1], d[::-1], Axis(axis.at(ends[-1]), -axis.direction)
        sides.reverse()
    n = len(z)
    profile = Profile(z, d, np.full(n, 0.08), np.full(n, 0.05))
    rays = (view.rays(sides[0]), view.rays(sides[1]))
    return ToolView(profile, view.camera_centre_mm, axis, rays)


def _lean_to_level(view, axis):
    """Return the angle from the line of sight to the upright, square to the axis."""
    across, toward = frame(view, axis)
    up = np.array([0.0, 0.0, 1.0])
    return float(np.arctan2(up @ across, up @ toward))
