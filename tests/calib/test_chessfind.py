import numpy as np
import pytest
from boardwarp import BENCH, INK, PAPER, look, warp

from calib.board import BOARDS
from calib.chessfind import chessboard_mm, find_chessboard
from calib.lens import project

SIZE = (1200, 900)
LENS = np.array([1000.0, 605.0, 440.0, 0.04, -0.02])


def chequers(board, mm):
    """A plain chessboard of 10 x 7 squares of 25 mm, in place of the page."""
    square = np.floor(mm / 25.0 + [5.0, 3.5]).astype(int)
    inside = np.all((square >= 0) & (square < [10, 7]), axis=-1)
    paper = np.all(np.abs(mm) < [150.0, 112.5], axis=-1)
    dark = inside & (square.sum(axis=-1) % 2 == 0)
    return np.where(dark, INK, np.where(paper, PAPER, BENCH)).astype(np.float32)


def test_corners_are_exact():
    rotation, translation = look(25, 60, 10, 380, [0.0, 0.0])
    grey = warp(
        BOARDS["a4"], LENS, rotation, translation, SIZE, noise=0.01, sharpen=0.5, page=chequers
    )
    found = find_chessboard(grey, (9, 6), 25.0)
    assert len(found.points_px) == 54
    world = np.column_stack([chessboard_mm((9, 6), 25.0), np.zeros(54)])
    truth = project(world @ rotation.T + translation, LENS)
    # Without marks the two ends of the board are alike: the order may be that from the far end.
    error = min(
        (found.points_px - truth, found.points_px - truth[::-1]), key=lambda e: np.abs(e).max()
    )
    assert np.sqrt(np.mean(error**2)) < 0.03
    assert 0.4 < np.sqrt(np.mean((error / found.sd_px[:, None]) ** 2)) < 1.5


def test_a_board_half_out_of_the_picture_is_none():
    rotation, translation = look(25, 60, 10, 380, [250.0, 0.0])
    grey = warp(BOARDS["a4"], LENS, rotation, translation, SIZE, page=chequers)
    assert find_chessboard(grey, (9, 6), 25.0) is None
    assert find_chessboard(np.zeros((480, 640), np.uint8), (9, 6), 25.0) is None


def test_model_points_are_centred_and_spaced():
    grid = chessboard_mm((9, 6), 25.0)
    assert grid.mean(axis=0) == pytest.approx([0.0, 0.0])
    assert np.ptp(grid, axis=0) == pytest.approx([200.0, 125.0])
