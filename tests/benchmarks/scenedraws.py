"""Draws that all rows of the accuracy benchmark share: piece, light, phone, card, checks."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.rendering.camera import Camera
from sample_images.rendering.cards import ARTWORKS, Card, drawn_card
from sample_images.rendering.phone import drawn_phone
from sample_images.rendering.pieces import random_piece
from sample_images.rendering.scene import Flat, Light, Phone
from sample_images.rendering.staging import StageError, apart_px, drawn_camera, target_outline

__all__ = [
    "CONTACT_SD_MM",
    "GAP_MM",
    "Subject",
    "check_ends",
    "check_seen",
    "drawn_light",
    "drawn_subject",
    "drawn_support",
    "phone_and_lens",
    "random_card",
    "toward_camera",
]

FloatArray = NDArray[np.float64]
Rng = np.random.Generator

WOODS = ("beech", "maple", "cherry", "teak", "walnut", "ebony", "laminated", "laminated dark")
WOODEN = ("mill", "baluster", "handle", "rolling pin", "finial", "bobbin", "goblet")
STEEL_SHARE = 1.0 / 12.0
SUPPORTS = ("paper", "planks", "dark planks", "dark cloth", "grey cloth", "board top")
CONTACT_SD_MM = 0.05
GAP_MM = (10.0, 28.0)


@dataclass(frozen=True, slots=True)
class Subject:
    """The piece and its looks, before it is placed."""

    zr: FloatArray
    material: str
    seed: int
    drawn: dict[str, Any] = field(default_factory=dict)


def drawn_subject(
    rng: Rng,
    longest_mm: float = 300.0,
    thickest_mm: float = 70.0,
    wooden: tuple[str, ...] = WOODEN,
    steel_share: float = STEEL_SHARE,
) -> Subject:
    """Return a piece of 20 to 70 mm diameter and 80 to 300 mm length, no stouter than 1 : 1.6."""
    while True:
        length, diameter = rng.uniform(80.0, longest_mm), rng.uniform(20.0, thickest_mm)
        if 1.6 <= length / diameter <= 8.0:
            break
    steel = rng.random() < steel_share
    family = "borer" if steel else str(rng.choice(wooden))
    material = "steel" if steel else str(rng.choice(WOODS))
    zr = random_piece(rng, family, length, diameter)
    return Subject(zr, material, int(rng.integers(1 << 30)), {"family": family})


def drawn_light(rng: Rng) -> Light:
    """One of three: soft lamp overhead, window from the side, hard lamp from the side."""
    azimuth, u = float(rng.uniform(0.0, 360.0)), rng.uniform
    kind = rng.integers(0, 3)
    if kind == 0:
        return Light(azimuth, u(55, 75), u(1000, 1500), u(400, 700), u(0.5, 2.0), u(-0.05, 0.15))
    if kind == 1:
        return Light(azimuth, u(25, 45), u(1200, 2000), u(800, 1200), u(0.8, 3.0), u(-0.12, 0.02))
    return Light(azimuth, u(30, 55), u(700, 1100), u(40, 90), u(1.0, 3.5), u(0.0, 0.2))


def phone_and_lens(rng: Rng, size: tuple[int, int]) -> tuple[Phone, Camera]:
    """Return a phone and its lens, the focal length off from what its EXIF will say."""
    focal_35mm = int(rng.integers(24, 29))
    orientation = int(rng.choice([1, 1, 1, 3, 6, 8]))
    return drawn_phone(rng, focal_35mm, orientation), drawn_camera(rng, size, focal_35mm)


def drawn_support(rng: Rng) -> str:
    """Return what the piece lies on."""
    return str(rng.choice(SUPPORTS))


def random_card(rng: Rng) -> Card:
    """Return a card of any artwork, its true size within the standard's tolerance."""
    return drawn_card(rng, str(rng.choice(ARTWORKS)))


def toward_camera(tilt_deg: float, azimuth_rad: float) -> FloatArray:
    """Return the unit direction toward a camera tilted away from straight above."""
    tilt = np.deg2rad(tilt_deg)
    return np.array(
        [np.sin(tilt) * np.cos(azimuth_rad), np.sin(tilt) * np.sin(azimuth_rad), np.cos(tilt)]
    )


def check_seen(camera: Camera, subject: Subject, place: FloatArray, flat: Flat) -> None:
    """Refuse draws whose card leaves the frame or comes near the piece in the picture.

    Raises
    ------
    StageError
        If so.
    """
    width, height = camera.size_px
    card = target_outline(flat)
    pixels = camera.to_pixels(card)
    room = np.minimum(pixels, np.array([width, height]) - 1.0 - pixels).min()
    if room < 0.01 * width:
        raise StageError("the card leaves the frame")
    if apart_px(camera, subject.zr, place, card) < 0.008 * width:
        raise StageError("the card hides behind the piece")


STEP_MM = 0.5
"""A square step of this and more makes a part of its own."""


def check_ends(
    camera: Camera, zr: FloatArray, place: FloatArray, ends: tuple[bool, bool] = (True, True)
) -> None:
    """Refuse draws of which an end hides wholly behind a broader part.

    `ends` says which are looked at: that at z = 0 and the far one.

    Raises
    ------
    StageError
        If so.
    """
    eye = np.linalg.inv(place) @ np.array([*camera.position, 1.0])
    z, r = zr.T
    steps = z[:-1][(np.diff(z) < 1e-6) & (np.abs(np.diff(r)) > STEP_MM)]
    length = float(z[-1])
    parts = (
        np.linspace(0.05, steps.min() - 0.05 if len(steps) else length, 40),
        np.linspace(length - 0.05, steps.max() + 0.05 if len(steps) else 0.0, 40),
    )
    for wanted, part in zip(ends, parts, strict=True):
        if wanted and not any(_shows(eye[:3], zr, float(at)) for at in part):
            raise StageError("an end hides behind a broader part")


def _shows(eye: FloatArray, zr: FloatArray, z: float) -> bool:
    """Return whether the eye sees both sides of the circle at z, piece frame."""
    radius = float(np.interp(z, zr[:, 0], zr[:, 1]))
    toward = np.arctan2(eye[1], eye[0])
    # Where the sight line just touches the circle, a little to the eye's side.
    swing = np.arccos(np.clip(radius / np.hypot(eye[0], eye[1]), 0.0, 1.0)) - 0.02
    for angle in (toward - swing, toward + swing):
        point = np.array([radius * np.cos(angle), radius * np.sin(angle), z])
        way = point + np.linspace(0.003, 0.6, 400)[:, None] * (eye - point)
        inside = (way[:, 2] > zr[0, 0]) & (way[:, 2] < zr[-1, 0])
        reach = np.hypot(way[:, 0], way[:, 1])
        if np.any(inside & (reach < np.interp(way[:, 2], zr[:, 0], zr[:, 1]) - 1e-3)):
            return False
    return True
