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
LEAST_POINTS = 8
FACE_SHARE, FACE_ARC_RAD, TURNS = 0.55, 3.5, 48
"""The wall beside an end face is seen as well: so much of the outline is the face's, and so much of
its circle is seen (an end face, rendered: 0.001 of the radius off; of 94 pieces seen from the side
none less than 0.08). So many places are tried to begin at."""
HUGS_MM = 1.2
"""An outline so near to a side of the card, and as straight, is that side."""
PARALLEL = 0.995
CORNER_SHARE = 0.08
"""Near its corners the card's outline is round."""


def is_disc(outline: Outline, view: View, height_mm: float) -> bool:
    """Return whether an outline, or most of it, shows a circle in a plane level with the card.

    Parameters
    ----------
    outline, view : as solved.
    height_mm : of the plane above the card's face: parallel planes only change the size.
    """
    points = view.on_plane(outline.points_px, height_mm)
    points = points[np.all(np.isfinite(points), axis=1)]
    return _is_circle(points, 0.0) or any(
        _is_circle(np.roll(points, -start, axis=0)[: int(FACE_SHARE * len(points))], FACE_ARC_RAD)
        for start in range(0, len(points), max(len(points) // TURNS, 1))
    )


def _is_circle(points: FloatArray, arc_rad: float) -> bool:
    """Return whether points (n, 2) in order lie on a circle, of which they go round so much."""
    if len(points) < LEAST_POINTS:
        return False
    centre, radius, off = circle_through(points)
    x, y = (points - centre).T
    return off < DISC_OFF * radius and float(np.ptp(np.unwrap(np.arctan2(y, x)))) >= arc_rad


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
