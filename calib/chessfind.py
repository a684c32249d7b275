"""Finding a plain chessboard in a photo; it has no marks, so nearly all of it must be seen."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.boardfind import RADIUS_SQUARES, SADDLE_SD_PX
from calib.lensmodel import PageView
from calib.saddle import find_saddles, picture_noise

__all__ = ["chessboard_mm", "find_chessboard"]

FloatArray = NDArray[np.float64]

REDUCED_PX = 1000
SMALLEST_RADIUS_PX, LARGEST_RADIUS_PX = 3.0, 11.0


def chessboard_mm(inner: tuple[int, int], square_mm: float) -> FloatArray:
    """Return the inner corners, shape (n, 2), row by row, origin in the middle.

    `inner` is the count of inner corners (across, down).
    """
    across, down = inner
    column, row = np.meshgrid(np.arange(across), np.arange(down))
    grid = np.stack([column - (across - 1) / 2.0, (down - 1) / 2.0 - row], axis=-1)
    return np.asarray(grid.reshape(-1, 2) * square_mm)


def find_chessboard(
    picture: NDArray[np.uint8], inner: tuple[int, int], square_mm: float
) -> PageView | None:
    """Return the corners of a plain chessboard, or None if it is not seen whole.

    Parameters
    ----------
    picture : (height, width) grey or (height, width, 3) BGR.
    inner : count of inner corners (across, down).
    square_mm : side of a square.
    """
    grey = picture
    if picture.ndim == 3:
        grey = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    start = _grid(grey, inner)
    if start is None:
        return None
    square = _squares_px(start.reshape(inner[1], inner[0], 2))
    radius = np.clip(RADIUS_SQUARES * square, SMALLEST_RADIUS_PX, LARGEST_RADIUS_PX)
    found = find_saddles(grey, start, radius)
    good = found.good & (np.linalg.norm(found.points_px - start, axis=1) < 0.3 * square)
    if good.mean() < 0.8:
        return None
    noise = found.sd_for_unit_noise * picture_noise(grey, found.points_px[good])
    sd = np.hypot(noise, SADDLE_SD_PX / radius)
    return PageView(chessboard_mm(inner, square_mm)[good], found.points_px[good], sd[good])


def _grid(grey: NDArray[np.uint8], inner: tuple[int, int]) -> FloatArray | None:
    """Return all inner corners roughly, (n, 2), looked for on a small picture first."""
    factor = max(1, round(max(grey.shape) / REDUCED_PX))
    for step in sorted({factor, max(1, factor // 2)}, reverse=True):
        size = (grey.shape[1] // step, grey.shape[0] // step)
        small = grey if step == 1 else cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
        quick = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
        seen, corners = cv2.findChessboardCorners(small, inner, flags=quick)
        if not seen:
            seen, corners = cv2.findChessboardCornersSB(small, inner, flags=cv2.CALIB_CB_EXHAUSTIVE)
        if seen:
            points = np.asarray(corners, dtype=np.float64).reshape(-1, 2)
            return np.asarray((points + 0.5) * step - 0.5)
    return None


def _squares_px(grid: FloatArray) -> FloatArray:
    """Return the shorter distance from each corner to its neighbours, (n,), pixels."""
    across = np.linalg.norm(np.diff(grid, axis=1), axis=-1)
    down = np.linalg.norm(np.diff(grid, axis=0), axis=-1)
    nearest = np.full(grid.shape[:2], np.inf)
    nearest[:, :-1] = np.minimum(nearest[:, :-1], across)
    nearest[:, 1:] = np.minimum(nearest[:, 1:], across)
    nearest[:-1] = np.minimum(nearest[:-1], down)
    nearest[1:] = np.minimum(nearest[1:], down)
    return nearest.ravel()
