"""Random scenes of the accuracy benchmark, drawn from the distributions that the priors state.

Each row of the accuracy table has its own generator; a scene depends on the row, the seed and its
number alone, so that the first eight are the same whether eight are asked for or eighty. Draws
that make no picture (the card outside the frame or behind the piece) are drawn again here, before
anything is rendered or measured; none is removed afterwards.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.rendering.cards import ARTWORKS, drawn_card
from sample_images.rendering.phone import drawn_phone
from sample_images.rendering.pieces import random_piece
from sample_images.rendering.scene import Flat, Light, Scene
from sample_images.rendering.staging import (
    StageError,
    apart_px,
    drawn_camera,
    framed,
    laid_piece,
    placed_beside,
    target_outline,
)

__all__ = ["ROWS", "SceneSpec", "scenes"]

FloatArray = NDArray[np.float64]
Rng = np.random.Generator
SceneSpec = Scene

ROWS = ("id1_flat", "id1_tilted", "a4_exif", "a4_calibrated", "stand_id1", "plane_known")
"""Rows of the accuracy table, in its order."""

FULL_PX, HALF_PX = (4032, 3024), (2016, 1512)
WOODS = ("beech", "maple", "cherry", "teak", "walnut", "ebony", "laminated", "laminated dark")
WOODEN = ("mill", "baluster", "handle", "rolling pin", "finial", "bobbin", "goblet")
STEEL_SHARE = 1.0 / 12.0
SUPPORTS = ("paper", "planks", "dark planks", "dark cloth", "grey cloth", "board top")
CONTACT_SD_MM = 0.05
GAP_MM = (10.0, 28.0)
TRIES = 200


@dataclass(frozen=True, slots=True)
class Subject:
    """The piece and its looks, before it is placed."""

    zr: FloatArray
    material: str
    seed: int
    drawn: dict[str, Any] = field(default_factory=dict)


def scenes(row: str, count: int, seed: int) -> list[SceneSpec]:
    """Return the first `count` scenes of a row of the accuracy table.

    Raises
    ------
    ValueError
        No such row.
    """
    if row not in ROWS:
        raise ValueError(f"got row {row!r}, need one of {ROWS}")
    return [_scene(row, number, seed) for number in range(count)]


def _scene(row: str, number: int, seed: int) -> Scene:
    rng = np.random.default_rng([seed, ROWS.index(row), number])
    size = HALF_PX if number % 2 else FULL_PX
    for _ in range(TRIES):
        try:
            return _STAGES[row](rng, f"{row}-{seed}-{number:02d}", size)
        except StageError:
            continue
    raise RuntimeError(f"no scene of {row} in {TRIES} draws; the distributions are at odds")


def _subject(rng: Rng, longest_mm: float = 300.0, thickest_mm: float = 70.0) -> Subject:
    while True:
        length, diameter = rng.uniform(80.0, longest_mm), rng.uniform(20.0, thickest_mm)
        if 1.6 <= length / diameter <= 8.0:
            break
    steel = rng.random() < STEEL_SHARE
    family = "borer" if steel else str(rng.choice(WOODEN))
    material = "steel" if steel else str(rng.choice(WOODS))
    zr = random_piece(rng, family, length, diameter)
    return Subject(zr, material, int(rng.integers(1 << 30)), {"family": family})


def _light(rng: Rng) -> Light:
    """One of three: soft lamp overhead, window from the side, hard lamp from the side."""
    azimuth, u = float(rng.uniform(0.0, 360.0)), rng.uniform
    kind = rng.integers(0, 3)
    if kind == 0:
        return Light(azimuth, u(55, 75), u(1000, 1500), u(400, 700), u(0.5, 2.0), u(-0.05, 0.15))
    if kind == 1:
        return Light(azimuth, u(25, 45), u(1200, 2000), u(800, 1200), u(0.8, 3.0), u(-0.12, 0.02))
    return Light(azimuth, u(30, 55), u(700, 1100), u(40, 90), u(1.0, 3.5), u(0.0, 0.2))


def _phone_and_lens(rng: Rng, size: tuple[int, int]) -> tuple[Any, Any]:
    focal_35mm = int(rng.integers(24, 29))
    orientation = int(rng.choice([1, 1, 1, 3, 6, 8]))
    return drawn_phone(rng, focal_35mm, orientation), drawn_camera(rng, size, focal_35mm)


def _toward_camera(tilt_deg: float, azimuth_rad: float) -> FloatArray:
    tilt = np.deg2rad(tilt_deg)
    return np.array(
        [np.sin(tilt) * np.cos(azimuth_rad), np.sin(tilt) * np.sin(azimuth_rad), np.cos(tilt)]
    )


def _bench_card(rng: Rng, name: str, size: tuple[int, int], tilts: tuple[float, float]) -> Scene:
    """A piece lying beside an ID-1 card, the phone above, tilted by `tilts` degrees."""
    subject = _subject(rng)
    phone, lens = _phone_and_lens(rng, size)
    yaw = rng.normal(0.0, np.deg2rad(6.0)) + (np.pi if rng.random() < 0.5 else 0.0)
    lifts = rng.normal(0.0, CONTACT_SD_MM, 2)
    place = laid_piece(subject.zr, yaw, rng.uniform(0.0, 2.0 * np.pi), (lifts[0], lifts[1]))
    art = str(rng.choice(ARTWORKS))
    card = drawn_card(rng, art)
    side = 1 if rng.random() < 0.5 else -1
    flat = placed_beside(rng, card, subject.zr, yaw, float(rng.uniform(*GAP_MM)), side)
    tilt = float(rng.uniform(*tilts))
    toward = _toward_camera(tilt, rng.uniform(0.0, 2.0 * np.pi))
    camera = framed(
        lens, subject.zr, place, target_outline(flat), toward, np.array([0.0, 1.0, 0.0]),
        float(rng.uniform(0.6, 0.85)), (rng.uniform(-0.5, 0.5), rng.uniform(-0.5, 0.5)),
    )
    _check_seen(camera, subject, place, flat)
    return Scene(
        name=name, seed=subject.seed, setup="bench", zr=subject.zr, piece_to_world=place,
        material=subject.material, support=str(rng.choice(SUPPORTS)),
        support_turn_deg=float(rng.uniform(0.0, 360.0)), targets=(flat,), camera=camera,
        light=_light(rng), phone=phone,
        drawn={**subject.drawn, "tilt_deg": tilt, "contact_lifts_mm": lifts.tolist()},
    )


def _check_seen(camera: Any, subject: Subject, place: FloatArray, flat: Flat) -> None:
    """Refuse draws whose card leaves the frame or comes near the piece in the picture."""
    width, height = camera.size_px
    card = target_outline(flat)
    pixels = camera.to_pixels(card)
    room = np.minimum(pixels, np.array([width, height]) - 1.0 - pixels).min()
    if room < 0.01 * width:
        raise StageError("the card leaves the frame")
    if apart_px(camera, subject.zr, place, card) < 0.008 * width:
        raise StageError("the card hides behind the piece")


_STAGES: dict[str, Callable[[Rng, str, tuple[int, int]], Scene]] = {
    "id1_flat": lambda rng, name, size: _bench_card(rng, name, size, (5.0, 10.0)),
    "id1_tilted": lambda rng, name, size: _bench_card(rng, name, size, (20.0, 30.0)),
}
