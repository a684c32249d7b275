"""Half-profile templates at 1:1: how they lie on pages, and where the seams are."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from calib.refusal import BadFileError, RefusalError
from measure.profile import Profile

__all__ = ["MARGIN_MM", "OVERLAP_MM", "PAPERS", "Paper", "Strip", "Tile", "fill_pages", "paper",
           "template_strips", "tiles"]  # fmt: skip

FloatArray = NDArray[np.float64]

MARGIN_MM = 10.0
"""No printer in use leaves more unprinted (common practice, no source)."""
OVERLAP_MM = 12.0
HEAD_MM, FOOT_MM = 11.0, 13.0
"""Room for the heading and for the check bar on a page at 1:1."""
BETWEEN_MM = 5.0
CARD_MM = 12.0
"""Card beyond the largest radius, so that the template keeps its shape."""


@dataclass(frozen=True, slots=True)
class Paper:
    """A sheet lying on its long side, mm."""

    name: str
    width_mm: float
    height_mm: float


PAPERS = {
    # [ISO216] A4 210 x 297, A3 297 x 420, A5 148 x 210; letter 8.5 x 11 in and tabloid
    # 11 x 17 in [ASMEY14.1, from memory].
    "a5": Paper("A5", 210.0, 148.0),
    "a4": Paper("A4", 297.0, 210.0),
    "a3": Paper("A3", 420.0, 297.0),
    "letter": Paper("Letter", 279.4, 215.9),
    "tabloid": Paper("Tabloid", 431.8, 279.4),
}


def paper(name: str) -> Paper:
    """Return a paper by name.

    Raises
    ------
    BadFileError
        `unknown-paper`.
    """
    found = PAPERS.get(name.strip().lower())
    if found is None:
        raise BadFileError(
            "unknown-paper",
            f'No paper is called "{name[:40]}".',
            f"Give one of {', '.join(PAPERS)}.",
        )
    return found


@dataclass(frozen=True, slots=True)
class Strip:
    """A band along the axis that is printed at 1:1.

    Attributes
    ----------
    kind : "stick", "template" (z runs to the right) or "mirrored" (z runs to the left).
    height_mm : of the band.
    base_mm : radius at the lower edge of a template's band; 0 when it shows the axis.
    """

    kind: str
    height_mm: float
    base_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Tile:
    """One page's share of a band's length, mm along the band.

    `join_left`, `join_right` : where the pages meet, None at the ends of the band. The print
    reaches half the overlap beyond.
    """

    start_mm: float
    stop_mm: float
    join_left: float | None
    join_right: float | None


def template_strips(profile: Profile, sheet: Paper) -> tuple[Strip, Strip]:
    """Return the two bands of the template, one for each hand.

    Raises
    ------
    RefusalError
        `paper-too-small` if not even the part that has the outline fits the page's height.
    """
    room = room_mm(sheet)[1]
    r_high = 0.5 * float(np.max(profile.diameter_mm)) + CARD_MM
    r_low = max(0.5 * float(np.min(profile.diameter_mm)) - CARD_MM, 0.0)
    base = 0.0 if r_high <= room else r_low
    if r_high - base > room:
        raise RefusalError(
            "paper-too-small",
            f"The template is {r_high - base:.0f} mm high, {sheet.name} has room for {room:.0f}.",
            "Choose larger paper with --paper, such as a3.",
        )
    return Strip("template", r_high - base, base), Strip("mirrored", r_high - base, base)


def room_mm(sheet: Paper) -> tuple[float, float]:
    """Return width and height that bands may use on a page at 1:1, mm."""
    height = sheet.height_mm - 2.0 * MARGIN_MM - HEAD_MM - FOOT_MM
    return sheet.width_mm - 2.0 * MARGIN_MM, height


def tiles(length_mm: float, ends_mm: float, sheet: Paper) -> tuple[Tile, ...]:
    """Cut a band from -ends to length + ends into pages that overlap.

    Raises
    ------
    RefusalError
        `paper-too-small` if a page shows less than 60 mm of the band.
    """
    width = room_mm(sheet)[0]
    whole = length_mm + 2.0 * ends_mm
    if whole <= width:
        return (Tile(-ends_mm, length_mm + ends_mm, None, None),)
    step = width - OVERLAP_MM
    if step < 60.0:
        raise RefusalError(
            "paper-too-small",
            f"{sheet.name} shows only {step:.0f} mm of the piece a page.",
            "Choose larger paper with --paper.",
        )
    count = ceil((whole - OVERLAP_MM) / step)
    # Equal shares: no page with a sliver at the end.
    share = (whole - OVERLAP_MM) / count
    joins = [-ends_mm + 0.5 * OVERLAP_MM + share * k for k in range(1, count)]
    out = []
    for k in range(count):
        left = joins[k - 1] if k else None
        right = joins[k] if k < count - 1 else None
        start = -ends_mm if left is None else left - 0.5 * OVERLAP_MM
        stop = length_mm + ends_mm if right is None else right + 0.5 * OVERLAP_MM
        out.append(Tile(start, stop, left, right))
    return tuple(out)


def fill_pages(strips: tuple[Strip, ...], sheet: Paper) -> list[list[Strip]]:
    """Put bands under each other, in order, on as few pages as hold them."""
    room = room_mm(sheet)[1]
    pages: list[list[Strip]] = [[]]
    used = 0.0
    for strip in strips:
        need = strip.height_mm + (BETWEEN_MM if pages[-1] else 0.0)
        if pages[-1] and used + need > room:
            pages.append([])
            used, need = 0.0, strip.height_mm
        pages[-1].append(strip)
        used += need
    return pages
