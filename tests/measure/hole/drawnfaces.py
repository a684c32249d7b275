"""Test pictures, drawn and not photographed: end faces beside a card, seen by a known pinhole."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calib.exif import CameraId
from calib.photo import Photo
from calib.view import View
from measure.circles import Circle, circle_points
from tests.calib.drawncards import rounded
from tests.geometry.exact_views import lens_of, view_from

SIZE_PX = (1600, 1200)
FOCAL_35MM = 26.0
FOCAL_PX = 26.0 / 43.27 * 2000.0
FINER = 3
BENCH, CARD, FACE, WALL = (96, 126, 150), (205, 215, 220), (150, 190, 220), (70, 100, 130)
DARK = (22, 26, 30)
AT = (-85.0, 4.0)
"""Where the axis meets the face, card frame."""


@dataclass(frozen=True)
class Ring:
    """A circle that bounds a flat ring of wood: what lies inside it is painted `colour`.

    `depth_mm` below the face; `off_mm` of its centre from the axis.
    """

    diameter_mm: float
    colour: tuple[int, int, int]
    depth_mm: float = 0.0
    off_mm: tuple[float, float] = (0.0, 0.0)


PLAIN = (Ring(60.0, FACE), Ring(30.0, DARK))


def phone_over(eye=(-40.0, 40.0, 260.0), look=(-42.0, 2.0, 0.0)):
    """Return the view of a phone over card and face."""
    return view_from(np.array(eye), np.array(look), lens_of(FOCAL_PX, size_px=SIZE_PX))


def outline(view: View, ring: Ring, face_mm: float, at) -> np.ndarray:
    """Return the pixels (720, 2) of a circle."""
    centre = np.array(at) + np.array(ring.off_mm)
    flat = circle_points(Circle(centre, ring.diameter_mm / 2.0), 720)
    return view.to_pixels(np.column_stack([flat, np.full(720, face_mm - ring.depth_mm)]))


def drawn(view, rings=PLAIN, *, face_mm=0.0, foot_mm=None, at=AT, more=(), seed=1, hide=()):
    """Return a photo of an end face, its rings outermost first, each seen through those before.

    Parameters
    ----------
    face_mm : Z of the face in the card's frame.
    foot_mm : how far below the face the foot of the side that is seen lies; None for no side.
    more : flat shapes on the card's plane, (n, 2) outlines with their colours, drawn before.
    hide : polygons in pixels with their colours, drawn last.
    """
    width, height = SIZE_PX
    picture = np.full((height * FINER, width * FINER, 3), BENCH, dtype=np.uint8)

    def fill(onto, px, colour):
        fine = np.round(((px + 0.5) * FINER - 0.5) * 16).astype(np.int32)
        cv2.fillPoly(onto, [fine], colour, cv2.LINE_8, 4)

    for flat, colour in more:
        fill(picture, view.to_pixels(np.column_stack([flat, np.zeros(len(flat))])), colour)
    fill(picture, view.to_pixels(rounded(85.6, 53.98, 3.18)), CARD)
    if foot_mm is not None:
        foot = Ring(rings[0].diameter_mm, WALL, foot_mm)
        both = np.vstack([outline(view, r, face_mm, at) for r in (foot, rings[0])])
        fill(picture, cv2.convexHull(both.astype(np.float32))[:, 0], WALL)
    window = np.full(picture.shape[:2], 255, dtype=np.uint8)
    for ring in rings:
        disc = np.zeros_like(window)
        fill(disc, outline(view, ring, face_mm, at), 255)
        window = cv2.bitwise_and(window, disc)
        picture[window > 0] = ring.colour
    for px, colour in hide:
        fill(picture, np.asarray(px, dtype=float), colour)
    linear = (picture.astype(np.float32) / 255.0) ** 2.2
    soft = cv2.GaussianBlur(cv2.resize(linear, SIZE_PX, interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    soft += np.random.default_rng(seed).normal(0.0, 0.004, soft.shape)
    bgr = np.round(255.0 * np.clip(soft, 0.0, 1.0) ** (1.0 / 2.2)).astype(np.uint8)
    return Photo("drawn.jpg", bgr, FOCAL_35MM, CameraId("", "", None, FOCAL_35MM), ())


def out_of_focus(bgr, sigma_px=2.0):
    """Return a picture blurred as a lens blurs it, in linear light."""
    soft = cv2.GaussianBlur((bgr.astype(np.float32) / 255.0) ** 2.2, (0, 0), sigma_px)
    return np.round(255.0 * soft ** (1.0 / 2.2)).astype(np.uint8)
