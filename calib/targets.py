"""Things of known size that a photo can be measured by."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from calib.board import BOARDS, Board
from calib.refusal import BadFileError

__all__ = ["ID1", "Rectangle", "Target", "board_named", "parse_target"]


@dataclass(frozen=True, slots=True)
class Rectangle:
    """A flat rectangle: a bank-size card, or anything else of known size.

    Attributes
    ----------
    name : as typed after `--target`.
    width_mm, height_mm : sides, the longer first.
    thickness_mm : the piece beside it rests this much below its face.
    corner_radius_mm : 0 for sharp corners.
    width_sd_mm, height_sd_mm : standard uncertainties of the sides.
    """

    name: str
    width_mm: float
    height_mm: float
    thickness_mm: float
    corner_radius_mm: float
    width_sd_mm: float
    height_sd_mm: float


Target = Rectangle | Board

# ISO/IEC 7810, ID-1 (from memory): nominal 85.60 x 53.98 x 0.76 mm, corner radius 3.18 mm;
# an unused card lies within 85.47 to 85.72 by 53.92 to 54.03 mm, 0.68 to 0.84 mm thick, radius
# 2.88 to 3.48 mm. The standard uncertainties are about half of the half-ranges.
ID1 = Rectangle("id1", 85.60, 53.98, 0.76, 3.18, 0.06, 0.03)
"""The bank-size card of ISO/IEC 7810."""

SHORTEST_MM, LONGEST_MM, THICKEST_MM = 20.0, 1000.0, 30.0
DEFAULT_THICKNESS_MM = 0.3
"""Thickness of a WxH target that says none: card stock (common practice, no source)."""
CARD_MM = 0.6
"""A card measured with a rule is so near to its true size (common practice, no source)."""
SD_BY_DECIMALS_MM = (0.15, 0.10, 0.05)
"""How well a side was measured, told by the decimals typed: none, one, two (common practice, no
source: steel rule, good rule, calipers)."""

_SIZE = re.compile(r"^(\d+(?:\.\d+)?)x(\d+(?:\.\d+)?)(?:x(\d+(?:\.\d+)?))?(?:mm)?$")


def parse_target(text: str) -> Target:
    """Return the target that `--target` names.

    Parameters
    ----------
    text : "id1", "a4", "letter", "a3", "pocket", or "WxH" or "WxHxT" in mm. Sides may come in
        either order. A decimal comma is taken as a point. A size that is the card's, with no
        thickness, is the card, whose round corners and tolerances are known.

    Raises
    ------
    BadFileError
        Code `bad-target`: none of these, or a size that cannot be a target.
    """
    word = text.strip().lower().replace(",", ".").replace("×", "x").replace(" ", "")
    if word == ID1.name:
        return ID1
    if word in BOARDS:
        return BOARDS[word]
    match = _SIZE.match(word)
    if match is None:
        raise _refusal(f"'{text}' is no target.")
    sides = sorted(((float(s), _side_sd(s)) for s in match.groups()[:2]), reverse=True)
    (width, width_sd), (height, height_sd) = sides
    if match[3] is None and math.dist((width, height), (ID1.width_mm, ID1.height_mm)) < CARD_MM:
        return ID1
    thickness = DEFAULT_THICKNESS_MM if match[3] is None else float(match[3])
    if not SHORTEST_MM <= height <= width <= LONGEST_MM or thickness > THICKEST_MM:
        raise _refusal(
            f"A target of {text} mm cannot be used: sides go from {SHORTEST_MM:g} to "
            f"{LONGEST_MM:g} mm, thickness up to {THICKEST_MM:g} mm."
        )
    return Rectangle(word.removesuffix("mm"), width, height, thickness, 0.0, width_sd, height_sd)


def board_named(name: str) -> Board:
    """Return the board that `--size` names.

    Raises
    ------
    BadFileError
        Code `bad-board-size`: there is no board of that name.
    """
    board = BOARDS.get(name.strip().lower())
    if board is None:
        raise BadFileError(
            "bad-board-size", f"There is no board '{name}'.", f"Use {', '.join(BOARDS)}."
        )
    return board


def _side_sd(typed: str) -> float:
    decimals = len(typed.partition(".")[2])
    return SD_BY_DECIMALS_MM[min(decimals, len(SD_BY_DECIMALS_MM) - 1)]


def _refusal(message: str) -> BadFileError:
    return BadFileError(
        "bad-target", message, "Use id1, a4, letter, a3, pocket, or WIDTHxHEIGHT[xTHICKNESS] in mm."
    )
