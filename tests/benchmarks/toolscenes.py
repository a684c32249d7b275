"""Scenes of boring tools for the accuracy of `measure cutter`: ground, rusty, off centre.

A scene depends on its kind, the seed and its number alone. A tool off centre is a shank with a
head beside its axis, photographed twice, turned a quarter about its length between.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sample_images.rendering.meridian import Meridian
from sample_images.rendering.scene import Prop, Scene, pose
from sample_images.rendering.staging import (
    StageError,
    framed,
    laid_piece,
    placed_beside,
    target_outline,
)
from tests.benchmarks.scenedraws import (
    GAP_MM,
    Subject,
    check_seen,
    drawn_light,
    phone_and_lens,
    random_card,
    toward_camera,
)

__all__ = ["KINDS", "tool_scenes"]

FloatArray = NDArray[np.float64]
Rng = np.random.Generator

KINDS = ("ground", "rusty", "off centre")
SUPPORTS = ("paper", "planks", "dark cloth", "grey cloth")
FULL_PX, HALF_PX = (4032, 3024), (2016, 1512)
RUST = (0.20, 0.095, 0.05)
OFFSET_MM = 0.4
TRIES = 300


def tool_scenes(kind: str, count: int, seed: int, size: tuple[int, int] = HALF_PX) -> list[Scene]:
    """Return the scenes of the first `count` tools; two each for "off centre".

    Raises
    ------
    ValueError
        No such kind.
    """
    if kind not in KINDS:
        raise ValueError(f"got kind {kind!r}, need one of {KINDS}")
    scenes: list[Scene] = []
    for number in range(count):
        rng = np.random.default_rng([seed, 90 + KINDS.index(kind), number])
        name = f"{kind.replace(' ', '-')}-{seed}-{number:02d}"
        for _ in range(TRIES):
            try:
                scenes += _photos(rng, kind, name, size)
                break
            except StageError:
                continue
        else:
            raise RuntimeError(f"no scene of {kind} in {TRIES} draws")
    return scenes


def _photos(rng: Rng, kind: str, name: str, size: tuple[int, int]) -> list[Scene]:
    steps = _drawn_steps(rng)
    if kind != "off centre":
        return [_scene(rng, kind, name, size, steps, np.zeros(2), 0.0)]
    way = rng.uniform(0.0, 2.0 * np.pi)
    offset = OFFSET_MM * np.array([np.cos(way), np.sin(way)])
    return [
        _scene(rng, kind, f"{name}-{turned:.0f}", size, steps, offset, turned)
        for turned in (0.0, 90.0)
    ]


def _drawn_steps(rng: Rng) -> list[tuple[float, float]]:
    """Return (length, radius) from the shank on: shank, cutting steps, pilot."""
    u = rng.uniform
    steps = [(u(35.0, 60.0), u(4.0, 6.5))]
    radius = u(14.0, 21.0)
    for _ in range(int(rng.integers(1, 4))):
        steps.append((u(8.0, 22.0), radius))
        radius -= u(1.0, 3.0)
    steps.append((u(20.0, 40.0), max(u(7.0, 12.5), 7.0)))
    return steps


def _meridian(steps: list[tuple[float, float]], chamfer: float) -> FloatArray:
    m = Meridian().start(steps[0][1] - chamfer).line(chamfer, chamfer)
    for index, (length, radius) in enumerate(steps):
        m.to(radius)
        cut = chamfer if index in (0, len(steps) - 1) else 0.0
        m.line(length - cut)
    m.line(chamfer, -chamfer)
    return np.array(m.points)


def _scene(
    rng: Rng,
    kind: str,
    name: str,
    size: tuple[int, int],
    steps: list[tuple[float, float]],
    offset: FloatArray,
    turned_deg: float,
) -> Scene:
    zr = _meridian(steps, 0.5)
    phone, lens = phone_and_lens(rng, size)
    yaw = rng.normal(0.0, np.deg2rad(6.0)) + (np.pi if rng.random() < 0.5 else 0.0)
    # The head's offset toward the bench lifts the tool, so it is laid down as it reaches there.
    spin = np.deg2rad(turned_deg)
    reach = zr.copy()
    head = zr[:, 0] > steps[0][0] + 1e-6
    place = laid_piece(zr, yaw, spin)
    down = place[:3, :2].T @ np.array([0.0, 0.0, -1.0])
    reach[head, 1] += float(offset @ down)
    place = laid_piece(reach, yaw, spin)
    props, piece = _parts(kind, zr, steps, place, offset)
    card = random_card(rng)
    side = 1 if rng.random() < 0.5 else -1
    flat = placed_beside(rng, card, zr, yaw, float(rng.uniform(*GAP_MM)), side)
    tilt = float(rng.uniform(5.0, 30.0))
    camera = framed(
        lens,
        zr,
        place,
        target_outline(flat),
        toward_camera(tilt, rng.uniform(0.0, 2.0 * np.pi)),
        np.array([0.0, 1.0, 0.0]),
        float(rng.uniform(0.6, 0.85)),
        (rng.uniform(-0.5, 0.5), rng.uniform(-0.5, 0.5)),
    )
    check_seen(camera, Subject(zr, "steel", 0), place, flat)
    ends = np.cumsum([0.0, *(length for length, _ in steps)])
    return Scene(
        name=name,
        seed=int(rng.integers(1 << 30)),
        setup="bench",
        zr=piece,
        piece_to_world=place,
        material="steel",
        support=str(rng.choice(SUPPORTS)),
        support_turn_deg=float(rng.uniform(0.0, 360.0)),
        targets=(flat,),
        camera=camera,
        light=drawn_light(rng),
        phone=phone,
        props=props,
        drawn={
            "kind": kind,
            "tilt_deg": tilt,
            "steps": [
                [float(a), float(b), 2.0 * r]
                for a, b, (_, r) in zip(ends[:-1], ends[1:], steps, strict=True)
            ],
            "offset_mm": offset.tolist(),
            "turned_deg": turned_deg,
        },
    )


def _parts(
    kind: str,
    zr: FloatArray,
    steps: list[tuple[float, float]],
    place: FloatArray,
    offset: FloatArray,
) -> tuple[tuple[Prop, ...], FloatArray]:
    """Return the props and the meridian of the piece proper: all of it, or its shank."""
    if kind == "ground":
        return (), zr
    cut = steps[0][0]
    shank = zr[zr[:, 0] <= cut + 1e-9]
    shank = shank[: int(np.argmax(np.abs(shank[:, 0] - cut) < 1e-9)) + 1]
    head = zr[zr[:, 0] >= cut - 1e-9][1:]
    moved = place @ pose(np.eye(3), np.array([offset[0], offset[1], 0.0]))
    if kind == "rusty":
        return (Prop("turned", head, moved, RUST),), shank
    return (Prop("turned", head, moved, (0.95, 0.95, 0.95), metal=True),), shank
