"""The printed boards: a frame of chequers with identity marks round an empty window.

Board frame: origin at the centre of the page (of the cut-out board for `pocket`), X right, Y up,
Z out of the paper toward the camera, right-handed, millimetres, page landscape. Squares are
counted (column, row) from the top left. Saddle points, where four squares meet, carry the
measurement; the marks only say which saddle point is which.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["BOARDS", "MARK_MODULES", "MARK_RATIO", "Board", "mark_bits"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
AnyArray = NDArray[np.floating[Any]]

MARK_RATIO = 0.6
"""Side of a mark over the side of its square. The white left round it keeps the saddle clear: at
2.5 px of blur and 33 px squares a ratio of 0.7 moved the corners by 0.05 px rms, 0.6 by 0.017."""
MARK_MODULES = 6
"""Modules along a mark's side: 4 that carry the code and a black border of one."""


@dataclass(frozen=True, slots=True)
class Board:
    """One size of printed board.

    Attributes
    ----------
    name : as typed after `--size` and `--target`.
    page_mm : (width, height) of the page, or of the board cut out of it, landscape.
    sheet_mm : (width, height) of the sheet that goes through the printer.
    square_mm : side of a chequer.
    columns, rows : chequers across and down.
    frame : width of the frame in chequers; 0 for a full chequer without window.
    first_id : lowest identity mark; no two sizes share one, so a photo tells the size.
    thickness_mm : of the paper; a piece beside the sheet rests this much below its face.
    """

    name: str
    page_mm: tuple[float, float]
    sheet_mm: tuple[float, float]
    square_mm: float
    columns: int
    rows: int
    frame: int
    first_id: int
    thickness_mm: float = 0.1

    @property
    def size_mm(self) -> tuple[float, float]:
        """(width, height) of the chequered area."""
        return self.columns * self.square_mm, self.rows * self.square_mm

    @property
    def window_mm(self) -> tuple[float, float] | None:
        """(width, height) of the empty window round the origin, or None."""
        if not self.frame:
            return None
        across = (self.columns - 2 * self.frame) * self.square_mm
        return across, (self.rows - 2 * self.frame) * self.square_mm

    @property
    def squares(self) -> BoolArray:
        """Which squares are part of the frame, shape (rows, columns)."""
        inside = np.ones((self.rows, self.columns), dtype=np.bool_)
        if self.frame:
            inside[self.frame : -self.frame, self.frame : -self.frame] = False
        return inside

    @property
    def black(self) -> BoolArray:
        """Which squares are printed black, shape (rows, columns)."""
        row, column = np.indices((self.rows, self.columns))
        return np.asarray(self.squares & ((row + column) % 2 == 0))

    @property
    def corners_mm(self) -> FloatArray:
        """Saddle points, shape (n, 2), board frame; do not write into it."""
        return _corners(self)[0]

    @property
    def corners_black_down(self) -> BoolArray:
        """Whether the square down right of each saddle point is black, shape (n,)."""
        return _corners(self)[1]

    @property
    def mark_ids(self) -> IntArray:
        """Identity marks, shape (m,)."""
        return _marks(self)[0]

    @property
    def marks_mm(self) -> FloatArray:
        """Corners of the marks, shape (m, 4, 2), clockwise from the top left, board frame."""
        return _marks(self)[1]

    def place_mm(self, column: AnyArray, row: AnyArray) -> FloatArray:
        """Return board coordinates, shape (..., 2), of positions counted in squares."""
        width, height = self.size_mm
        return np.stack(
            [column * self.square_mm - width / 2.0, height / 2.0 - row * self.square_mm], axis=-1
        )


@cache
def _corners(board: Board) -> tuple[FloatArray, BoolArray]:
    inside = board.squares
    whole = inside[:-1, :-1] & inside[1:, :-1] & inside[:-1, 1:] & inside[1:, 1:]
    row, column = np.nonzero(whole)
    points = board.place_mm(column + 1.0, row + 1.0)
    return points, board.black[row + 1, column + 1]


@cache
def _marks(board: Board) -> tuple[IntArray, FloatArray]:
    row, column = np.indices((board.rows, board.columns))
    # Every second white square: each saddle point then touches one mark and one plain square.
    row, column = np.nonzero(board.squares & ((row + column) % 2 == 1) & (row % 2 == 0))
    middle = np.stack([column + 0.5, row + 0.5], axis=-1)
    half = MARK_RATIO / 2.0
    offsets = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    corners = middle[:, None, :] + offsets
    ids = board.first_id + np.arange(len(middle))
    return ids, board.place_mm(corners[..., 0], corners[..., 1])


def mark_bits(mark_id: int) -> BoolArray:
    """Return the modules of a mark, border included, shape (6, 6), True where white.

    The marks are those of OpenCV's dictionary DICT_4X4_1000.
    """
    import cv2

    words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_1000).bytesList
    code = cv2.aruco.Dictionary.getBitsFromByteList(words[mark_id : mark_id + 1], 4)
    modules = np.zeros((MARK_MODULES, MARK_MODULES), dtype=np.bool_)
    modules[1:-1, 1:-1] = np.asarray(code).reshape(4, 4) > 0
    return modules


# Pages: ISO 216 (A3, A4), ASME Y14.1 size A, which is US letter (8.5 x 11 in).
# Every page keeps 5 mm and more of white, which an ordinary printer cannot reach.
_A4 = (297.0, 210.0)
BOARDS: dict[str, Board] = {
    board.name: board
    for board in (
        Board("a4", _A4, _A4, 9.0, 31, 22, 3, 0),
        Board("letter", (279.4, 215.9), (279.4, 215.9), 9.0, 29, 22, 3, 200),
        Board("a3", (420.0, 297.0), (420.0, 297.0), 10.0, 40, 28, 3, 400),
        Board("pocket", (123.0, 87.0), _A4, 9.0, 13, 9, 0, 600),
    )
}
"""The boards that `calib card` prints, by name."""
