"""Make the sample photos again: `python -m sample_images.make`.

The harbour café had six pepper mills, each of another wood, and one is lost. These are rendered
photos of the others, as a turner would take them before making the sixth, with a truth file
beside each. Every scene is fixed by its seed.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sample_images.rendering.camera import Camera, facing
from sample_images.rendering.cards import drawn_card
from sample_images.rendering.holders import lathe, rod_behind, upright_card
from sample_images.rendering.phone import drawn_phone
from sample_images.rendering.photo import take, taken
from sample_images.rendering.pieces import NAMED, mill_of_the_set
from sample_images.rendering.scene import Board, Flat, Light, Phone, Prop, Scene, pose
from sample_images.rendering.scene import rotation_about as turned
from sample_images.rendering.staging import (
    drawn_camera,
    framed,
    laid_card,
    laid_piece,
    target_outline,
)

__all__ = ["SAMPLES", "main"]

FloatArray = NDArray[np.float64]

SIZE_PX = (4032, 3024)
UP = np.array([0.0, 0.0, 1.0])
AWAY = np.array([0.0, 1.0, 0.0])

WINDOW = Light(150.0, 38.0, 1600.0, 1000.0, 1.4, -0.06)
LAMP = Light(40.0, 65.0, 1200.0, 550.0, 1.2, 0.08)
FRONT = Light(-125.0, 42.0, 1200.0, 500.0, 2.2, 0.04)
HARD = Light(-75.0, 36.0, 950.0, 55.0, 2.6, 0.10)


def _phone(seed: int, size: tuple[int, int] = SIZE_PX) -> tuple[Phone, Camera]:
    """A phone whose file stays small, and its lens."""
    rng = np.random.default_rng([seed, 77])
    phone = replace(drawn_phone(rng, 26), quality=90, subsampling="4:2:0")
    return phone, drawn_camera(rng, size, 26)


def _card(seed: int, art: str, x: float, y: float, turn_deg: float) -> Flat:
    card = drawn_card(np.random.default_rng([seed, 78]), art)
    return laid_card(card, x, y, np.deg2rad(turn_deg))


def _lying(
    name: str, seed: int, zr: FloatArray, material: str, support: str, light: Light, card: Flat,
    tilt_deg: float, toward_deg: float, yaw_deg: float, fill: float = 0.8, orientation: int = 1,
) -> Scene:  # fmt: skip
    phone, lens = _phone(seed)
    lifts = np.random.default_rng([seed, 79]).normal(0.0, 0.05, 2)
    place = laid_piece(zr, np.deg2rad(yaw_deg), 1.0 + seed, (lifts[0], lifts[1]))
    tilt, toward = np.deg2rad([tilt_deg, toward_deg])
    direction = np.array(
        [np.sin(tilt) * np.cos(toward), np.sin(tilt) * np.sin(toward), np.cos(tilt)]
    )
    camera = framed(lens, zr, place, target_outline(card), direction, AWAY, fill)
    return Scene(
        name, seed, "bench", zr, place, material, support, 7.0 * seed, (card,), camera, light,
        replace(phone, orientation=orientation),
        drawn={"tilt_deg": tilt_deg, "contact_lifts_mm": lifts.tolist()},
    )  # fmt: skip


def mill_flat() -> Scene:
    card = _card(1, "colourful", -14.0, -72.0, 4.0)
    return _lying("mill_flat", 1, mill_of_the_set(1), "beech", "board top", LAMP, card, 8, -80, 3)


def mill_tilted() -> Scene:
    card = _card(2, "colourful", 10.0, -74.0, -6.0)
    return _lying(
        "mill_tilted", 2, mill_of_the_set(1), "beech", "board top", LAMP, card, 25, -70, -4
    )


def mill_shadow() -> Scene:
    card = _card(3, "pale", -30.0, -78.0, 9.0)
    return _lying("mill_shadow", 3, mill_of_the_set(2), "teak", "planks", HARD, card, 21, -110, 6)


def mill_dark() -> Scene:
    card = _card(14, "dark", 22.0, -76.0, 186.0)
    zr = mill_of_the_set(3)
    scene = _lying("mill_dark", 4, zr, "walnut", "dark cloth", LAMP, card, 23, -60, 182, 0.8, 3)
    return replace(scene, phone=replace(scene.phone, brightness=0.24))


def mill_pale() -> Scene:
    card = _card(5, "plain back", -5.0, -75.0, 2.0)
    return _lying("mill_pale", 5, mill_of_the_set(4), "maple", "paper", WINDOW, card, 24, -95, -2)


def mill_laminated() -> Scene:
    card = _card(6, "white", 30.0, 79.0, -12.0)
    zr = mill_of_the_set(5)
    return _lying("mill_laminated", 6, zr, "laminated", "grey cloth", LAMP, card, 22, 95, 176)


def borer() -> Scene:
    card = _card(7, "pale", -6.0, -62.0, -3.0)
    zr = NAMED["stepped borer"]()
    return _lying("borer", 7, zr, "steel", "dark planks", WINDOW, card, 20, -75, 4)


def mill_upright() -> Scene:
    """Standing, card at its foot, phone 35 degrees above the bench, held upright."""
    zr = mill_of_the_set(3)
    phone, lens = _phone(8, (3024, 4032))
    place = pose(turned("z", 2.0), np.zeros(3))
    card = _card(8, "pale", 58.0, -66.0, 6.0)
    elevation, azimuth = np.deg2rad([35.0, -96.0])
    direction = np.array(
        [
            np.cos(elevation) * np.cos(azimuth),
            np.cos(elevation) * np.sin(azimuth),
            np.sin(elevation),
        ]
    )
    camera = framed(lens, zr, place, target_outline(card), direction, UP, 0.82)
    return Scene(
        "mill_upright", 8, "upright", zr, place, "walnut", "planks", 12.0, (card,), camera, WINDOW,
        replace(phone, orientation=6), bench_edge_mm=330.0, drawn={"elevation_deg": 35.0},
    )  # fmt: skip


def mill_lathe() -> Scene:
    """In the chuck of a stopped lathe, card held in the plane of the axis, 0.3 mm off."""
    zr = mill_of_the_set(2)
    phone, lens = _phone(9)
    length, height, grip = float(zr[-1, 0]), 150.0, 12.0
    # End A is the knob's; the foot is in the jaws.
    zr = np.column_stack([length - zr[::-1, 0], zr[::-1, 1]])
    place = pose(turned("y", -np.pi / 2.0), np.array([length / 2.0, 0.0, height]))
    card = drawn_card(np.random.default_rng([9, 78]), "colourful")
    flat = upright_card(card, pose(turned("y", 0.03), np.array([10.0, -0.3, height - 74.0])))
    props: tuple[Prop, ...] = (*lathe(zr, place, grip, centre_at_a=False), rod_behind(flat))
    direction = np.array([0.05, -1.0, 0.12])
    camera = framed(lens, zr, place, target_outline(flat), direction, UP, 0.86)
    z = 0.45 * length
    reading = 2.0 * float(np.interp(z, zr[:, 0], zr[:, 1])) + 0.03
    ends = camera.to_pixels(
        np.array([[-length / 2.0 + grip + 2.0, 0.0, height], [length / 2.0 + 6.0, 0.0, height]])
    )
    left, right = float(np.ceil(ends[0, 0])), float(np.floor(ends[1, 0]))
    reach = 0.62 * (right - left) * 58.0 / length
    box = [left, float(round(ends[:, 1].mean() - reach)), right - left, float(round(2.0 * reach))]
    return Scene(
        "mill_lathe", 19, "plane", zr, place, "teak", "planks", 0.0, (flat,), camera, FRONT, phone,
        props, 420.0, {"from": "right", "box": box, "known": [[round(z, 1), round(reading, 2)]]},
        {"plane_offset_mm": 0.3}, (0.0, length - grip),
    )  # fmt: skip


def mill_board() -> Scene:
    """On the printed A4 board, which the printer made 0.3 % small across."""
    zr = mill_of_the_set(4)
    phone, lens = _phone(10)
    lift = pose(np.eye(3), np.array([-3.0, 6.0, 0.1]))
    place = lift @ laid_piece(zr, np.deg2rad(2.0), 3.0)
    page = pose(np.eye(3), np.array([0.0, 0.0, 0.1]))
    board = Board("a4", "", (297.0, 210.0), (297.0 * 0.997, 210.0 * 0.9985), 0.1, page)
    corners = np.array([[x, y, 0.1] for x in (-148.0, 148.0) for y in (-105.0, 105.0)])
    direction = np.array([0.1, -0.3, 1.0])
    camera = framed(lens, zr, place, corners, direction, AWAY, 0.93)
    told = {"target": "a4", "print": {"bar_x": 99.7, "bar_y": 99.8, "bar_u": 0.1}}
    return Scene(
        "mill_board", 10, "bench", zr, place, "maple", "dark planks", 5.0, (board,), camera, LAMP,
        phone, told=told, drawn={"print_scale": [0.997, 0.9985]},
    )  # fmt: skip


def throat() -> Scene:
    """The walnut mill's body on end, its throat up, card level with the face on a block."""
    seed, tall, rim, recess, deep, through = 11, 118.0, 29.0, 21.0, 9.0, 13.0
    zr = np.array(
        [[0.0, 26.0], [60.0, 24.0], [104.0, rim], [tall, rim], [tall, recess],
         [tall - deep, recess], [tall - deep, through], [20.0, through]]
    )  # fmt: skip
    phone, lens = _phone(seed)
    card = drawn_card(np.random.default_rng([seed, 78]), "pale")
    beside = rim + 58.0
    flat = laid_card(card, beside, -6.0, np.deg2rad(84.0))
    lifted = flat.to_world.copy()
    lifted[2, 3] = tall + 0.2
    rest = np.array([72.0, 104.0, tall + 0.2 - flat.thickness_mm])
    block = Prop(
        "block", rest, pose(np.eye(3), np.array([beside, -6.0, rest[2] / 2.0])), (0.4, 0.33, 0.25)
    )
    tilt, toward = np.deg2rad([12.0, -70.0])
    direction = np.array(
        [np.sin(tilt) * np.cos(toward), np.sin(tilt) * np.sin(toward), np.cos(tilt)]
    )
    middle = np.array([0.5 * beside, 0.0, tall])
    rotation, shift = facing(middle + 210.0 * direction, middle, AWAY)
    camera = replace(lens, rotation=rotation, translation=shift, focus_mm=210.0)
    circles = {"rim": 2.0 * rim, "bore": 2.0 * recess, "step1": 2.0 * through}
    return Scene(
        "throat", seed, "end", zr, np.eye(4), "walnut", "planks", 20.0,
        (replace(flat, to_world=lifted),), camera, WINDOW, phone, (block,),
        told={"depth": [f"step1:{deep:g}"]}, drawn={"circles": circles, "level_mm": 0.2},
    )  # fmt: skip


SAMPLES: tuple[Callable[[], Scene], ...] = (
    mill_flat,
    mill_tilted,
    mill_shadow,
    mill_dark,
    mill_pale,
    mill_laminated,
    borer,
    mill_upright,
    mill_lathe,
    mill_board,
    throat,
)
"""Makers of the scenes; a photo is named after its maker."""


def main() -> None:
    """Render the samples that are not there, or whose scene has changed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--only", nargs="*", default=[], metavar="NAME")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent, metavar="DIR")
    options = parser.parse_args()
    for maker in SAMPLES:
        if options.only and maker.__name__ not in options.only:
            continue
        scene = maker()
        if taken(scene, options.out):
            print(f"{scene.name}: there already")
            continue
        start = time.perf_counter()
        photo = take(scene, options.out)
        size = photo.stat().st_size / 1e6
        print(f"{photo.name}: {size:.1f} MB, {time.perf_counter() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
