"""A synthetic warp of a printed board: no renderer, just the page seen through a known camera.

The page is looked up at 8 x 8 points in each pixel that an edge crosses, then goes through a
phone-like chain: blur and noise in linear light, sRGB, sharpening of the encoded picture, rounding.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.board import MARK_MODULES, MARK_RATIO, Board, mark_bits
from calib.lens import straighten

FloatArray = NDArray[np.float64]
PAPER, INK, BENCH = 0.85, 0.04, 0.25
SAMPLES = 8


def page_light(board: Board, mm: FloatArray) -> NDArray[np.float32]:
    """Reflectance of the page, shape (...), at board coordinates of shape (..., 2)."""
    width, height = board.size_mm
    u = (mm[..., 0] + width / 2) / board.square_mm
    v = (height / 2 - mm[..., 1]) / board.square_mm
    column, row = np.floor(u).astype(int), np.floor(v).astype(int)
    inside = (column >= 0) & (column < board.columns) & (row >= 0) & (row < board.rows)
    column, row = np.clip(column, 0, board.columns - 1), np.clip(row, 0, board.rows - 1)
    dark = board.black[row, column] & inside
    which = np.full((board.rows, board.columns), -1)
    middles = board.marks_mm.mean(axis=1)
    c = np.floor((middles[:, 0] + width / 2) / board.square_mm).astype(int)
    r = np.floor((height / 2 - middles[:, 1]) / board.square_mm).astype(int)
    which[r, c] = np.arange(len(middles))
    bits = np.array([mark_bits(int(i)) for i in board.mark_ids])
    margin = (1 - MARK_RATIO) / 2
    i = np.floor((u - column - margin) / MARK_RATIO * MARK_MODULES).astype(int)
    j = np.floor((v - row - margin) / MARK_RATIO * MARK_MODULES).astype(int)
    marked = inside & (which[row, column] >= 0)
    marked &= (i >= 0) & (i < MARK_MODULES) & (j >= 0) & (j < MARK_MODULES)
    i, j = np.clip(i, 0, MARK_MODULES - 1), np.clip(j, 0, MARK_MODULES - 1)
    dark |= marked & ~bits[which[row, column], j, i]
    page = (np.abs(mm[..., 0]) < board.page_mm[0] / 2) & (np.abs(mm[..., 1]) < board.page_mm[1] / 2)
    return np.where(dark, INK, np.where(page, PAPER, BENCH)).astype(np.float32)


def board_plane(
    size_px: tuple[int, int], lens: FloatArray, rotation: FloatArray, translation: FloatArray
) -> FloatArray:
    """Board coordinates of every pixel centre, shape (height, width, 2)."""
    x, y = np.meshgrid(np.arange(size_px[0]), np.arange(size_px[1]))
    straight = straighten(np.stack([x, y], axis=-1).astype(float), lens)
    rays = np.concatenate([straight, np.ones_like(straight[..., :1])], axis=-1) @ rotation
    centre = -rotation.T @ translation
    return centre[:2] - centre[2] / rays[..., 2:] * rays[..., :2]


def warp(
    board: Board,
    lens: FloatArray,
    rotation: FloatArray,
    translation: FloatArray,
    size_px: tuple[int, int],
    *,
    blur_px: float = 1.0,
    noise: float = 0.0,
    sharpen: float = 0.0,
    seed: int = 0,
    light: Callable[[FloatArray], FloatArray] | None = None,
    cover: Callable[[FloatArray, NDArray[np.float32]], None] | None = None,
    page: Callable[[Board, FloatArray], NDArray[np.float32]] = page_light,
    stretch: FloatArray | None = None,
) -> NDArray[np.uint8]:
    """Return an 8-bit grey picture of the board.

    `light` multiplies the reflectance (shape of the picture, from board coordinates); `cover`
    paints over the reflectance in place; `noise` is the standard deviation in linear light at
    white; `stretch` divides the board coordinates (a page printed at the wrong scale).
    """
    mm = board_plane(size_px, lens, rotation, translation)
    if stretch is not None:
        mm = mm / stretch
    picture = page(board, mm)
    kernel = np.ones((3, 3), np.uint8)
    edge = cv2.dilate(picture, kernel) > cv2.erode(picture, kernel)
    across, down = np.gradient(mm, axis=1)[edge], np.gradient(mm, axis=0)[edge]
    steps = (np.arange(SAMPLES) + 0.5) / SAMPLES - 0.5
    total = np.zeros(int(edge.sum()))
    for dy in steps:
        for dx in steps:
            total += page(board, mm[edge] + dx * across + dy * down)
    picture[edge] = total / SAMPLES**2
    if light is not None:
        picture = (picture * light(mm)).astype(np.float32)
    if cover is not None:
        cover(mm, picture)
    return develop(picture, blur_px, noise, sharpen, seed)


def develop(
    linear: NDArray[np.float32], blur_px: float, noise: float, sharpen: float, seed: int
) -> NDArray[np.uint8]:
    """Blur, noise (shot-like), sRGB encoding [IEC61966-2-1], sharpening, rounding."""
    if blur_px > 0:
        linear = cv2.GaussianBlur(linear, (0, 0), blur_px)
    if noise > 0:
        random = np.random.default_rng(seed).standard_normal(linear.shape, dtype=np.float32)
        linear = linear + random * noise * np.sqrt(np.maximum(linear, 0.02))
    linear = np.clip(linear, 0, 1)
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    coded = coded.astype(np.float32)
    if sharpen > 0:
        coded = coded + sharpen * (coded - cv2.GaussianBlur(coded, (0, 0), 1.2))
    return np.clip(np.round(coded * 255), 0, 255).astype(np.uint8)


def look(
    tilt_deg: float, turn_deg: float, spin_deg: float, distance_mm: float, aim_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Pose of a camera that looks at `aim_mm` of the board's face.

    `tilt` from straight above, toward the direction `turn` in the face; `spin` about the line of
    sight. Returns (R, t), target frame to camera frame.
    """
    tilt, turn, spin = np.radians([tilt_deg, turn_deg, spin_deg])
    back = np.array([np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), np.cos(tilt)])
    forward = -back
    up = np.array([np.cos(spin), np.sin(spin), 0.0])
    right = np.cross(forward, np.array([-up[1], up[0], 0.0]))
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    position = np.array([*np.asarray(aim_mm, dtype=float), 0.0]) + distance_mm * back
    return rotation, -rotation @ position
