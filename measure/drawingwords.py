"""What is said of a drawing: on the screen, and in result.json."""

from __future__ import annotations

from typing import Any

from measure.drawing import Drawing
from measure.drawingpath import FULL
from measure.drawingrequest import EDGE
from measure.resultfile import rounded, trace_data
from measure.table import trace_table
from measure.units import Units

__all__ = ["drawing_data", "drawing_text", "read_as", "scale_words"]


def read_as(drawing: Drawing) -> str:
    """Return how the drawing was read, in words."""
    if drawing.what == EDGE:
        about = "its middle" if drawing.profile == FULL else "its straight side"
        return f"a template, {drawing.profile} profile about {about}"
    about = "its centre line" if drawing.axis_drawn else "the middle of its two sides"
    if drawing.profile == FULL:
        about = "the middle of its two sides"
    return f"a {drawing.profile} profile about {about}"


def scale_words(drawing: Drawing) -> str:
    """Return the scale of the drawing in words."""
    if drawing.times == 1.0:
        return "drawn at full size"
    if drawing.times > 1.0:
        return f"drawn at 1:{drawing.times:g}, given here at true size"
    return f"drawn at {1.0 / drawing.times:g}:1, given here at true size"


def drawing_text(drawing: Drawing, every_mm: float, units: Units) -> str:
    """Return what goes to the screen."""
    lines = [f"Read as   {read_as(drawing)}, {scale_words(drawing)}"]
    if drawing.profile == FULL:
        z, off = drawing.worst_asymmetry
        lines.append(
            f"Sides     differ by up to {units.fine(abs(off))} {units.name}, "
            f"at {units.place(z)}; their mean is given"
        )
    return "\n".join([*lines, trace_table(drawing.result, every_mm, units)])


def drawing_data(drawing: Drawing) -> dict[str, Any]:
    """Return what result.json and `--json` say; lengths in mm at true size."""
    z, off = drawing.worst_asymmetry
    data = trace_data(drawing.result)
    data |= {
        "kind": "drawing",
        "what": drawing.what,
        "profile": drawing.profile,
        "true_over_drawn": rounded(drawing.times, 6),
        "line_width_mm": rounded(drawing.line_mm, 3),
        "asymmetry_mm": rounded(off) if drawing.profile == FULL else None,
        "asymmetry_z_mm": rounded(z) if drawing.profile == FULL else None,
    }
    return data
