"""The photo of a tool with its steps marked on it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from measure.annotate import Rims, draw_target
from measure.overlay import CYAN, ORANGE, WHITE, YELLOW, Overlay
from measure.pixelmarks import draw_pixels
from measure.result import TraceResult
from measure.tool import Tool
from measure.toolroles import Role
from measure.toolwords import cuts_words
from measure.units import METRIC, Units

__all__ = ["tool_picture"]

ByteArray = NDArray[np.uint8]


def tool_picture(bgr: ByteArray, traced: TraceResult, tool: Tool, units: Units = METRIC) -> bytes:
    """Return a JPEG of the photo with outline, axis, shoulders, diameters and roles.

    Parameters
    ----------
    bgr : (H, W, 3) the photo as displayed.
    traced : what it gave; tool : what was made of it.
    """
    overlay = Overlay(bgr)
    draw_target(overlay, traced)
    draw_pixels(overlay, bgr)
    rims = Rims.of(traced)
    overlay.dots(traced.outline_px, CYAN)
    overlay.stroke(traced.axis_px, WHITE, dashed=True)
    lip = 1.2 * overlay.unit_px * rims.across
    for place in sorted({z for item in tool.steps for z in (item.step.from_mm, item.step.to_mm)}):
        line = np.array([rims.side(place, -1) - lip, rims.side(place, 1) + lip])
        overlay.stroke(line, YELLOW, fine=True)
    overlay.plate(f"z = 0 {units.name}", rims.middle(0.0), -rims.along, YELLOW, must=True)
    for item in tool.steps:
        middle = 0.5 * (item.step.from_mm + item.step.to_mm)
        words = f"{item.number}: {item.role.value}"
        if item.role is not Role.POINT:
            words += f", dia {units.fine(item.step.diameter_mm)}"
        overlay.plate(words, rims.side(middle, -1), -rims.across, WHITE, must=True)
        swept = item.swept
        if swept is not None and swept.offset_mm > max(0.1, swept.offset_u95_mm):
            cuts = f"{item.number} cuts {cuts_words(item, units)}"
            overlay.plate(cuts, rims.side(middle, 1), rims.across, ORANGE, must=True)
    return overlay.jpeg()
