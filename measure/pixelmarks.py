"""Ticks along a picture's edges, numbered in pixels of the photo, to read a box from."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from measure.overlay import WHITE, Overlay

__all__ = ["draw_pixels"]

STEPS, MOST = (100, 200, 500, 1000, 2000, 5000, 10000), 9
"""Distances of the ticks, and how many there are at most along one edge."""


def draw_pixels(overlay: Overlay, bgr: NDArray[np.uint8]) -> None:
    """Draw ticks along the upper and the left edge, each with its number.

    Parameters
    ----------
    overlay : drawn on; before other labels, which make room for these.
    bgr : (H, W, 3) the photo as displayed.
    """
    size_px = (bgr.shape[1], bgr.shape[0])
    step = next(s for s in STEPS if max(size_px) / s <= MOST)
    for axis, name in enumerate("xy"):
        inward = np.eye(2)[1 - axis]
        for place in range(step, size_px[axis] - step // 4, step):
            at = place * np.eye(2)[axis]
            overlay.stroke(np.array([at, at + overlay.unit_px * inward]), WHITE, fine=True)
            overlay.plate(f"{name} {place}", at, inward, leader=False, near=True)
