"""Outlines of no piece seen from the side: an end face, what the card lies on, a strip of it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.view import View
from measure.outline import Outline
from measure.planecircle import circle_through

__all__ = ["along_card_share", "encloses_card", "is_disc"]

FloatArray = NDArray[np.float64]

DISC_OFF = 0.03
"""A circle's outline strays from one by less than this share of its radius (root mean square): no
piece that is longer than thick does, but a ball's (common practice, no source)."""
HUGS_MM = 1.2
"""An outline so near to a side of the card, and as straight, is that side."""
PARALLEL = 0.995
CORNER_SHARE = 0.08
"""Near its corners the card's outline is round."""


def is_disc(outline: Outline, view: View, height_mm: float) -> bool:
    """Return whether an outline is the picture of a circle in a plane level with the card.

    Parameters
    ----------
    outline, view : as solved.
    height_mm : of the plane above the card's face: parallel planes only change the size.
    """
    points = view.on_plane(outline.points_px, height_mm)
    points = points[np.all(np.isfinite(points), axis=1)]
    if len(points) < 8:
        return False
    _, radius, off = circle_through(points)
    return off < DISC_OFF * radius


def encloses_card(outline: Outline, card_px: FloatArray) -> bool:
    """Return whether the card, corners (4, 2) px, lies inside an outline: on what it is of."""
    x, y = card_px.mean(axis=0)
    round_it = outline.points_px.astype(np.float32)
    return cv2.pointPolygonTest(round_it, (float(x), float(y)), False) > 0.0


def along_card_share(outline: Outline, card_px: FloatArray, pixel_mm: float) -> float:
    """Return the share of an outline that runs along the card's sides.

    Parameters
    ----------
    outline : of what was followed.
    card_px : (4, 2) corners of the card.
    pixel_mm : size of a pixel there.
    """
    card = card_px.astype(np.float32)
    away = np.array(
        [abs(cv2.pointPolygonTest(card, (float(x), float(y)), True)) for x, y in outline.points_px]
    )
    hugging = np.zeros(len(away), dtype=bool)
    for a, b in zip(card_px, np.roll(card_px, -1, axis=0), strict=True):
        side = (b - a) / np.linalg.norm(b - a)
        along = (outline.points_px - a) @ side / np.linalg.norm(b - a)
        beside = (along > CORNER_SHARE) & (along < 1.0 - CORNER_SHARE)
        hugging |= beside & (np.abs(outline.tangents @ side) > PARALLEL)
    return float(np.mean(hugging & (away * pixel_mm < HUGS_MM)))
