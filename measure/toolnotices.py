"""What the turner must know of a measured tool beside its numbers."""

from __future__ import annotations

from calib.refusal import Notice
from measure.swept import Swept
from measure.tool import Tool, ToolStep

__all__ = ["tool_notices"]

SEEN_OFFSET_MM = 0.1
"""An offset is worth a line if it is larger than this, and than its uncertainty."""
LOOSE_AXIS_SD_MM = 0.2
"""With an axis so loose at the tip an offset of twice that, as a bent tool's, is not told."""


def tool_notices(tool: Tool, axis_sd_mm: float) -> tuple[Notice, ...]:
    """Return the notices of a tool; `axis_sd_mm` is how well the shank's axis is known at its tip.

    Most important first.
    """
    found: list[Notice] = []
    if not tool.roles.sure:
        end = "z = 0" if tool.roles.shank == 0 else "the far end"
        found.append(
            Notice(
                "shank-guessed",
                f"Which end is the shank was guessed: {end}.",
                "Name its side of the photo with --shank left (right, top, bottom) if not.",
            )
        )
    found += [notice for step in tool.steps for notice in _offset_notices(step)]
    if any(_may_cut_more(step.swept) for step in tool.steps):
        found.append(
            Notice(
                "lower-bound",
                "An offset toward the phone cannot be seen, so the tool may cut more than this.",
                "Turn it a quarter round its length, take a second photo and name both with "
                "--turned 0,90."
                if tool.photos == 1
                else "Of some steps only one photo tells: take that photo again.",
            )
        )
    if axis_sd_mm > LOOSE_AXIS_SD_MM:
        found.append(
            Notice(
                "shank-short",
                "The shank that is seen is short or rough, so offsets at the tip are poorly known.",
                "Check the run-out in the chuck with the lathe off, turning it by hand.",
            )
        )
    if tool.thickness is not None and tool.thickness.source == "assumed":
        found.append(
            Notice(
                "thickness-assumed",
                f"The blade was taken to be {tool.thickness.mm:g} mm thick.",
                "Measure it and give --thickness MM.",
            )
        )
    return tuple(found)


def _may_cut_more(swept: Swept | None) -> bool:
    return swept is not None and swept.is_lower_bound and swept.at_most_mm is None


def _offset_notices(step: ToolStep) -> list[Notice]:
    swept = step.swept
    if swept is None:
        return []
    if swept.at_most_mm is not None:
        return [
            Notice(
                "not-round",
                f"Step {step.number} is not round: it cuts between {swept.diameter_mm:.1f} and "
                f"{swept.at_most_mm:.1f} mm.",
                "A flat blade? Add --form flat. Two tools? Measure each by itself.",
            )
        ]
    if swept.offset_mm > max(SEEN_OFFSET_MM, swept.offset_u95_mm):
        return [
            Notice(
                "off-centre",
                f"Step {step.number} runs {swept.offset_mm:.1f} mm off the shank's axis: it is "
                f"{step.step.diameter_mm:.1f} wide and cuts {swept.diameter_mm:.1f} mm.",
                "Bore a test hole in scrap and measure it before you bore the work.",
            )
        ]
    return []
