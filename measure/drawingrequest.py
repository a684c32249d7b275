"""What the turner says of a drawing, from the words of the command line."""

from __future__ import annotations

import math
from dataclasses import dataclass

from calib.refusal import BadFileError
from measure.drawingpath import FULL, HALF
from measure.profile import GRID_MM
from measure.request import ENDS, parse_box

__all__ = ["EDGE", "LINE", "DrawingRequest", "build_drawing_request"]

LINE, EDGE = "line", "edge"
SCALE_MOST = 100.0
HEIGHT_MOST_MM = 50.0


@dataclass(frozen=True, slots=True)
class DrawingRequest:
    """What is asked of a drawing.

    Attributes
    ----------
    target : as `--target`.
    what : `LINE`, the middle of a pencil line, or `EDGE`, the edge of a template.
    profile : `FULL`, `HALF`, or None to find out.
    times : true size over drawn size: 2 for a drawing at 1:2.
    height_mm : how far what is measured lies above what the card lies on.
    start : end that z counts from, None to choose.
    every_mm : spacing of the stations.
    box_px : (x, y, width, height) of the photo in which the drawing lies, None for all.
    """

    target: str = "id1"
    what: str = LINE
    profile: str | None = None
    times: float = 1.0
    height_mm: float = 0.0
    start: str | None = None
    every_mm: float = 5.0
    box_px: tuple[float, float, float, float] | None = None


def build_drawing_request(
    *,
    target: str = "id1",
    what: str = LINE,
    profile: str = "auto",
    drawn_scale: str = "1:1",
    height: float = 0.0,
    start: str | None = None,
    every: float = 5.0,
    box: str | None = None,
) -> DrawingRequest:
    """Return the request that the options stand for.

    Raises
    ------
    BadFileError
        Code `bad-option`: a word that is not known, or a number out of range.
    """
    what, profile = what.strip().lower(), profile.strip().lower()
    if what not in (LINE, EDGE):
        raise _bad(f"--what {what} is not known.", f"Use {LINE} or {EDGE}.")
    if profile not in (FULL, HALF, "auto"):
        raise _bad(f"--profile {profile} is not known.", f"Use {FULL}, {HALF} or auto.")
    if start is not None and start.strip().lower() not in ENDS:
        raise _bad(f"--from {start} is no direction.", f"Use one of {', '.join(ENDS)}.")
    if not GRID_MM <= every <= 5000.0:
        raise _bad(f"--every {every:g} cannot be used.", f"Give {GRID_MM:g} mm or more.")
    if not (math.isfinite(height) and abs(height) <= HEIGHT_MOST_MM):
        raise _bad(f"--height {height:g} cannot be.", "Give the thickness of the template in mm.")
    return DrawingRequest(
        target=target,
        what=what,
        profile=None if profile == "auto" else profile,
        times=parse_scale(drawn_scale),
        height_mm=height,
        start=None if start is None else start.strip().lower(),
        every_mm=every,
        box_px=None if box is None else parse_box(box),
    )


def parse_scale(text: str) -> float:
    """Return true size over drawn size of "1:2" (drawn at half size), "2:1" or "1/2".

    Raises
    ------
    BadFileError
        Code `bad-option`.
    """
    words = text.strip().replace("/", ":").replace(",", ".").split(":")
    try:
        numbers = [float(word) for word in words]
    except ValueError:
        numbers = []
    if len(numbers) == 2 and all(math.isfinite(n) and n > 0.0 for n in numbers):
        times = numbers[1] / numbers[0]
        if 1.0 / SCALE_MOST <= times <= SCALE_MOST:
            return times
    raise _bad(
        f"--drawn-scale {text} is no scale.", "Write 1:2 for a drawing at half the true size."
    )


def _bad(message: str, advice: str) -> BadFileError:
    return BadFileError("bad-option", message, advice)
