"""Scenes of the rows whose piece lies on the bench: beside a card, or on the A4 board."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.rendering.camera import Camera
from sample_images.rendering.scene import Board, Scene, pose
from sample_images.rendering.staging import (
    StageError,
    framed,
    laid_piece,
    outline_px,
    placed_beside,
    target_outline,
)
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
    toward_camera,
)

__all__ = ["beside_card", "board_scene", "card_scene"]

FloatArray = NDArray[np.float64]
Rng = np.random.Generator

A4_MM = (297.0, 210.0)
WINDOW_MM = (225.0, 144.0)
"""The A4 board's window; a test holds it against the board's own definition."""
PAPER_MM = 0.1
PRINTER_SD = 0.004
"""How far printers are off from actual size, by direction (common practice, no source)."""


def card_scene(
    rng: Rng, name: str, size: tuple[int, int], number: int, tilts: tuple[float, float]
) -> Scene:
    """A piece lying beside an ID-1 card, the phone above, tilted by `tilts` degrees."""
    return beside_card(rng, name, size, drawn_subject(rng), tilts)


def beside_card(
    rng: Rng, name: str, size: tuple[int, int], subject: Subject, tilts: tuple[float, float]
) -> Scene:
    """A given piece lying beside an ID-1 card."""
    phone, lens = phone_and_lens(rng, size)
    yaw = rng.normal(0.0, np.deg2rad(6.0)) + (np.pi if rng.random() < 0.5 else 0.0)
    lifts = rng.normal(0.0, CONTACT_SD_MM, 2)
    place = laid_piece(subject.zr, yaw, rng.uniform(0.0, 2.0 * np.pi), (lifts[0], lifts[1]))
    card = random_card(rng)
    side = 1 if rng.random() < 0.5 else -1
    flat = placed_beside(rng, card, subject.zr, yaw, float(rng.uniform(*GAP_MM)), side)
    tilt = float(rng.uniform(*tilts))
    toward = toward_camera(tilt, rng.uniform(0.0, 2.0 * np.pi))
    camera = framed(
        lens,
        subject.zr,
        place,
        target_outline(flat),
        toward,
        np.array([0.0, 1.0, 0.0]),
        float(rng.uniform(0.6, 0.85)),
        (rng.uniform(-0.5, 0.5), rng.uniform(-0.5, 0.5)),
    )
    check_seen(camera, subject, place, flat)
    check_ends(camera, subject.zr, place)
    return Scene(
        name=name,
        seed=subject.seed,
        setup="bench",
        zr=subject.zr,
        piece_to_world=place,
        material=subject.material,
        support=drawn_support(rng),
        support_turn_deg=float(rng.uniform(0.0, 360.0)),
        targets=(flat,),
        camera=camera,
        light=drawn_light(rng),
        phone=phone,
        drawn={**subject.drawn, "tilt_deg": tilt, "contact_lifts_mm": lifts.tolist()},
    )


def board_scene(rng: Rng, name: str, size: tuple[int, int], number: int, calibrated: bool) -> Scene:
    """A piece lying on the A4 board in its window; what is known of print and lens by row."""
    subject = drawn_subject(rng, longest_mm=WINDOW_MM[0] - 15.0)
    phone, lens = phone_and_lens(rng, size)
    yaw = rng.normal(0.0, np.deg2rad(4.0)) + (np.pi if rng.random() < 0.5 else 0.0)
    lifts = rng.normal(0.0, CONTACT_SD_MM, 2)
    place = laid_piece(subject.zr, yaw, rng.uniform(0.0, 2.0 * np.pi), (lifts[0], lifts[1]))
    off = rng.uniform(-1.0, 1.0, 2) * (5.0, 25.0)
    place = pose(np.eye(3), np.array([off[0], off[1], PAPER_MM])) @ place
    scale = 1.0 + np.clip(rng.normal(0.0, PRINTER_SD, 2), -0.01, 0.01)
    page = pose(np.eye(3), np.array([0.0, 0.0, PAPER_MM]))
    board = Board("a4", "", A4_MM, (A4_MM[0] * scale[0], A4_MM[1] * scale[1]), PAPER_MM, page)
    _check_in_window(subject.zr, place)
    tilt = float(rng.uniform(5.0, 25.0))
    corners = np.array([[x, y, PAPER_MM] for x in (-1, 1) for y in (-1, 1)]) * (148.5, 105.0, 1.0)
    camera = framed(
        lens,
        subject.zr,
        place,
        corners,
        toward_camera(tilt, rng.uniform(0.0, 2.0 * np.pi)),
        np.array([0.0, 1.0, 0.0]),
        float(rng.uniform(0.85, 0.96)),
        (rng.uniform(-0.5, 0.5), rng.uniform(-0.5, 0.5)),
    )
    pixels = outline_px(camera, subject.zr, place)
    if pixels.min() < 0.0 or np.any(pixels.max(axis=0) > np.array(size) - 1.0):
        raise StageError("the piece leaves the frame")
    check_ends(camera, subject.zr, place)
    told = {"target": "a4", "print": _measured_bars(rng, scale, 0.05 if calibrated else 0.1)}
    if calibrated:
        told["lens"] = _calibrated_lens(rng, camera)
    return Scene(
        name=name,
        seed=subject.seed,
        setup="bench",
        zr=subject.zr,
        piece_to_world=place,
        material=subject.material,
        support=drawn_support(rng),
        support_turn_deg=float(rng.uniform(0.0, 360.0)),
        targets=(board,),
        camera=camera,
        light=drawn_light(rng),
        phone=phone,
        told=told,
        drawn={
            **subject.drawn,
            "tilt_deg": tilt,
            "contact_lifts_mm": lifts.tolist(),
            "print_scale": scale.tolist(),
        },
    )


def _check_in_window(zr: FloatArray, place: FloatArray) -> None:
    """Refuse a piece that covers the board's chequers: it is laid in the window."""
    centres = place[:3, 3] + zr[:, :1] * place[:3, 2]
    across = np.hypot(place[0, 2], place[1, 2])
    reach_x = np.abs(centres[:, 0]) + zr[:, 1] * abs(place[1, 2]) / across
    reach_y = np.abs(centres[:, 1]) + zr[:, 1] * abs(place[0, 2]) / across
    if reach_x.max() > WINDOW_MM[0] / 2.0 or reach_y.max() > WINDOW_MM[1] / 2.0:
        raise StageError("the piece lies on the chequers")


def _measured_bars(rng: Rng, scale: FloatArray, u_mm: float) -> dict[str, float]:
    """What the turner read off the 100 mm check bars, with a standard uncertainty of u_mm."""
    read = 100.0 * scale + rng.normal(0.0, u_mm, 2)
    return {"bar_x": round(float(read[0]), 2), "bar_y": round(float(read[1]), 2), "bar_u": u_mm}


def _calibrated_lens(rng: Rng, camera: Camera) -> dict[str, Any]:
    """Return a calibration of this very lens, off by drawn errors of the stated sizes.

    The focal length is off by the calibration's 0.1 % and by the autofocus's 0.3 %, which moved
    since; the principal point by 3 px at 12 MP.
    """
    pp_sd = 3.0 * float(np.hypot(*camera.size_px)) / 5040.0
    focal = camera.focal_px * (1.0 + rng.normal(0.0, 0.001)) * (1.0 + rng.normal(0.0, 0.003))
    shift = rng.normal(0.0, pp_sd, 2)
    return {
        "focal_px": float(focal),
        "centre_px": [camera.centre_px[0] + shift[0], camera.centre_px[1] + shift[1]],
        "k1": camera.k1 + float(rng.normal(0.0, 0.002)),
        "k2": camera.k2 + float(rng.normal(0.0, 0.003)),
        "size_px": list(camera.size_px),
        "focal_relative_sd": 0.001,
        "autofocus_relative_sd": 0.003,
        "centre_sd_px": pp_sd,
        "k1_sd": 0.002,
        "k2_sd": 0.003,
    }
