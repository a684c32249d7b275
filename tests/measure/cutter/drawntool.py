"""Drawn pictures of stepped tools: cylinders filled with OpenCV's convex hull.

The picture is invented, its geometry is not: two circles' hull is the picture of a cylinder.
"""

import cv2
import numpy as np

from calib.lens import Lens
from calib.view import View
from measure.reach import frame_of
from measure.revolve import Axis
from measure.rimoutline import Cylinder

SIZE = (1512, 2016)
AXIS = Axis(np.array([-60.0, 4.0, 20.0]), np.array([1.0, 0.0, 0.0]))
TRUE = (
    Cylinder(0.0, 42.0, 6.0, 0.0),
    Cylinder(42.0, 58.0, 19.0, 0.0),
    Cylinder(58.0, 96.0, 11.0, 0.0),
)


def view_from(place):
    """Return a view of the middle of the tool from a place over the bench."""
    place = np.array(place)
    ahead = AXIS.at(48.0) - place
    ahead /= np.linalg.norm(ahead)
    right = np.cross(ahead, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(ahead, right), ahead])
    centre = (SIZE[1] / 2.0, SIZE[0] / 2.0)
    lens = Lens(1500.0, centre, 0.0, 0.0, SIZE[::-1], np.eye(5), "assumed")
    turn = cv2.Rodrigues(rotation)[0].ravel()
    return View(lens, turn, -rotation @ place, np.eye(11))


def drawn(view, steps, noise=4.0):
    """Return a grey picture of the steps, each of its own tone, with noise."""
    picture = np.full((*SIZE, 3), 120.0)
    across, toward = frame_of(view.camera_centre_mm, AXIS)
    turn = np.linspace(0.0, 2.0 * np.pi, 720)[:, None]
    ring = np.cos(turn) * across + np.sin(turn) * toward
    tones = (205.0, 165.0, 185.0)
    nearest = sorted(zip(steps, tones, strict=False), key=lambda pair: pair[0].radius_mm)
    for step, tone in nearest:
        circles = [AXIS.at(z) + step.radius_mm * ring for z in (step.z_from_mm, step.z_to_mm)]
        hull = cv2.convexHull(
            np.round(view.to_pixels(np.concatenate(circles)) * 16).astype(np.int32)
        )
        cv2.fillConvexPoly(picture, hull, (tone,) * 3, cv2.LINE_8, 4)
    picture = cv2.GaussianBlur(picture, (0, 0), 1.0)
    picture += np.random.default_rng(3).normal(0.0, noise, picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8)
