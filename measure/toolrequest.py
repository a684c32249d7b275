"""What the turner says of a tool, from the words of the command line."""

from __future__ import annotations

import math
from dataclasses import dataclass

from calib.refusal import BadFileError
from measure.cutter import FLAT, ROUND
from measure.request import ENDS

__all__ = ["ToolRequest", "build_tool_request"]

LARGEST_THICKNESS_MM = 30.0


@dataclass(frozen=True, slots=True)
class ToolRequest:
    """What the turner says of a tool.

    Attributes
    ----------
    turned_rad : how far it was turned before each photo, the first 0.
    form : round or flat; `thickness_mm` of a flat blade, None if not measured.
    shank : side of the first photo that the shank points to; None to tell from the shape.
    """

    turned_rad: tuple[float, ...]
    form: str
    thickness_mm: float | None
    shank: str | None


def build_tool_request(
    count: int,
    *,
    turned: str | None = None,
    form: str = ROUND,
    thickness: float | None = None,
    shank: str | None = None,
) -> ToolRequest:
    """Return the request that the options stand for; `count` is the number of photos.

    Raises
    ------
    BadFileError
        Code `bad-option`: a word that is not known, a number out of range, or options that do
        not go together.
    """
    form = form.strip().lower()
    if form not in (ROUND, FLAT):
        raise _bad(f"--form {form} is not known.", f"Use {ROUND} or {FLAT}.")
    if thickness is not None and form != FLAT:
        raise _bad("--thickness goes with a flat blade.", "Add --form flat, or leave it out.")
    if thickness is not None and not 0.0 < thickness <= LARGEST_THICKNESS_MM:
        raise _bad(f"--thickness {thickness:g} cannot be.", "Give the thickness in mm.")
    if shank is not None and shank.strip().lower() not in ENDS:
        raise _bad(f"--shank {shank} is no direction.", f"Use one of {', '.join(ENDS)}.")
    return ToolRequest(
        turned_rad=_turned(turned, count),
        form=form,
        thickness_mm=thickness,
        shank=None if shank is None else shank.strip().lower(),
    )


def _bad(message: str, advice: str) -> BadFileError:
    return BadFileError("bad-option", message, advice)


def _turned(text: str | None, count: int) -> tuple[float, ...]:
    """Return the turns in radians of "0,90", one for each of `count` photos.

    Raises
    ------
    BadFileError
        Code `bad-option`.
    """
    if text is None:
        if count == 1:
            return (0.0,)
        raise _bad(
            f"{count} photos were named without --turned.",
            "Say how far the tool was turned about its length for each, such as --turned 0,90.",
        )
    try:
        turns = [float(word) for word in text.split(",")]
    except ValueError:
        turns = []
    if len(turns) != count or not all(math.isfinite(t) and abs(t) <= 360.0 for t in turns):
        raise _bad(
            f"--turned {text} does not go with {count} photo{'s' if count > 1 else ''}.",
            "Give one angle in degrees a photo, with commas, such as --turned 0,90.",
        )
    return tuple(math.radians(turn - turns[0]) for turn in turns)
