"""Where on a printed board the piece may lie, as seen in the photo."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.board import Board
from calib.sight import CornerSight, Sight
from calib.targets import Target
from calib.view import View
from measure.boardsquares import Zone

__all__ = ["board_zone", "target_zone"]

FloatArray = NDArray[np.float64]

BARE_MM = 10.0
"""Width of the strips of bare paper along the window's long sides."""
TO_THE_EDGE = 1.0
"""Squares beside the outermost saddle points."""


def board_zone(board: Board, corners_mm: FloatArray, view: View) -> Zone | None:
    """Return where the piece is looked for; None for a board without a window.

    Parameters
    ----------
    board : which one; `corners_mm` (n, 2) its saddle points that are seen: what lies on them is
        paper, and what hides the others may be the piece.
    view : of the board.
    """
    if board.window_mm is None:
        return None
    w, h = (side / 2.0 for side in board.window_mm)

    def seen(x0: float, y0: float, x1: float, y1: float) -> FloatArray:
        corners = np.array([[x0, y0, 0.0], [x1, y0, 0.0], [x1, y1, 0.0], [x0, y1, 0.0]])
        return view.to_pixels(corners)

    bare = (seen(-w, h - BARE_MM, w, h), seen(-w, -h, w, -h + BARE_MM))
    page_w, page_h = (side / 2.0 for side in board.page_mm)
    return Zone(
        seen(-page_w, -page_h, page_w, page_h), bare, tuple(_paper(board, corners_mm, view))
    )


def _paper(board: Board, corners_mm: FloatArray, view: View) -> list[FloatArray]:
    """Return a polygon (4, 2) round each saddle point seen, half way to its neighbours."""
    square = board.square_mm
    known = {_place(c, square) for c in board.corners_mm}
    w, h = (side / 2.0 for side in board.page_mm)
    polygons = []
    for corner in corners_mm:
        i, j = _place(corner, square)
        reach = [
            0.5 if (i + di, j + dj) in known else TO_THE_EDGE
            for di, dj in ((-1, 0), (1, 0), (0, -1), (0, 1))
        ]
        left, right, low, high = (r * square for r in reach)
        x, y = corner
        # The frame's outer border is as bare as its squares.
        x0 = -w if x - left < -0.5 * board.size_mm[0] + 0.1 else x - left
        x1 = w if x + right > 0.5 * board.size_mm[0] - 0.1 else x + right
        y0 = -h if y - low < -0.5 * board.size_mm[1] + 0.1 else y - low
        y1 = h if y + high > 0.5 * board.size_mm[1] - 0.1 else y + high
        corners = np.array([[x0, y0, 0.0], [x1, y0, 0.0], [x1, y1, 0.0], [x0, y1, 0.0]])
        polygons.append(view.to_pixels(corners))
    return polygons


def _place(corner: FloatArray, square: float) -> tuple[int, int]:
    x, y = (2.0 * corner / square).round().astype(int).tolist()
    return x // 2, y // 2


def target_zone(target: Target, sight: Sight, view: View) -> Zone | None:
    """Return where a found board lets the piece lie; None for a card."""
    if not isinstance(target, Board) or not isinstance(sight, CornerSight):
        return None
    return board_zone(target, sight.points_mm, view)
