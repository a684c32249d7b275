"""From the words of the command line to a request, refused before the photo is opened."""

from __future__ import annotations

import math
from collections.abc import Sequence

from calib.refusal import BadFileError
from calib.setupnames import setup_advice
from measure.profile import GRID_MM
from measure.result import SETUPS, TraceRequest

__all__ = ["ENDS", "build_request", "parse_box", "parse_known"]

ENDS = ("left", "right", "top", "bottom")
"""What `--from` takes: directions of the displayed photo."""
LARGEST_MM = 5000.0


def build_request(
    *,
    setup: str = "bench",
    target: str = "id1",
    axis_height: float | None = None,
    axis_offset: float | None = None,
    start: str | None = None,
    every: float = 5.0,
    box: str | None = None,
    known: Sequence[str] | None = None,
) -> TraceRequest:
    """Return the request that the options stand for. `--target` is read where it is looked for.

    Raises
    ------
    BadFileError
        Code `bad-option`: a word that is not known, a number out of range, or an option that
        does not go with the set-up.
    """
    setup = setup.strip().lower()
    if setup not in SETUPS:
        raise _bad(f"--setup {setup} is not known.", setup_advice(setup, SETUPS))
    _check_axis(setup, axis_height, axis_offset)
    if start is not None and start.strip().lower() not in ENDS:
        raise _bad(f"--from {start} is no direction.", f"Use one of {', '.join(ENDS)}.")
    if not (GRID_MM <= every <= LARGEST_MM):
        raise _bad(
            f"--every {every:g} cannot be used.", f"Give a spacing in mm of {GRID_MM:g} or more."
        )
    return TraceRequest(
        setup=setup,
        target=target,
        axis_height_mm=axis_height,
        axis_offset_mm=axis_offset or 0.0,
        start=None if start is None else start.strip().lower(),
        every_mm=every,
        box_px=None if box is None else parse_box(box),
        known=parse_known(known or ()),
    )


def parse_box(text: str) -> tuple[float, float, float, float]:
    """Return (x, y, width, height) in pixels of "X,Y,W,H".

    Raises
    ------
    BadFileError
        Code `bad-option`.
    """
    numbers = [_number(word) for word in text.split(",")]
    if len(numbers) != 4 or not all(math.isfinite(number) for number in numbers):
        raise _bad(f"--box {text} is no box.", "Give X,Y,W,H: four pixel numbers with commas.")
    x, y, width, height = numbers
    if min(x, y) < 0.0 or min(width, height) < 1.0:
        raise _bad(
            f"--box {text} lies outside the photo or is empty.",
            "Give X,Y of its upper left corner, then width and height, all in pixels.",
        )
    return x, y, width, height


def parse_known(texts: Sequence[str]) -> tuple[tuple[float, float], ...]:
    """Return caliper readings (z, diameter), mm, in order along the axis, of "Z:DIAMETER".

    Raises
    ------
    BadFileError
        Code `bad-option`.
    """
    readings = []
    for text in texts:
        words = text.split(":")
        numbers = [_number(word.replace(",", ".")) for word in words]
        if len(numbers) != 2 or not all(math.isfinite(number) for number in numbers):
            raise _bad(
                f"--known {text} is no caliper reading.",
                "Give Z:DIAMETER in mm, such as --known 97:44.0.",
            )
        z, diameter = numbers
        if not (0.0 <= z <= LARGEST_MM and 0.0 < diameter <= LARGEST_MM):
            raise _bad(
                f"--known {text} cannot be.",
                "z counts from the start end, 0 or more; the diameter is above 0; both in mm.",
            )
        readings.append((z, diameter))
    return tuple(sorted(readings))


def _check_axis(setup: str, height: float | None, offset: float | None) -> None:
    if setup == "level" and height is None:
        raise _bad(
            "--setup level needs the height of the axis.",
            "Measure from the bench to the centre at both ends and give --axis-height MM.",
        )
    if setup != "level" and height is not None:
        raise _bad(
            f"--axis-height does not go with --setup {setup}.",
            "Add --setup level if the piece is chocked level, or leave the height out.",
        )
    if height is not None and not 0.0 < height <= LARGEST_MM:
        raise _bad(f"--axis-height {height:g} cannot be.", "Give the height above the bench in mm.")
    if setup != "plane" and offset is not None:
        raise _bad(
            f"--axis-offset does not go with --setup {setup}.",
            "Add --setup plane if the card was held beside the axis, or leave the offset out.",
        )
    if offset is not None and not abs(offset) <= LARGEST_MM:
        raise _bad(f"--axis-offset {offset:g} cannot be.", "Give the distance in mm.")


def _number(word: str) -> float:
    try:
        return float(word)
    except ValueError:
        return math.nan


def _bad(message: str, advice: str) -> BadFileError:
    return BadFileError("bad-option", message, advice)
