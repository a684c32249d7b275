"""Straight strokes of a picture, and the frames they make, in drawn pictures."""

import cv2
import numpy as np
import pytest

from calib.strokes import frames, parted, straight_strokes

H, W = 600, 800
BOARD, GRAIN, CARD = (70, 80, 100), (40, 48, 62), (190, 200, 170)


def card_on_boards(lines, turn_deg, seed=0):
    """Return a CIE L*a*b* picture of a card on boards with so many lines of grain, its corners."""
    rng = np.random.default_rng(seed)
    bgr = np.full((H, W, 3), BOARD, dtype=np.uint8)
    for place in rng.uniform(-H, W, lines):
        lean = rng.uniform(-6.0, 6.0)
        start, end = (place, H), (place + H + lean, 0)
        cv2.line(bgr, *(tuple(round(v) for v in p) for p in (start, end)), GRAIN, 1, cv2.LINE_AA)
    turn = np.radians(turn_deg)
    turned = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    box = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * (75.0, 47.0)
    corners = box @ turned.T + (300.0, 330.0)
    cv2.fillPoly(bgr, [np.round(corners * 16).astype(np.int32)], CARD, cv2.LINE_AA, 4)
    lab = cv2.cvtColor(cv2.GaussianBlur(bgr, (0, 0), 1.0), cv2.COLOR_BGR2Lab)
    return np.asarray(lab, dtype=np.uint8), corners


def nearest_px(quads, corners):
    """Return how near the quads come to the corners, whichever of them comes first."""
    turned = [np.roll(corners, k, axis=0) for k in range(4)]
    return min(np.abs(quad - t).max() for quad in quads for t in turned)


@pytest.mark.parametrize("turn_deg", [4.0, -17.0, 82.0])
@pytest.mark.parametrize("lines", [0, 40, 260])
def test_a_card_frames_itself_among_longer_grain(lines, turn_deg):
    lab, corners = card_on_boards(lines, turn_deg)
    strokes = straight_strokes(lab)
    assert nearest_px(frames(strokes, parted(lab, strokes)), corners) < 6.0


def test_strokes_part_by_what_lies_on_both_sides():
    lab = np.full((60, 80, 3), 128, dtype=np.uint8)
    lab[:, 40:, 0] = 178  # an edge, 50 levels
    lab[30, :, 0] = 20  # a line: both its sides are alike
    strokes = np.array([[[39.5, 4.0], [39.5, 26.0]], [[4.0, 30.0], [36.0, 30.0]]])
    np.testing.assert_allclose(parted(lab, strokes), [50.0, 0.0], atol=1e-9)
