"""Scenes of the rows whose piece stands on its foot, or whose card is in the plane of the axis."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.rendering.camera import Camera
from sample_images.rendering.holders import block_behind, lathe, rod_behind, upright_card
from sample_images.rendering.scene import Flat, Prop, Scene, pose, rotation_about
from sample_images.rendering.staging import StageError, framed, laid_card, target_outline
from tests.benchmarks.scenedraws import (
    CONTACT_SD_MM,
    GAP_MM,
    Subject,
    check_ends,
    check_seen,
    drawn_light,
    drawn_subject,
    drawn_support,
    phone_and_lens,
    random_card,
)

__all__ = ["plane_scene", "stand_scene"]

FloatArray = NDArray[np.float64]
Rng = np.random.Generator

FOOTED = ("mill", "baluster", "rolling pin", "bobbin", "goblet", "handle")
OFFSET_SD_MM = 0.5
CALIPER_SD_MM = 0.05
JAW_MM = 3.0
UP = np.array([0.0, 0.0, 1.0])


def stand_scene(rng: Rng, name: str, size: tuple[int, int], number: int) -> Scene:
    """Row stand_id1: by twos `upright`, `plane` standing, `upright`, `plane` between centres."""
    if number // 2 % 2 == 0:
        return _upright(rng, name, size)
    return _in_plane(rng, name, size, on_lathe=number // 4 % 2 == 1, free_end=number % 2 == 1)


def plane_scene(rng: Rng, name: str, size: tuple[int, int], number: int) -> Scene:
    """Row plane_known: by twos standing and chucked, with one caliper reading near the middle."""
    on_lathe = number // 2 % 2 == 1
    return _in_plane(rng, name, size, on_lathe=on_lathe, free_end=True, known=True)


def _upright(rng: Rng, name: str, size: tuple[int, int]) -> Scene:
    subject = _footed(rng)
    zr = subject.zr
    phone, lens = phone_and_lens(rng, _tall(zr, size))
    lifts = rng.normal(0.0, CONTACT_SD_MM, 2)
    lean = (lifts[1] - lifts[0]) / (2.0 * zr[0, 1])
    toward = rng.uniform(0.0, 2.0 * np.pi)
    rotation = rotation_about("z", toward) @ rotation_about("y", lean)
    rotation = rotation @ rotation_about("z", rng.uniform(0.0, 2.0 * np.pi))
    place = pose(rotation, np.array([0.0, 0.0, lifts.mean()]))
    card = random_card(rng)
    flat = laid_card(card, *_at_the_foot(rng, zr), rng.normal(0.0, np.deg2rad(8.0)))
    elevation = np.deg2rad(rng.uniform(20.0, 50.0))
    azimuth = -np.pi / 2.0 + rng.normal(0.0, np.deg2rad(10.0))
    camera = _framed_from(rng, lens, zr, place, [flat], elevation, azimuth)
    check_seen(camera, subject, place, flat)
    check_ends(camera, zr, place)
    return _scene(
        rng, name, "upright", subject, place, flat, camera, phone,
        drawn={"elevation_deg": float(np.rad2deg(elevation)), "contact_lifts_mm": lifts.tolist()},
    )  # fmt: skip


def _in_plane(
    rng: Rng, name: str, size: tuple[int, int], on_lathe: bool, free_end: bool, known: bool = False
) -> Scene:
    subject = _chucked(rng) if on_lathe else _footed(rng)
    zr = subject.zr
    phone, lens = phone_and_lens(rng, size if on_lathe else _tall(zr, size))
    offset = float(rng.normal(0.0, OFFSET_SD_MM))
    spin = rotation_about("z", rng.uniform(0.0, 2.0 * np.pi))
    props: tuple[Prop, ...]
    told: dict[str, Any] = {}
    free = None
    length = float(zr[-1, 0])
    if on_lathe:
        # Chuck on the left at end B, end A on the right.
        height = float(rng.uniform(130.0, 170.0))
        place = pose(
            rotation_about("y", -np.pi / 2.0) @ spin, np.array([length / 2.0, 0.0, height])
        )
        grip = float(rng.uniform(8.0, 18.0))
        free = (0.0, length - grip)
        flat = _held_card(rng, zr, height, offset)
        props = (*lathe(zr, place, grip, not free_end), rod_behind(flat))
    else:
        # Turned over, so that z runs down from the top, as the tool counts.
        zr = np.column_stack([length - zr[::-1, 0], zr[::-1, 1]])
        subject = Subject(zr, subject.material, subject.seed, subject.drawn)
        place = pose(rotation_about("x", np.pi) @ spin, np.array([0.0, 0.0, length]))
        flat = _standing_beside(rng, zr, offset)
        props = (block_behind(flat),)
    seen = zr if free is None else _cut(zr, *free)
    elevation = np.deg2rad(rng.uniform(0.0, 15.0))
    azimuth = -np.pi / 2.0 + rng.normal(0.0, np.deg2rad(5.0))
    camera = _framed_from(rng, lens, seen, place, [flat], elevation, azimuth)
    check_seen(camera, subject, place, flat)
    check_ends(camera, zr, place, (True, False) if on_lathe else (True, True))
    if on_lathe:
        told |= {"from": "right", "box": _box(camera, zr, place, free, not free_end)}
    if known:
        told["known"] = [_caliper_reading(rng, zr, length if free is None else free[1])]
    return _scene(
        rng, name, "plane", subject, place, flat, camera, phone, props=props, told=told, free=free,
        drawn={"elevation_deg": float(np.rad2deg(elevation)), "plane_offset_mm": offset},
    )  # fmt: skip


def _scene(
    rng: Rng, name: str, setup: str, subject: Subject, place: FloatArray, flat: Flat,
    camera: Camera, phone: Any, drawn: dict[str, Any], props: tuple[Prop, ...] = (),
    told: dict[str, Any] | None = None, free: tuple[float, float] | None = None,
) -> Scene:  # fmt: skip
    return Scene(
        name=name,
        seed=subject.seed,
        setup=setup,
        zr=subject.zr,
        piece_to_world=place,
        material=subject.material,
        support=drawn_support(rng),
        support_turn_deg=float(rng.uniform(0.0, 360.0)),
        targets=(flat,),
        camera=camera,
        light=drawn_light(rng),
        phone=phone,
        props=props,
        bench_edge_mm=float(rng.uniform(160.0, 500.0)),
        told=told or {},
        drawn={**subject.drawn, **drawn},
        free_z=free,
    )


def _footed(rng: Rng) -> Subject:
    """Return a piece that can stand, foot at z = 0: broad enough there, and flat."""
    subject = drawn_subject(rng, wooden=FOOTED, steel_share=0.0)
    zr = subject.zr
    if zr[-1, 1] > zr[0, 1]:
        zr = np.column_stack([zr[-1, 0] - zr[::-1, 0], zr[::-1, 1]])
    if zr[0, 1] < max(0.35 * zr[:, 1].max(), zr[-1, 0] / 16.0):
        raise StageError("the piece would topple")
    return Subject(zr, subject.material, subject.seed, subject.drawn)


def _chucked(rng: Rng) -> Subject:
    """Return a piece with a flat end B for the jaws, and a flat end A for the centre."""
    subject = drawn_subject(rng)
    zr = subject.zr
    if zr[0, 1] > zr[-1, 1]:
        zr = np.column_stack([zr[-1, 0] - zr[::-1, 0], zr[::-1, 1]])
    if zr[-1, 1] < 4.0 or zr[zr[:, 0] > zr[-1, 0] - 20.0, 1].max() > 36.0:
        raise StageError("the jaws cannot hold it")
    return Subject(zr, subject.material, subject.seed, subject.drawn)


def _tall(zr: FloatArray, size: tuple[int, int]) -> tuple[int, int]:
    """Hold the phone upright for a piece longer than a card is wide."""
    return (size[1], size[0]) if zr[-1, 0] > 130.0 else size


def _at_the_foot(rng: Rng, zr: FloatArray) -> tuple[float, float]:
    """Return where a card lies flat: beside the foot or before it, 10 mm and more off."""
    clear = float(zr[:, 1].max()) + float(rng.uniform(*GAP_MM))
    if rng.random() < 0.4:
        return float(rng.uniform(-40.0, 40.0)), -(clear + 27.0 + 8.0)
    side = 1.0 if rng.random() < 0.5 else -1.0
    return side * (clear + 43.0 + 4.0), float(rng.uniform(-45.0, 15.0))


def _standing_beside(rng: Rng, zr: FloatArray, offset: float) -> Flat:
    """Return a card on its long edge beside a standing piece, face `offset` before the axis."""
    card = random_card(rng)
    side = 1.0 if rng.random() < 0.5 else -1.0
    x = side * (float(zr[:, 1].max()) + float(rng.uniform(*GAP_MM)) + 43.0)
    height = card.height_mm / 2.0 + 0.3
    return upright_card(card, pose(np.eye(3), np.array([x, -offset, height])))


def _held_card(rng: Rng, zr: FloatArray, height: float, offset: float) -> Flat:
    """Return a card held below or above a horizontal axis, its face `offset` before the axis."""
    card = random_card(rng)
    turn = rng.normal(0.0, np.deg2rad(3.0))
    side = 1.0 if rng.random() < 0.5 else -1.0
    away = float(zr[:, 1].max()) + float(rng.uniform(*GAP_MM)) + 27.0 + 2.5
    place = np.array([rng.uniform(-0.3, 0.3) * zr[-1, 0], -offset, height + side * away])
    return upright_card(card, pose(rotation_about("y", turn), place))


def _framed_from(
    rng: Rng, lens: Camera, zr: FloatArray, place: FloatArray, cards: Iterable[Flat],
    elevation: float, azimuth: float,
) -> Camera:  # fmt: skip
    toward = np.array(
        [
            np.cos(elevation) * np.cos(azimuth),
            np.cos(elevation) * np.sin(azimuth),
            np.sin(elevation),
        ]
    )
    roll = rng.normal(0.0, np.deg2rad(1.5))
    up = rotation_about("y", roll) @ UP
    points = np.concatenate([target_outline(card) for card in cards])
    fill, drift = float(rng.uniform(0.6, 0.85)), rng.uniform(-0.4, 0.4, 2)
    return framed(lens, zr, place, points, toward, up, fill, (drift[0], drift[1]))


def _cut(zr: FloatArray, first: float, last: float) -> FloatArray:
    inside = zr[(zr[:, 0] > first) & (zr[:, 0] < last)]
    ends = [[z, float(np.interp(z, zr[:, 0], zr[:, 1]))] for z in (first, last)]
    return np.concatenate([ends[:1], inside, ends[1:]])


def _box(
    camera: Camera,
    zr: FloatArray,
    place: FloatArray,
    free: tuple[float, float] | None,
    centred: bool,
) -> list[float]:
    """Return the box a turner would draw: clear of the chuck, and of the centre if there is one."""
    first, last = free or (0.0, float(zr[-1, 0]))
    first = first + 3.0 if centred else first - 6.0
    last -= 2.0
    reach = float(zr[:, 1].max()) * 1.12
    corners = [
        place[:3, 3] + z * place[:3, 2] + up * reach * UP for z in (first, last) for up in (-1, 1)
    ]
    pixels = camera.to_pixels(np.array(corners))
    frame = np.array(camera.size_px) - 1.0
    low = np.clip(np.ceil(pixels.min(axis=0)), 0.0, frame)
    high = np.clip(np.floor(pixels.max(axis=0)), 0.0, frame)
    return [float(v) for v in (*low, *(high - low))]


def _caliper_reading(rng: Rng, zr: FloatArray, last: float) -> list[float]:
    """Return [z, diameter] read with calipers where jaws 3 mm wide find the flattest place."""
    z = np.arange(0.3 * last, 0.7 * last, 0.5)
    jaws = z[:, None] + np.linspace(-JAW_MM / 2.0, JAW_MM / 2.0, 13)
    radius = np.interp(jaws, zr[:, 0], zr[:, 1])
    best = int(np.argmin(np.ptp(radius, axis=1) + 1e-4 * np.abs(z - 0.5 * last)))
    # Jaws touch the highest point under them.
    diameter = 2.0 * float(radius[best].max()) + float(rng.normal(0.0, CALIPER_SD_MM))
    return [round(float(z[best]), 1), round(diameter, 2)]
