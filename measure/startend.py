"""Which end of a piece z counts from: the one that was named, or the left or upper one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["far_end_name", "from_start", "starts_far"]

FloatArray = NDArray[np.float64]


def starts_far(ends_px: FloatArray, start: str | None) -> bool:
    """Return whether z counts from the second of two ends (2, 2), pixels.

    `start` is left, right, top or bottom, in the picture; None: left for a piece that lies more
    across than upright, else top.
    """
    dx, dy = ends_px[1] - ends_px[0]
    if start is None:
        start = "left" if abs(dx) >= abs(dy) else "top"
    far = {"left": dx < 0, "right": dx > 0, "top": dy < 0, "bottom": dy > 0}
    return bool(far[start])


def far_end_name(ends_px: FloatArray) -> str:
    """Return what the second of two ends (2, 2), pixels, is called, as `start` names it."""
    dx, dy = ends_px[1] - ends_px[0]
    if abs(dx) >= abs(dy):
        return "right" if dx > 0 else "left"
    return "bottom" if dy > 0 else "top"


def from_start(
    sides_px: tuple[FloatArray, FloatArray], start: str | None
) -> tuple[FloatArray, FloatArray]:
    """Return both sides (n, 2) in order from the end that z counts from."""
    a, b = sides_px
    ends = np.array([0.5 * (a[0] + b[0]), 0.5 * (a[-1] + b[-1])])
    return (a[::-1], b[::-1]) if starts_far(ends, start) else (a, b)
