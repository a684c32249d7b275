"""A tuft of bench at an outline is told from a collar of the piece. Drawn pictures."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
import pytest

from measure.outline import refine_outline
from measure.tufts import spikes, without_tufts

TO_LINEAR = ((np.arange(256) / 255.0) ** 2.2).astype(np.float32)
PLANK, GAP, MAPLE = (70, 85, 95), (15, 18, 20), (120, 170, 205)
LEFT, RIGHT, COLLAR = 200.0, 800.0, (480.0, 520.0)


def followed(collar):
    """Return a photo of a maple bar on a dark plank, its outline, and which points spike out.

    The outline goes out round a tongue on both sides: a collar of the piece, or a tongue of plank
    between two gaps.
    """
    photo = np.empty((600, 1000, 3), np.uint8)
    photo[:] = PLANK
    low, high = (int(c) for c in COLLAR)
    cv2.rectangle(photo, (low - 8, 180), (high + 8, 420), GAP, cv2.FILLED)
    cv2.rectangle(photo, (low, 190), (high, 410), MAPLE if collar else PLANK, cv2.FILLED)
    cv2.rectangle(photo, (int(LEFT), 260), (int(RIGHT), 340), MAPLE, cv2.FILLED)
    noise = np.random.default_rng(5).normal(0.0, 2.0, photo.shape)
    photo = cv2.GaussianBlur(np.clip(photo + noise, 0, 255).astype(np.uint8), (0, 0), 0.9)
    corners = [
        (LEFT, 300.0), (LEFT, 340.0), (COLLAR[0], 340.0), (COLLAR[0], 410.0), (COLLAR[1], 410.0),
        (COLLAR[1], 340.0), (RIGHT, 340.0), (RIGHT, 300.0),
    ]  # fmt: skip
    steps = [np.linspace(a, b, 60, endpoint=False) for a, b in pairwise(corners)]
    side = np.concatenate([*steps, [corners[-1]]])
    outline = refine_outline(photo, TO_LINEAR, (side, side * [1.0, -1.0] + [0.0, 600.0]))
    out = np.abs(outline.points_px[:, 1] - 300.0) > 55.0
    return photo, outline, out


def test_a_tongue_of_bench_is_left_out():
    photo, outline, out = followed(collar=False)
    assert outline.clear[out].mean() > 0.5
    left = without_tufts(photo, TO_LINEAR, outline)
    assert not left.clear[out].any()
    beside = np.abs(outline.points_px[:, 0] - 500.0) > 60.0
    assert np.array_equal(left.clear[beside], outline.clear[beside])


def test_a_collar_of_the_piece_stays():
    photo, outline, out = followed(collar=True)
    left = without_tufts(photo, TO_LINEAR, outline)
    assert left.clear[out].mean() > 0.9
    assert np.array_equal(left.clear, outline.clear)


@pytest.mark.parametrize(("turn_deg", "is_spike"), [(0.0, False), (60.0, False), (170.0, True)])
def test_what_comes_back_beside_itself_is_a_spike(turn_deg, is_spike):
    turn = np.deg2rad(turn_deg)
    way = np.arange(1.0, 21.0)[:, None] * 3.0
    there = way * [1.0, 0.0]
    back = there[-1] + way * [np.cos(turn), np.sin(turn)]
    points = np.concatenate([there, back])
    marked = np.zeros(len(points), dtype=bool)
    marked[[5, 6, 7, 32, 33, 34]] = True
    assert spikes(points, marked)[20] == is_spike
