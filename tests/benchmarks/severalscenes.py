"""Scenes of three photos each: one piece beside one card, not moved, seen by one moving phone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sample_images.rendering.scene import Scene
from sample_images.rendering.staging import StageError, framed, target_outline
from tests.benchmarks.benchscenes import beside_card
from tests.benchmarks.scenedraws import (
    Subject,
    check_ends,
    check_seen,
    drawn_subject,
    toward_camera,
)
from tests.benchmarks.scenes import FULL_PX, HALF_PX, TRIES

__all__ = ["PHOTOS", "triple"]

Rng = np.random.Generator

PHOTOS = 3
ROW = 7
"""Keeps the draws apart from those of the accuracy table's rows."""
TILTS_DEG = (20.0, 30.0)
AUTOFOCUS_SD = 0.003
"""Focal length from photo to photo, relative; the calibrated rows of the accuracy table carry
the same."""


def triple(number: int, seed: int) -> list[Scene]:
    """Return the photos of one piece; every second set is 2016 x 1512."""
    rng = np.random.default_rng([seed, ROW, number])
    size = HALF_PX if number % 2 else FULL_PX
    for _ in range(TRIES):
        try:
            # Steel is another job's: a boring tool goes to `measure cutter`.
            subject = drawn_subject(rng, steel_share=0.0)
            first = beside_card(rng, f"several-{seed}-{number:02d}-a", size, subject, TILTS_DEG)
            return [first, *(_moved(rng, first, subject, k) for k in range(1, PHOTOS))]
        except StageError:
            continue
    raise RuntimeError(f"no set of photos in {TRIES} draws; the distributions are at odds")


def _moved(rng: Rng, first: Scene, subject: Subject, k: int) -> Scene:
    """The same, the phone about 120 degrees further round."""
    eye = first.camera.position
    azimuth = np.arctan2(eye[1], eye[0]) + 2.0 * np.pi * k / PHOTOS + rng.normal(0.0, 0.3)
    tilt, roll = float(rng.uniform(*TILTS_DEG)), float(rng.normal(0.0, 0.2))
    camera = replace(first.camera, focal_px=first.camera.focal_px * _autofocus(rng))
    flat = first.targets[0]
    camera = framed(
        camera,
        first.zr,
        first.piece_to_world,
        target_outline(flat),
        toward_camera(tilt, azimuth),
        np.array([-np.sin(roll), np.cos(roll), 0.0]),
        float(rng.uniform(0.6, 0.85)),
        (rng.uniform(-0.5, 0.5), rng.uniform(-0.5, 0.5)),
    )
    check_seen(camera, subject, first.piece_to_world, flat)
    check_ends(camera, first.zr, first.piece_to_world)
    return replace(
        first,
        name=f"{first.name[:-1]}{'abcdef'[k]}",
        camera=camera,
        phone=replace(first.phone, seed=int(rng.integers(1 << 30))),
        drawn={**first.drawn, "tilt_deg": tilt},
    )


def _autofocus(rng: Rng) -> float:
    return float(1.0 + rng.normal(0.0, AUTOFOCUS_SD))
