"""Whether several photos and `--turned` go together, before any photo is opened."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.refusal import BadFileError
from measure.photocopies import refuse_copies
from measure.result import TraceRequest

__all__ = ["check_several"]

FloatArray = NDArray[np.float64]

MOST_PHOTOS = 24
MOST_DEG = 3600.0


def check_several(
    photos: Sequence[Path], request: TraceRequest, turned: str | None
) -> FloatArray | None:
    """Return the turns, (m,) radians, of m photos; None for a piece that was not moved.

    Raises
    ------
    BadFileError
        Code `bad-option`: the counts differ, a photo is named twice, or an option goes with one
        photo only.
    """
    if len(photos) < 2:
        raise _bad("--turned goes with several photos; one was named.", "Name all photos.")
    if len(photos) > MOST_PHOTOS:
        raise _bad(f"{len(photos)} photos were named.", f"Name {MOST_PHOTOS} or fewer.")
    refuse_copies(photos)
    if request.box_px is not None:
        raise _bad(
            "--box goes with one photo: the piece lies elsewhere in each.",
            "Leave it out, or trace the photos apart.",
        )
    if turned is None:
        return None
    if request.known:
        raise _bad(
            "--known does not go with --turned: an oval piece has no one diameter.",
            "Leave the caliper readings out.",
        )
    turns = _turns(turned)
    if len(turns) != len(photos):
        raise _bad(
            f"--turned names {len(turns)} angles for {len(photos)} photos.",
            "Give one angle for each photo, 0 for the first.",
        )
    return np.asarray(np.deg2rad(np.array(turns)), dtype=np.float64)


def _turns(text: str) -> list[float]:
    numbers = []
    for word in text.split(","):
        try:
            numbers.append(float(word))
        except ValueError:
            numbers.append(math.nan)
    if not all(math.isfinite(number) and abs(number) <= MOST_DEG for number in numbers):
        raise _bad(
            f"--turned {text} cannot be used.", "Give degrees with commas, such as 0,60,120."
        )
    return numbers


def _bad(message: str, advice: str) -> BadFileError:
    return BadFileError("bad-option", message, advice)
