"""Test pictures, drawn and not photographed: flat cards seen by a known pinhole."""

from __future__ import annotations

import cv2
import numpy as np

from calib.exif import CameraId
from calib.lens import lens_from_exif
from calib.photo import Photo
from calib.view import View

SIZE_PX = (1600, 1200)
FOCAL_35MM = 26.0
FINER = 3
BENCH, CARD, STRIPE = (96, 126, 150), (205, 215, 220), (60, 60, 62)


def view_over(tilt_deg, turn_deg=8.0, distance_mm=330.0, off_mm=(0.0, 0.0)):
    """Return the view of a phone that looks at a card, tilted about its long side."""
    tilt, turn = np.radians([180.0 - tilt_deg, turn_deg])
    about_x = np.array(
        [[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]]
    )
    about_z = np.array(
        [[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]]
    )
    vector = cv2.Rodrigues(about_z @ about_x)[0].ravel()
    lens = lens_from_exif(SIZE_PX, FOCAL_35MM)
    return View(lens, vector, np.array([*off_mm, distance_mm]), np.zeros((11, 11)))


def rounded(width, height, radius, middle=(0.0, 0.0)):
    """Return the outline (n, 3) of a rectangle with rounded corners, mm."""
    angle = np.linspace(0.0, 0.5 * np.pi, 12)
    arc = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    parts = []
    for k, (x, y) in enumerate(((1, 1), (-1, 1), (-1, -1), (1, -1))):
        turn = np.array([[0.0, -1.0], [1.0, 0.0]])
        corner = np.array([x * (width / 2 - radius), y * (height / 2 - radius)])
        parts.append(arc @ np.linalg.matrix_power(turn, k).T + corner)
    flat = np.concatenate(parts) + np.array(middle)
    return np.column_stack([flat, np.zeros(len(flat))])


def picture(view, shapes, seed=1, thick_mm=0.76):
    """Return the sRGB picture (H, W, 3) of flat shapes, pairs of outline (n, 3) and BGR colour.

    The first one is so thick, the others are printed on it, or lie about.
    """
    width, height = SIZE_PX
    large = np.full((height * FINER, width * FINER, 3), BENCH, dtype=np.uint8)
    for outline, colour in shapes:
        pixels = (view.to_pixels(outline) + 0.5) * FINER - 0.5
        if thick_mm > 0.0:
            # The wall shows below the sides that face the phone.
            foot = (view.to_pixels(outline - [0.0, 0.0, thick_mm]) + 0.5) * FINER - 0.5
            hull = cv2.convexHull(np.concatenate([pixels, foot]).astype(np.float32))
            wall = tuple(round(0.75 * c) for c in colour)
            cv2.fillPoly(large, [np.round(hull * 16).astype(np.int32)], wall, cv2.LINE_8, 4)
            thick_mm = 0.0
        cv2.fillPoly(large, [np.round(pixels * 16).astype(np.int32)], colour, cv2.LINE_8, 4)
    linear = (large.astype(np.float32) / 255.0) ** 2.2
    small = cv2.resize(linear, SIZE_PX, interpolation=cv2.INTER_AREA)
    soft = cv2.GaussianBlur(small, (0, 0), 0.8)
    noise = np.random.default_rng(seed).normal(0.0, 0.004, soft.shape)
    return np.round(255.0 * np.clip(soft + noise, 0.0, 1.0) ** (1.0 / 2.2)).astype(np.uint8)


def photo_of(bgr):
    """Return it as a photo."""
    return Photo("drawn.jpg", bgr, FOCAL_35MM, CameraId("", "", None, FOCAL_35MM), ())
