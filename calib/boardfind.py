"""Finding a printed board in a photo: which size, and its saddle points to sub-pixel.

Marks found on a reduced picture say which board it is and about where its corners lie; every
corner is then refined at full resolution, and kept only if its surroundings are chequers.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.board import BOARDS, Board
from calib.markfind import find_marks
from calib.saddle import find_saddles, picture_noise

__all__ = ["BoardSighting", "find_board"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Grey = NDArray[np.uint8]

REDUCED_PX = 1400
"""Long side of the picture on which marks are looked for first, pixels."""
FEWEST_MARKS = 4
"""Fewer agreeing marks than this are no board."""
ENOUGH_MARKS = 10
"""With fewer the marks are looked for again on a larger picture."""
FEWEST_CORNERS = 8
PASSES = 5
RADIUS_SQUARES = 0.24
"""Radius of the saddle fit, in squares; a mark begins at 0.28."""
SMALLEST_RADIUS_PX, LARGEST_RADIUS_PX = 3.5, 11.0
SADDLE_SD_PX = 0.06
"""Scatter of the saddle fit without noise, per axis, pixels times the radius in pixels."""
SPREAD_AT_SADDLE_SD, SPREAD_TENFOLD = 0.20, 0.06
"""Where blur reaches across the chequers the saddle suffers: by as much again as that scatter
at the first spread of brightness within a chequer (as a fraction of the contrast), ten times
that for each further step of the second. Both fitted to synthetic warps of 0.7 to 4 px blur and
14 to 68 px chequers; `tests/calib/test_boardfind.py` checks them."""
LEAST_CONTRAST = 25.0
"""Grey levels between white and black chequers; less is fog, glare or deep shadow."""
SMOOTH_PX = 0.06
"""A corner is left out if it lies off its neighbours by this and by five times their scatter."""
LARGEST_SPREAD = 0.25
"""Largest spread within a chequer, and difference of two like chequers, over the contrast."""


@dataclass(frozen=True, slots=True)
class BoardSighting:
    """A board seen in a photo.

    Attributes
    ----------
    board : which one.
    index : (n,) positions in `board.corners_mm` of the corners seen.
    corners_px : (n, 2) their saddle points (x, y), pixels.
    corners_mm : (n, 2) the same in the board frame, as drawn: the print scale is not applied.
    sd_px : (n,) standard deviation per axis, pixels.
    marks_seen : identity marks that agree.
    outline_px : (4, 2) corners of the page, clockwise from its top left, about (lens distortion
        left out); for drawing and for masking.
    rivals : other boards in the photo with as much as `FEWEST_MARKS` agreeing marks; the same
        name again stands for a second copy.
    """

    board: Board
    index: IntArray
    corners_px: FloatArray
    corners_mm: FloatArray
    sd_px: FloatArray
    marks_seen: int
    outline_px: FloatArray
    rivals: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Marks:
    board: Board
    seen: int
    spare: int
    mm: FloatArray
    px: FloatArray


def find_board(picture: Grey, boards: Iterable[Board] | None = None) -> BoardSighting | None:
    """Return the board seen in a picture, or None.

    Parameters
    ----------
    picture : (height, width) grey or (height, width, 3) BGR, 8 bit, as displayed.
    boards : the sizes to look for; all by default.
    """
    grey = picture
    if picture.ndim == 3:
        grey = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    found = _agreeing_marks(grey, tuple(BOARDS.values() if boards is None else boards))
    if not found:
        return None
    marks = found[0]
    corners, sd, good = _refine(grey, marks)
    if good.sum() < FEWEST_CORNERS:
        return None
    index = np.flatnonzero(good)
    width, height = (side / 2.0 for side in marks.board.page_mm)
    page = np.array([[-width, height], [width, height], [width, -height], [-width, -height]])
    mm = marks.board.corners_mm[index]
    return BoardSighting(
        board=marks.board,
        index=index,
        corners_px=corners[index],
        corners_mm=mm,
        sd_px=sd[index],
        marks_seen=marks.seen,
        outline_px=_through(_homography(mm, corners[index]), page),
        rivals=tuple(m.board.name for m in found[1:] if m.seen >= FEWEST_MARKS)
        + ((marks.board.name,) if marks.spare >= FEWEST_MARKS else ()),
    )


def _agreeing_marks(grey: Grey, boards: tuple[Board, ...]) -> list[_Marks]:
    """Return the marks of every board in the picture, the best seen board first."""
    best: list[_Marks] = []
    longest = max(grey.shape)
    factor = max(1, round(longest / REDUCED_PX))
    while True:
        found = _marks_at(grey, factor, boards)
        if found and (not best or found[0].seen > best[0].seen):
            best = found
        if factor == 1 or (best and best[0].seen >= ENOUGH_MARKS):
            return best
        factor = max(1, factor // 2)


def _marks_at(grey: Grey, factor: int, boards: tuple[Board, ...]) -> list[_Marks]:
    if factor > 1:
        size = (grey.shape[1] // factor, grey.shape[0] // factor)
        cut = grey[: size[1] * factor, : size[0] * factor]
        grey = np.asarray(cv2.resize(cut, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    wanted = tuple(int(i) for board in boards for i in board.mark_ids)
    marks = find_marks(grey, wanted)
    # Pixel centres at integers: the middle of a block of `factor` pixels.
    px = (marks.corners_px + 0.5) * factor - 0.5
    found = [m for board in boards if (m := _marks_of(board, marks.ids, px)) is not None]
    return sorted(found, key=lambda m: -m.seen)


def _marks_of(board: Board, ids: IntArray, px: FloatArray) -> _Marks | None:
    """Return the marks of one board that lie as on a plane, or None if they are too few."""
    mine = np.flatnonzero((ids >= board.first_id) & (ids < board.first_id + len(board.mark_ids)))
    if len(mine) < FEWEST_MARKS:
        return None
    mm, px = board.marks_mm[ids[mine] - board.first_id], px[mine]
    # Wide: a lens may bend the board by several per cent of its size in the picture.
    extent = float(np.ptp(px.reshape(-1, 2), axis=0).max())
    matrix, inlier = cv2.findHomography(
        mm.reshape(-1, 2), px.reshape(-1, 2), cv2.RANSAC, max(3.0, 0.02 * extent), maxIters=500
    )
    if matrix is None:
        return None
    agree = np.asarray(inlier, dtype=np.bool_).reshape(-1, 4).all(axis=1)
    seen = len(np.unique(ids[mine][agree]))
    if seen < FEWEST_MARKS:
        return None
    spare = int((~agree).sum())
    return _Marks(board, seen, spare, mm[agree].reshape(-1, 2), px[agree].reshape(-1, 2))


def _refine(grey: Grey, marks: _Marks) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return all corners of the board, their sd, and which of them are to be trusted."""
    board = marks.board
    mm, n = board.corners_mm, len(board.corners_mm)
    corners, good = np.zeros((n, 2)), np.zeros(n, dtype=np.bool_)
    sd, spread, floor = (np.full(n, np.inf) for _ in range(3))
    known_mm, known_px = marks.mm, marks.px
    for _ in range(PASSES):
        # Later passes start the corners that failed from the good ones, which know better than
        # the marks of a reduced picture, and so work outward over a distorted board.
        before = int(good.sum())
        todo = np.flatnonzero(~good)
        start = _predict(known_mm, known_px, mm[todo])
        local = _local_scale(_homography(known_mm, known_px), mm[todo], board.square_mm)
        square = np.linalg.svd(local, compute_uv=False)[:, 1]
        radius = np.clip(RADIUS_SQUARES * square, SMALLEST_RADIUS_PX, LARGEST_RADIUS_PX)
        wide = find_saddles(grey, start, np.clip(0.35 * square, 4.0, 24.0))
        fine = find_saddles(grey, wide.points_px, radius)
        near = np.linalg.norm(fine.points_px - start, axis=1) < 0.35 * square
        spread[todo] = _spread(grey, fine.points_px, local, board.corners_black_down[todo])
        corners[todo], sd[todo] = fine.points_px, fine.sd_for_unit_noise
        floor[todo] = SADDLE_SD_PX / radius
        good[todo] = fine.good & near & (spread[todo] < LARGEST_SPREAD)
        if good.sum() in (before, n) or good.sum() < FEWEST_CORNERS:
            break
        known_mm, known_px = mm[good], corners[good]
    if good.sum() >= FEWEST_CORNERS:
        good &= spread < 2.0 * float(np.median(spread[good])) + 0.06
        good[good] = _smooth(mm[good], corners[good])
        blurred = 10.0 ** ((np.minimum(spread, 1.0) - SPREAD_AT_SADDLE_SD) / SPREAD_TENFOLD)
        noise = sd * picture_noise(grey, corners[good])
        sd = np.sqrt(noise**2 + floor**2 * (1.0 + blurred**2))
    return corners, sd, good


def _homography(mm: FloatArray, px: FloatArray) -> FloatArray:
    return np.asarray(cv2.findHomography(mm, px, 0)[0], dtype=np.float64)


def _through(matrix: FloatArray, mm: FloatArray) -> FloatArray:
    return np.asarray(cv2.perspectiveTransform(mm[:, None, :], matrix)[:, 0, :])


def _predict(known_mm: FloatArray, known_px: FloatArray, wanted_mm: FloatArray) -> FloatArray:
    """Return pixels by homography, plus what the nearest known points deviate from it."""
    matrix = _homography(known_mm, known_px)
    residual = known_px - _through(matrix, known_mm)
    d2 = np.sum((wanted_mm[:, None, :] - known_mm) ** 2, axis=-1)
    weight = 1.0 / (d2 + 4.0) ** 2
    weight /= weight.sum(axis=1, keepdims=True)
    return np.asarray(_through(matrix, wanted_mm) + weight @ residual)


def _local_scale(matrix: FloatArray, mm: FloatArray, square_mm: float) -> FloatArray:
    """Return d(px)/d(square) at each point, shape (n, 2, 2)."""
    step = np.array([square_mm / 2.0, 0.0])
    across = _through(matrix, mm + step) - _through(matrix, mm - step)
    up = _through(matrix, mm + step[::-1]) - _through(matrix, mm - step[::-1])
    return np.stack([across, up], axis=-1)


_ANGLES = np.radians(np.array([-45.0, 45.0, 135.0, 225.0])[:, None] + np.array([-22.0, 0.0, 22.0]))
_RING = np.concatenate(
    [r * np.stack([np.cos(_ANGLES), np.sin(_ANGLES)], axis=-1) for r in (0.12, 0.19)], axis=1
)
"""Where the four chequers round a corner are looked at, (4, 6, 2), in squares, Y up: the squares
down right, up right, up left, down left."""


def _spread(grey: Grey, px: FloatArray, local: FloatArray, black: BoolArray) -> FloatArray:
    """Return how unevenly lit the four chequers round each corner are, over their contrast, (n,).

    Infinite where they are not two dark and two bright ones. A corner that a piece, a finger or
    the border of a shadow crosses has its saddle somewhere else, if it has one at all.
    """
    at = px[:, None, None, :] + np.einsum("nij,skj->nski", local, _RING)
    maps = at.reshape(len(px), -1, 2).astype(np.float32)
    seen = cv2.remap(grey, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderValue=0)
    light = np.asarray(seen, dtype=np.float64).reshape(len(px), 4, -1)
    # Opposite squares in pairs, the dark pair first.
    first, second = light[:, 0::2], light[:, 1::2]
    dark = np.where(black[:, None, None], first, second)
    bright = np.where(black[:, None, None], second, first)
    contrast = bright.mean(axis=(1, 2)) - dark.mean(axis=(1, 2))
    uneven = np.maximum.reduce(
        [
            _between(bright),
            _between(dark),
            bright.std(axis=2).max(axis=1),
            dark.std(axis=2).max(axis=1),
        ]
    )
    return np.where(contrast > LEAST_CONTRAST, uneven / np.maximum(contrast, 1.0), np.inf)


def _between(pair: FloatArray) -> FloatArray:
    means = pair.mean(axis=2)
    return np.asarray(np.abs(means[:, 0] - means[:, 1]))


def _smooth(mm: FloatArray, px: FloatArray) -> BoolArray:
    """Return which corners lie where a plane seen through a lens, or bowed a little, puts them."""
    good = np.ones(len(mm), dtype=np.bool_)
    x, y = (mm / np.abs(mm).max()).T
    for _ in range(3):
        # Distortion over perspective needs the fifth degree; few corners cannot carry it.
        degree = 5 if good.sum() >= 60 else 3 if good.sum() >= 30 else 0
        powers = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]
        terms = np.stack([x**i * y**j for i, j in powers], axis=1)
        rest = px - _through(_homography(mm[good], px[good]), mm)
        fit = np.linalg.lstsq(terms[good], rest[good], rcond=None)[0]
        off = np.linalg.norm(rest - terms @ fit, axis=1)
        still = off < max(SMOOTH_PX, 5.0 * float(np.median(off[good])))
        if np.array_equal(still, good):
            break
        good = still
    return good
