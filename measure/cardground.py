"""Whether a card lies on something that goes on all round it: the bench, or the piece itself."""

from __future__ import annotations

import itertools

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.sight import SIDE_NORMALS
from calib.view import View

__all__ = ["goes_on_round"]

FloatArray = NDArray[np.float64]

BANDS_MM = (2.5, 5.0, 8.0, 12.0, 16.0)
"""Distances from the card between which its ground is compared. Nearer lies its own shadow."""
MOST_LIGHTNESS, MOST_HUE = 6.0, 3.0
"""How much L*, and how much (a*, b*), of one ground may change over a hand's breadth. Measured on
rendered photos: at most 3 and 1 on a bench; where a block ends, 9 and 4 at least."""
ALONG, DEEP = 80, 6
SPAN = 0.85
"""Share of a side that is looked at: beside a round corner other things show."""


def goes_on_round(bgr: NDArray[np.uint8], view: View, size_mm: FloatArray) -> bool:
    """Return whether the same ground is seen beside every side of a card and farther out.

    A card that is held, or lies on a block, has an edge of its support, a hand or a shadow near
    one side at least; on the bench it has not.

    Parameters
    ----------
    bgr : (H, W, 3) photo.
    view, size_mm : of the card; (width, height) along X and Y.
    """
    soft = cv2.GaussianBlur(bgr, (0, 0), 1.0).astype(np.float32) / 255.0
    lab = np.asarray(cv2.cvtColor(soft, cv2.COLOR_BGR2LAB), dtype=np.float32)
    for normal in SIDE_NORMALS:
        tones = [
            _tone(lab, view, size_mm, normal, near, far)
            for near, far in itertools.pairwise(BANDS_MM)
        ]
        for tone in tones:
            if tone is None or tones[0] is None:
                return False
            change = tone - tones[0]
            if abs(change[0]) > MOST_LIGHTNESS or np.hypot(change[1], change[2]) > MOST_HUE:
                return False
    return True


def _tone(
    lab: NDArray[np.float32],
    view: View,
    size_mm: FloatArray,
    normal: FloatArray,
    near_mm: float,
    far_mm: float,
) -> FloatArray | None:
    """Return the median L*, a*, b* of a band along a side, None if the picture ends before."""
    along = np.array([-normal[1], normal[0]])
    half = 0.5 * size_mm
    out, across = np.meshgrid(np.linspace(near_mm, far_mm, DEEP), np.linspace(-SPAN, SPAN, ALONG))
    places = (abs(normal @ half) + out.reshape(-1, 1)) * normal
    places = places + across.reshape(-1, 1) * abs(along @ half) * along
    px = np.rint(view.to_pixels(np.column_stack([places, np.zeros(len(places))]))).astype(int)
    height, width = lab.shape[:2]
    seen = np.all((px >= 0) & (px < [width, height]), axis=1)
    if seen.mean() < 0.5:
        return None
    return np.asarray(np.median(lab[px[seen, 1], px[seen, 0]], axis=0), dtype=np.float64)
