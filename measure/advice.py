"""What a making sheet advises: order of work, first drill, cautions; common practice."""

from __future__ import annotations

from measure.mechanism import CAP
from measure.speeds import Speeds
from measure.wall import Section, WoodPart

__all__ = ["cautions", "first_drill", "making_steps"]


def making_steps(
    parts: tuple[WoodPart, ...], section: Section | None, layered: bool
) -> tuple[str, ...]:
    """Return the order of work, one line a step (common practice, no source)."""
    steps = []
    if layered:
        steps.append("Plane the layers, glue up in the order drawn, leave in the clamps overnight.")
    steps.append("Saw the blank square, mark the centres, rough to a cylinder, cut a chuck spigot.")
    if len(parts) > 1:
        steps.append("Part body and cap roughly, with a spigot on each; keep the grain in line.")
    if section is not None:
        steps.append("Square the foot and bore before shaping, in the order of the table; "
                     "remount on the bores.")  # fmt: skip
    if any(part.neck_mm for part in parts):
        steps.append("Turn the neck last in steps of a shaving; try the cap until it turns by hand.")
    steps.append("Lay the story stick on the turning work and mark every line with a pencil.")
    steps.append("Part down at the marks to the caliper settings, shoulders and coves first.")
    steps.append("Join the settings with gouge and skew; stop the lathe and offer the template.")
    steps.append("Sand through the grits, finish, part off, clean up the foot.")
    return tuple(steps)


def first_drill(section: Section | None) -> str:
    """Return which bore to drill first and why; empty without a mechanism."""
    if section is None or not section.bores:
        return ""
    body = [b.bore for b in section.bores if b.bore.part != CAP] or [
        b.bore for b in section.bores
    ]
    first = body[0]
    narrow = min(body, key=lambda b: b.diameter_mm)
    text = f"First drill {first.diameter_mm:g} mm ({first.name}): widest first, so that the "
    text += "centre spur of each bit finds wood."
    if narrow is not first:
        text += (
            f" With a stepped cutter on a pilot: first {narrow.diameter_mm:g} mm, "
            "so that the pilot runs in its hole."
        )
    return text


def cautions(speeds: Speeds) -> tuple[str, ...]:
    """Return the usual cautions, short; each defers to manuals, rules and training."""
    return (
        "Speeds are starting points: begin lower, and lower still while the blank is square, "
        "cracked, glued up or out of balance. The machine's plate and manual rule.",
        f"Rough {speeds.roughing[0]} to {speeds.roughing[1]}, shape {speeds.shaping[0]} to "
        f"{speeds.shaping[1]}, sand {speeds.sanding[0]} to {speeds.sanding[1]} rev/min.",
        "Full face shield. Dust: extraction and a mask that fits; the dust of some woods "
        "sensitises skin and lungs.",
        "Spigot to fit the jaws, full depth, tight; tailstock up as long as it can stay. "
        "Spin by hand before switching on; stand aside while it starts.",
        "Stop the lathe before measuring, moving the rest or offering the template. No gloves, "
        "loose sleeves or cloth near turning work.",
        "Bore at the bit's own speed, clear chips often, never hold the work by hand.",
        "Finish and food: by the maker's data sheet, fully cured. Oily rags can catch fire by "
        "themselves: lay them out flat, outdoors.",
        "Local rules and what a trained turner tells you come before this sheet.",
    )
