import itertools

import cv2
import numpy as np
import pytest

from calib.board import BOARDS, MARK_RATIO, mark_bits

ALL = list(BOARDS.values())
each = pytest.mark.parametrize("board", ALL, ids=lambda b: b.name)


def test_pages_have_the_standard_sizes():
    # ISO 216:2007, table 1 (from memory): A4 210 x 297, A3 297 x 420 mm. US letter, 8 1/2 x 11 in
    # of 25.4 mm (ASME Y14.1, size A, from memory).
    assert BOARDS["a4"].sheet_mm == (297.0, 210.0)
    assert BOARDS["a3"].sheet_mm == (420.0, 297.0)
    assert BOARDS["letter"].sheet_mm == pytest.approx((11 * 25.4, 8.5 * 25.4))
    # The small board lies between a bank-size card and a postcard (ISO 216 A6).
    width, height = BOARDS["pocket"].page_mm
    assert 85.6 < width < 148.0
    assert 53.98 < height < 105.0


@each
def test_chequers_keep_clear_of_the_edge_that_printers_cannot_reach(board):
    margin = (np.array(board.sheet_mm) - board.size_mm) / 2
    assert np.all(margin >= 5.0)


def test_windows_hold_a_piece():
    assert BOARDS["a4"].window_mm == (225.0, 144.0)
    for name in ("a4", "letter", "a3"):
        board = BOARDS[name]
        width, height = board.window_mm
        inside = np.abs(board.corners_mm) < np.array([width, height]) / 2 + 1e-9
        assert not np.any(inside.all(axis=1))
    assert BOARDS["pocket"].window_mm is None


@each
def test_corners_are_where_four_squares_meet(board):
    black = board.black
    for (x, y), black_down in zip(board.corners_mm, board.corners_black_down, strict=True):
        column = round((x + board.size_mm[0] / 2) / board.square_mm)
        row = round((board.size_mm[1] / 2 - y) / board.square_mm)
        around = black[row - 1 : row + 1, column - 1 : column + 1]
        assert around.tolist() in ([[True, False], [False, True]], [[False, True], [True, False]])
        assert around[1, 1] == black_down
        assert board.squares[row - 1 : row + 1, column - 1 : column + 1].all()


@each
def test_corners_are_symmetric_about_the_origin(board):
    there = {(round(x, 6), round(y, 6)) for x, y in board.corners_mm}
    assert {(-x, -y) for x, y in there} == there


@each
def test_marks_lie_in_white_squares_and_every_corner_touches_one(board):
    middles = board.marks_mm.mean(axis=1)
    side = np.linalg.norm(board.marks_mm[:, 1] - board.marks_mm[:, 0], axis=1)
    assert side == pytest.approx(MARK_RATIO * board.square_mm)
    column = np.floor((middles[:, 0] + board.size_mm[0] / 2) / board.square_mm).astype(int)
    row = np.floor((board.size_mm[1] / 2 - middles[:, 1]) / board.square_mm).astype(int)
    assert not np.any(board.black[row, column])
    away = np.abs(board.corners_mm[:, None] - middles).max(axis=2)
    assert np.all((away < 0.51 * board.square_mm).sum(axis=1) == 1)


def test_no_two_boards_share_a_mark():
    for a, b in itertools.combinations(ALL, 2):
        assert not set(a.mark_ids) & set(b.mark_ids)


def test_no_mark_is_solid_or_looks_like_another_or_like_itself_turned():
    looks = {}
    for board in ALL:
        for mark_id in board.mark_ids:
            bits = mark_bits(int(mark_id))
            assert 1 <= bits.sum() <= 15
            for turn in range(4):
                look = np.rot90(bits, turn).tobytes()
                assert looks.setdefault(look, (mark_id, turn)) == (mark_id, turn)


def test_marks_are_the_ones_of_the_open_dictionary():
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_1000)
    for mark_id in (0, 7, 260, 629):
        drawn = cv2.aruco.generateImageMarker(dictionary, mark_id, 6)
        assert np.array_equal(drawn > 127, mark_bits(mark_id))
