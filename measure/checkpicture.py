"""The photo with the places of a check marked on it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from measure.annotate import Rims
from measure.check import CheckResult
from measure.checkstrip import numbered
from measure.judge import UNSURE
from measure.overlay import CYAN, ORANGE, WHITE, YELLOW, Overlay
from measure.pixelmarks import draw_pixels
from measure.result import TraceResult
from measure.units import Units

__all__ = ["check_picture"]

ByteArray = NDArray[np.uint8]
_LEAST_BAND_MM = 1.0


def check_picture(bgr: ByteArray, traced: TraceResult, result: CheckResult, units: Units) -> bytes:
    """Return a JPEG of the photo with the numbered places, hatched and named in words.

    Parameters
    ----------
    bgr : (H, W, 3) the photo as displayed.
    traced : what the photo gave; result : what the check made of it.
    """
    overlay = Overlay(bgr)
    if not traced.target_is_board:
        overlay.hide(traced.target_px)
    draw_pixels(overlay, bgr)
    rims = Rims.of(traced)
    overlay.dots(traced.outline_px, CYAN)
    overlay.stroke(traced.axis_px, WHITE, dashed=True)
    start = float(result.placement.to_piece(np.array([result.plan.start_mm]))[0])
    far = float(rims.z_mm[-1])
    if -1.0 <= start <= far + 1.0:
        away = rims.along if start > far / 2.0 else -rims.along
        at = rims.middle(float(np.clip(start, 0.0, far)))
        overlay.plate("plan starts here", at, away, YELLOW, must=True)
    for index, place in enumerate(numbered(result), 1):
        ends = result.placement.to_piece(np.array([place.z_from_mm, place.z_to_mm]))
        low, high = float(np.min(ends)), float(np.max(ends))
        grow = max(_LEAST_BAND_MM - (high - low), 0.0) / 2.0
        band = rims.band(max(low - grow, 0.0), min(high + grow, far))
        if place.verdict == UNSURE:
            overlay.stroke(np.vstack([band, band[:1]]), ORANGE, dashed=True)
        else:
            overlay.hatch(band, ORANGE)
        size = abs(place.deviation_mm)
        words = f"{index}: {units.fine(size)} {'proud' if place.proud else 'shy'}"
        if place.verdict == UNSURE:
            words = f"{index} ?"
        side = -1 if place.proud else 1
        overlay.plate(
            words, rims.side(place.piece_z_mm, side), side * rims.across, ORANGE, must=True
        )
    return overlay.jpeg()
