"""The picture of the circles measured, drawn on the photo."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.sourcewords import scale_words
from measure.hole import HoleResult
from measure.overlay import CYAN, ORANGE, WHITE, Overlay
from measure.pixelmarks import draw_pixels
from measure.units import METRIC, Units

__all__ = ["hole_picture"]


def hole_picture(bgr: NDArray[np.uint8], result: HoleResult, units: Units = METRIC) -> bytes:
    """Return a JPEG, at most 1600 px on its longer side; a card is made unrecognisable.

    Parameters
    ----------
    bgr : (H, W, 3) the photo as displayed.
    """
    overlay = Overlay(bgr)
    ring = np.vstack([result.target_px, result.target_px[:1]])
    if not result.target_is_board:
        overlay.hide(result.target_px)
    overlay.stroke(ring, WHITE)
    overlay.plate(
        scale_words(result.scale_from),
        result.target_px.mean(axis=0),
        np.array([0.0, -1.0]),
        must=True,
        leader=False,
    )
    draw_pixels(overlay, bgr)
    middle = result.circles[0].points_px.mean(axis=0)
    turns = np.deg2rad(np.linspace(-150.0, -30.0, max(len(result.circles), 2)))
    for circle, turn in zip(result.circles, turns, strict=False):
        told = circle.diameter_mm is not None
        overlay.dots(circle.points_px, CYAN if told else ORANGE)
        way = np.array([np.cos(turn), np.sin(turn)])
        at = circle.points_px[int(np.argmax((circle.points_px - middle) @ way))]
        size = "depth?" if circle.diameter_mm is None else f"dia {units.number(circle.diameter_mm)}"
        overlay.plate(f"{circle.name}: {size}", at, way, must=True)
    return overlay.jpeg()
