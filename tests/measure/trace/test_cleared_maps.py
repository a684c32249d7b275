"""A piece among things of its own colour, which the picture's border cuts: drawn, and found."""

import cv2
import numpy as np
import pytest

from measure.plainoutline import cleared_silhouettes, plain_silhouettes
from measure.scene import cleared_maps, prepare

CARD = np.array([[600.0, 560.0], [860.0, 560.0], [860.0, 720.0], [600.0, 720.0]])
BENCH, WOOD = (70, 60, 50), (120, 170, 210)
PIECE = (200, 250, 560, 110)
OFFCUTS = ((0, 0, 170, 60), (880, 90, 128, 170), (230, 690, 240, 66))
INTRINSICS = np.array([[900.0, 0.0, 503.5], [0.0, 900.0, 377.5], [0.0, 0.0, 1.0]])


def drawn(*offcuts):
    """Return a scene of the piece and of offcuts of its wood, (x, y, width, height) each."""
    bgr = np.full((756, 1008, 3), BENCH, np.uint8)
    cv2.fillPoly(bgr, [CARD.astype(np.int32)], (230, 230, 230))
    for x, y, width, height in (PIECE, *offcuts):
        cv2.rectangle(bgr, (x, y), (x + width, y + height), WOOD, -1)
    noise = np.random.default_rng(4).normal(0.0, 4.0, bgr.shape)
    return prepare(np.clip(bgr + noise, 0, 255).astype(np.uint8), [CARD], None)


def shown(scene, piece_map):
    """Return the share of the piece that a piece map shows."""
    x, y, width, height = (round(scene.scale * value) for value in PIECE)
    return float(np.mean(piece_map[y : y + height, x : x + width] > 0))


def outlines_of_piece(scene, silhouettes):
    """Return how many outlines lie within 10 pixels of the piece's long sides."""
    low, high = PIECE[1], PIECE[1] + PIECE[3]
    count = 0
    for silhouette in silhouettes(scene, INTRINSICS):
        tops = sorted(float(np.median(side[:, 1])) for side in silhouette.sides_px(scene))
        count += abs(tops[0] - low) < 10.0 and abs(tops[1] - high) < 10.0
    return count


def test_offcuts_at_the_border_hide_the_piece_and_do_not_once_they_are_cleared():
    scene = drawn(*OFFCUTS)
    assert shown(scene, scene.maps[0]) < 0.5
    assert outlines_of_piece(scene, plain_silhouettes) == 0
    assert max(shown(scene, piece) for piece in cleared_maps(scene)) > 0.95
    assert outlines_of_piece(scene, cleared_silhouettes) >= 1


def test_on_a_bare_bench_there_is_nothing_to_clear():
    scene = drawn()
    assert shown(scene, scene.maps[0]) > 0.95
    assert cleared_maps(scene) == ()


@pytest.mark.parametrize("box", [(150.0, 200.0, 700.0, 200.0)])
def test_within_a_box_nothing_is_cleared(box):
    bgr = np.full((756, 1008, 3), BENCH, np.uint8)
    assert cleared_maps(prepare(bgr, [CARD], box)) == ()
