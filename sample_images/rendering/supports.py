"""What the piece lies on: paper, planks, cloth, a painted bench; as pictures of known mm size."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.rendering.noise import cloud

__all__ = ["SUPPORTS", "support_picture"]

FloatArray = NDArray[np.float32]

SUPPORTS = ("paper", "planks", "dark planks", "dark cloth", "grey cloth", "board top")
"""Names of the surfaces."""


def support_picture(
    kind: str, size_mm: tuple[float, float], px_per_mm: float, seed: int
) -> FloatArray:
    """Return the surface's linear RGB albedo, (rows, columns, 3), for a patch of the bench.

    Raises
    ------
    ValueError
        No such surface.
    """
    shape = (round(size_mm[1] * px_per_mm), round(size_mm[0] * px_per_mm))
    makers = {
        "paper": lambda: _paper(shape, px_per_mm, seed),
        "planks": lambda: _planks(shape, px_per_mm, seed, (0.50, 0.33, 0.18), (0.36, 0.21, 0.10)),
        "dark planks": lambda: _planks(
            shape, px_per_mm, seed, (0.20, 0.115, 0.06), (0.12, 0.06, 0.03)
        ),
        "dark cloth": lambda: _cloth(shape, px_per_mm, seed, (0.028, 0.032, 0.045)),
        "grey cloth": lambda: _cloth(shape, px_per_mm, seed, (0.17, 0.18, 0.18)),
        "board top": lambda: _painted(shape, px_per_mm, seed),
    }
    if kind not in makers:
        raise ValueError(f"got surface {kind!r}, need one of {SUPPORTS}")
    return makers[kind]()


def _paper(shape: tuple[int, int], px: float, seed: int) -> FloatArray:
    tone = np.random.default_rng(seed).uniform(0.72, 0.82)
    mottle = (
        1.0
        + 0.012 * cloud(shape, (0.5 * px, 0.5 * px), seed)
        + 0.012 * cloud(shape, (3.0 * px, 3.0 * px), seed + 1)
    )
    return np.clip(tone * mottle[..., None] * np.array([1.0, 0.99, 0.965], np.float32), 0.0, 0.9)


def _painted(shape: tuple[int, int], px: float, seed: int) -> FloatArray:
    """A hard-board bench top: flat brown-grey with scuffs."""
    base = np.array([0.30, 0.235, 0.175], np.float32)
    tone = (
        1.0
        + 0.10 * cloud(shape, (1.2 * px, 1.2 * px), seed)
        + 0.12 * cloud(shape, (0.4 * px, 0.4 * px), seed + 1)
    )
    tone += 0.10 * cloud(shape, (70.0 * px, 50.0 * px), seed + 2)
    scuffs = np.zeros(shape, np.float32)
    rng = np.random.default_rng(seed + 3)
    for _ in range(30):
        start = rng.uniform(0, shape[::-1])
        end = start + rng.normal(0.0, 25.0 * px, 2)
        cv2.line(
            scuffs,
            start.astype(int).tolist(),
            end.astype(int).tolist(),
            rng.uniform(-1, 1.5),
            1,
            cv2.LINE_AA,
        )
    tone += 0.12 * cv2.GaussianBlur(scuffs, (0, 0), 0.12 * px)
    return np.clip(base * tone[..., None], 0.01, 0.9)


def _cloth(
    shape: tuple[int, int], px: float, seed: int, colour: tuple[float, float, float]
) -> FloatArray:
    """Plain weave, threads 0.6 mm apart, slightly uneven, with lint."""
    rows, columns = shape
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32) / px
    x += 0.25 * cloud(shape, (30.0 * px, 30.0 * px), seed) + 0.05 * cloud(
        shape, (2.0 * px, 8.0 * px), seed + 1
    )
    y += 0.25 * cloud(shape, (30.0 * px, 30.0 * px), seed + 2) + 0.05 * cloud(
        shape, (8.0 * px, 2.0 * px), seed + 3
    )
    weave = np.sin(np.pi * x / 0.6) * np.sin(np.pi * y / 0.6)
    tone = 1.0 + 0.28 * weave + 0.25 * cloud(shape, (0.4 * px, 0.4 * px), seed + 4)
    tone += 0.12 * cloud(shape, (60.0 * px, 60.0 * px), seed + 5)
    cloth = np.clip(np.asarray(colour, np.float32) * tone[..., None], 0.006, 0.9)
    rng = np.random.default_rng(seed + 6)
    for _ in range(int(shape[0] * shape[1] / (px * px) / 6000.0)):
        centre = rng.uniform(0, shape[::-1])
        end = centre + rng.normal(0.0, 1.2 * px, 2)
        cv2.line(
            cloth,
            centre.astype(int).tolist(),
            end.astype(int).tolist(),
            (0.18,) * 3,
            1,
            cv2.LINE_AA,
        )
    return cloth


def _planks(
    shape: tuple[int, int],
    px: float,
    seed: int,
    early: tuple[float, float, float],
    late: tuple[float, float, float],
) -> FloatArray:
    """Flat-sawn boards side by side along x, 90 to 130 mm wide, with dark gaps between."""
    rng = np.random.default_rng(seed)
    rows, columns = shape
    picture = np.empty((rows, columns, 3), np.float32)
    top = -int(rng.uniform(0.0, 60.0) * px)
    number = 0
    while top < rows:
        height = int(rng.uniform(90.0, 130.0) * px)
        board = _one_plank((height, columns), px, seed + 101 * number, early, late)
        gap = max(int(rng.uniform(0.5, 1.6) * px), 1)
        board[:gap] *= 0.06
        board[gap : 2 * gap] *= np.linspace(0.6, 1.0, gap, dtype=np.float32)[:, None, None]
        board *= rng.uniform(0.85, 1.12)
        first, last = max(top, 0), min(top + height, rows)
        picture[first:last] = board[first - top : last - top]
        top += height
        number += 1
    return np.clip(picture, 0.004, 0.9)


def _one_plank(
    shape: tuple[int, int],
    px: float,
    seed: int,
    early: tuple[float, float, float],
    late: tuple[float, float, float],
) -> FloatArray:
    rng = np.random.default_rng(seed)
    y = (np.arange(shape[0], dtype=np.float32)[:, None] / px) - rng.uniform(20.0, 90.0)
    bow = 14.0 * cloud(shape, (260.0 * px, 60.0 * px), seed + 1)
    bow += 2.2 * cloud(shape, (60.0 * px, 14.0 * px), seed + 2)
    # A flat-sawn face cuts the rings of the log: sqrt gives the wide heart and narrow sides.
    depth = rng.uniform(4.0, 25.0)
    ring = np.hypot(y + bow, depth) / rng.uniform(2.5, 4.5)
    part = ring - np.floor(ring)
    dark = np.clip(part, 0.0, 1.0) ** 2 * np.clip((1.0 - part) / 0.1, 0.0, 1.0)
    colour = np.asarray(early, np.float32) + dark[..., None] * (
        np.asarray(late, np.float32) - early
    )
    tone = 1.0 + 0.16 * cloud(shape, (12.0 * px, 0.25 * px), seed + 3)
    tone += 0.10 * cloud(shape, (50.0 * px, 1.5 * px), seed + 4)
    pore = np.clip(cloud(shape, (3.0 * px, 0.3 * px), seed + 5) - 0.5, 0.0, 0.4)
    return np.asarray(colour * (tone - 0.8 * pore)[..., None], np.float32)
