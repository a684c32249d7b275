"""What of a printed board is seen beside a piece: drawn pictures whose truth is known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from measure.boardsquares import Zone, squares_seen, surely_paper
from measure.paired import paired_rim

SIDE, COLUMNS, ROWS = 24, 8, 16
PAGE = np.array([[20.0, 20.0], [380.0, 20.0], [380.0, 440.0], [20.0, 440.0]])
LINEAR = (np.linspace(0.0, 1.0, 256) ** 2.2).astype(np.float32)
WOODS = {"maple": (0.42, 0.56, 0.68), "cherry": (0.16, 0.27, 0.46), "walnut": (0.05, 0.085, 0.13)}
"""Linear blue, green, red (from memory)."""


def board(lamp):
    """Return linear light of a page with two columns of squares, and polygons round each corner."""
    light = np.full((460, 400, 3), 0.3)
    cv2.fillPoly(light, [PAGE.astype(np.int32)], (0.85, 0.85, 0.85))
    for row in range(ROWS):
        for column in range(2):
            if (row + column) % 2:
                x, y = 60 + SIDE * column, 30 + SIDE * row
                light[y : y + SIDE, x : x + SIDE] = 0.04
    middles = [(60.0 + SIDE, 30.0 + SIDE * row) for row in range(1, ROWS)]
    half = 0.5 * SIDE
    round_it = np.array([[-SIDE, -half], [SIDE, -half], [SIDE, half], [-SIDE, half]])
    return light * lamp, tuple(np.array(middle) + round_it for middle in middles)


def photo(light, noise=0.004):
    noisy = light + np.random.default_rng(3).normal(0.0, noise, light.shape)
    return np.round(255.0 * np.clip(noisy, 0.0, 1.0) ** (1.0 / 2.2)).astype(np.uint8)


def seen(light, polygons):
    bgr = photo(light)
    lab = np.asarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2Lab), dtype=np.uint8)
    zone = Zone(PAGE, (), polygons)
    return squares_seen(zone, lab, 1.0) > 0, zone


def evening(shape):
    """Return a lamp that is blue from one side and warm from the other, (h, w, 3)."""
    along = np.linspace(0.0, 1.0, shape[1])[None, :, None]
    return np.broadcast_to((1 - along) * (1.0, 0.8, 0.55) + along * (0.55, 0.75, 1.0), (*shape, 3))


@pytest.mark.parametrize("wood", WOODS)
@pytest.mark.parametrize("coloured", [False, True])
def test_a_tenon_over_part_of_a_square_is_not_of_the_board(wood, coloured):
    lamp = evening((460, 400)) if coloured else 1.0
    light, polygons = board(lamp)
    light[205:245, 90:300] = (np.ones((460, 400, 3)) * WOODS[wood] * lamp)[205:245, 90:300]
    squares, _ = seen(light, polygons)
    assert np.mean(squares[208:242, 93:106]) < 0.05
    assert np.mean(squares[48:190, 64:104]) > 0.99


@pytest.mark.parametrize("coloured", [False, True])
def test_print_and_paper_are_of_the_board_in_light_of_any_colour(coloured):
    light, polygons = board(evening((460, 400)) if coloured else 1.0)
    squares, _ = seen(light, polygons)
    assert np.mean(squares[48:390, 64:104]) > 0.99


def test_a_grey_shadow_on_the_board_is_no_piece():
    light, polygons = board(1.0)
    light[200:260, 60:300] *= 0.35
    squares, _ = seen(light, polygons)
    assert np.mean(squares[200:260, 64:104]) > 0.99


def test_the_rim_is_not_led_astray_by_a_printed_square_behind_the_end():
    # A white square between three black ones, beyond the end, mirrors itself as a tenon would.
    light, polygons = board(1.0)
    middle, end = 30.0 + 7.5 * SIDE, 100.0
    light[int(middle) - 70 : int(middle) + 70, int(end) : 330] = WOODS["cherry"]
    bgr = cv2.GaussianBlur(photo(light), (0, 0), 0.8)
    squares, zone = seen(light, polygons)
    half = [(60.0 + SIDE, 0.0), (60.0 + SIDE, 12.0), (end, 12.0), (end, 70.0), (329.0, 70.0)]
    rough = [np.array([[x, middle + way * r] for x, r in (*half, (330.0, 0.0))]) for way in (1, -1)]
    camera = np.array([[500.0, 0.0, 199.5], [0.0, 500.0, 229.5], [0.0, 0.0, 1.0]])
    ends = []
    for paper in (None, surely_paper(zone, squares.astype(np.uint8), 1.0)):
        rim = paired_rim(bgr, LINEAR, camera, (rough[0], rough[1]), 1.0, paper)
        ends.append(min(float(side[:, 0].min()) for side in rim.sides_px))
    assert ends[0] < end - 10.0
    assert abs(ends[1] - end) < 2.0
