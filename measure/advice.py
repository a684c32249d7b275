"""What a making sheet advises: order of work, first drill, cautions; common practice."""

from __future__ import annotations

from measure.mechanism import CAP
from measure.units import METRIC, Units
from measure.wall import Section, WoodPart

__all__ = ["cautions", "first_drill", "making_steps"]

SLENDER = 12.0
"""Longer than so many times its thinnest part, a spindle whips (common practice, no source)."""


def making_steps(
    parts: tuple[WoodPart, ...], section: Section | None, layered: bool
) -> tuple[str, ...]:
    """Return the order of work, one line a step (common practice, no source)."""
    steps = []
    if layered:
        steps.append("Plane the layers, glue up in the order drawn, leave clamped overnight.")
    steps.append("Saw, mark the centres, rough to a cylinder, cut a spigot.")
    if len(parts) > 1:
        steps.append("Part body and cap, a spigot on each, their grain in line.")
    if section is not None:
        steps.append("Square the foot; bore before shaping, in the order numbered; remount.")
    if any(part.neck_mm for part in parts):
        steps.append("Turn the neck by shavings until the cap turns by hand.")
    steps.append("Mark every line from the story stick.")
    steps.append("Part down at the marks to the settings, shoulders and coves first.")
    steps.append("Join up with gouge and skew; lathe stopped, offer the template.")
    steps.append("Sand, finish, part off, clean up the foot.")
    return tuple(steps)


def first_drill(section: Section | None, units: Units = METRIC) -> str:
    """Return which bore to drill first and why; empty without a mechanism."""
    if section is None or not section.bores:
        return ""
    body = [b.bore for b in section.bores if b.bore.part != CAP] or [b.bore for b in section.bores]
    first = body[0]
    size = f"{first.diameter_mm:g} mm"  # as the bit is sold
    if units.inches:
        size = f"{units.number(first.diameter_mm)} {units.name}, {size}"
    return (
        f"First drill {size} ({first.name}): widest first, so that the centre spur of each bit "
        "finds wood. With a stepped cutter: first the hole that its pilot runs in; measure cutter "
        "tells the drill."
    )


def cautions(length_mm: float, thinnest_mm: float) -> tuple[str, ...]:
    """Return the usual cautions, short; each defers to manuals, rules and training."""
    usual = (
        "Begin slower than the table while the blank is square, cracked, glued up or out of "
        "balance. The machine's plate and manual rule.",
        "Full face shield. Dust extraction and a mask that fits: the dust of some woods "
        "sensitises skin and lungs.",
        "Spigot full depth in the jaws and tight, tailstock up; spin by hand, stand aside at "
        "the start.",
        "Stop the lathe before measuring or moving the rest. No gloves, loose sleeves or cloth "
        "near turning work.",
        "Bore at the bit's own speed, clear chips often, hold no work by hand.",
        "Finish and food: by the maker's data sheet, fully cured. Oily rags can catch fire by "
        "themselves: dry them flat, outdoors.",
        "Local rules and a trained turner's word come before this sheet.",
    )
    if length_mm <= SLENDER * thinnest_mm:
        return usual
    whip = (
        "Long and slender: it whips. Slower, light cuts, a steady rest; never push from one side."
    )
    return (*usual[:1], whip, *usual[1:])
