"""What is no piece seen from the side: discs and strips, as planes through the camera show them."""

import numpy as np
import pytest
from exact_piece import SPACING_PX
from exact_scene import scene, seen

from measure.facelike import along_card_share, encloses_card, is_disc
from measure.outline import Outline


def outline_through(points):
    ahead = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    tangents = ahead / np.linalg.norm(ahead, axis=1, keepdims=True)
    n = len(points)
    return Outline(points, tangents, *[np.zeros(n)] * 3, np.ones(n, dtype=bool))


def walked(corners):
    legs = zip(corners, np.roll(corners, -1, axis=0), strict=True)
    return np.vstack(
        [
            p
            + np.linspace(0.0, 1.0, int(np.hypot(*(q - p)) / SPACING_PX), False)[:, None] * (q - p)
            for p, q in legs
        ]
    )


@pytest.mark.parametrize("height", [20.0, 120.0])
def test_a_face_level_with_the_card_is_a_disc_at_any_height(height):
    it = scene("bench", np.random.default_rng(4))
    angle = np.linspace(0.0, 2.0 * np.pi, 400, endpoint=False)
    ring = np.column_stack([30 * np.cos(angle), 70 + 30 * np.sin(angle), np.full(400, height)])
    assert is_disc(outline_through(it.view.to_pixels(ring)), it.view, 20.0)


@pytest.mark.parametrize("setup", ["bench", "plane"])
def test_a_piece_from_the_side_is_no_disc_and_no_strip(setup):
    rng = np.random.default_rng(8)
    for _ in range(6):
        it = scene(setup, rng)
        _, found, outline = seen(it, rng)
        assert not is_disc(outline, it.view, 20.0)
        assert along_card_share(outline, found.sight.corners_px, 0.1) < 0.05


def test_what_a_card_lies_on_encloses_it():
    rng = np.random.default_rng(10)
    it = scene("bench", rng)
    _, found, outline = seen(it, rng)
    card = found.sight.corners_px
    wider = card.mean(axis=0) + 1.3 * (card - card.mean(axis=0))
    assert encloses_card(outline_through(walked(wider)), card)
    assert not encloses_card(outline, card)


def test_a_strip_between_the_card_and_the_edge_of_its_sheet_runs_along_the_card():
    rng = np.random.default_rng(9)
    it = scene("bench", rng)
    _, found, _ = seen(it, rng)
    card = found.sight.corners_px
    outward = card[0] - card[3]
    strip = np.array([card[0], card[0] + 0.2 * outward, card[1] + 0.3 * outward, card[1]])
    outline = outline_through(walked(strip))
    assert along_card_share(outline, card, 0.1) > 0.3
