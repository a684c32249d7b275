"""What the turner says of an end face, from the words of the command line."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from calib.refusal import BadFileError
from measure.request import parse_box

__all__ = ["AT_FOOT", "CARDS", "COPLANAR", "ON_FACE", "HoleRequest", "build_hole_request"]

COPLANAR, ON_FACE, AT_FOOT = "coplanar", "on-face", "at-foot"
CARDS = (COPLANAR, ON_FACE, AT_FOOT)
LARGEST_MM = 2000.0
MOST_UNSURE_MM = 20.0


@dataclass(frozen=True, slots=True)
class HoleRequest:
    """What the turner says.

    Attributes
    ----------
    card : where the card is, one of `CARDS`; `face_height_mm` over the bench for `AT_FOOT`.
    card_said : whether the turner said so, or level with the face was taken for granted.
    plane_sd_mm : standard uncertainty of where the face lies.
    depths : name of a circle to its depth below the face, mm.
    target, box_px : as for a trace.
    """

    card: str
    card_said: bool
    face_height_mm: float | None
    plane_sd_mm: float
    depths: dict[str, float]
    target: str
    box_px: tuple[float, float, float, float] | None

    def height_mm(self, thickness_mm: float) -> float:
        """Return Z of the face in the target frame, for a target of that thickness."""
        if self.card == COPLANAR:
            return 0.0
        if self.card == ON_FACE:
            return -thickness_mm
        return (self.face_height_mm or 0.0) - thickness_mm


def build_hole_request(
    *,
    card: str | None = None,
    face_height: float | None = None,
    plane_unsure: float = 0.3,
    depth: Sequence[str] | None = None,
    target: str = "id1",
    box: str | None = None,
    setup: str = "end",
    known: Sequence[str] | None = None,
    start: str | None = None,
    every: float | None = None,
) -> HoleRequest:
    """Return the request that the options stand for.

    Raises
    ------
    BadFileError
        Code `bad-option`: a word that is not known, a number out of range, or options that do
        not go together.
    """
    said = card is not None
    card = COPLANAR if card is None else card.strip().lower()
    if setup.strip().lower() != "end":
        raise _bad(f"--setup {setup} is not for a hole.", "Leave it out, and say where --card is.")
    if known or start is not None or every is not None:
        raise _bad(
            "--known, --from and --every count along an axis; an end face has none.",
            "Leave them out.",
        )
    if card not in CARDS:
        raise _bad(f"--card {card} is not known.", f"Use one of {', '.join(CARDS)}.")
    if (card == AT_FOOT) != (face_height is not None):
        raise _bad(
            "--card at-foot and --face-height go together.",
            "Measure from the bench to the end face, and give --card at-foot --face-height MM.",
        )
    if face_height is not None and not 0.0 < face_height <= LARGEST_MM:
        raise _bad(f"--face-height {face_height:g} cannot be.", "Give the height in mm.")
    if not 0.0 <= plane_unsure <= MOST_UNSURE_MM:
        raise _bad(
            f"--plane-unsure {plane_unsure:g} cannot be used.",
            f"Give it in mm, from 0 to {MOST_UNSURE_MM:g}.",
        )
    return HoleRequest(
        card=card,
        card_said=said,
        face_height_mm=face_height,
        plane_sd_mm=plane_unsure,
        depths=_depths(depth or ()),
        target=target,
        box_px=None if box is None else parse_box(box),
    )


def _depths(texts: Sequence[str]) -> dict[str, float]:
    depths = {}
    for text in texts:
        name, _, number = text.rpartition(":")
        try:
            depth = float(number.replace(",", "."))
        except ValueError:
            depth = math.nan
        if not name.strip() or not 0.0 <= depth <= LARGEST_MM:
            raise _bad(
                f"--depth {text} is no depth.",
                "Give NAME:MM with a name from the table, such as --depth step1:9.3.",
            )
        depths[name.strip().lower()] = depth
    return depths


def _bad(message: str, advice: str) -> BadFileError:
    return BadFileError("bad-option", message, advice)
