"""A measured tool on the terminal."""

from __future__ import annotations

from calib.sourcewords import source_words
from measure.result import TraceResult
from measure.tool import Tool
from measure.toolplan import BoringPlan
from measure.toolwords import (
    CAUTIONS,
    cuts_words,
    form_words,
    mechanism_words,
    order_words,
    side_words,
    stock_words,
    taper_words,
)
from measure.units import Units

__all__ = ["tool_text"]


def tool_text(
    first: TraceResult, tool: Tool, plan: BoringPlan, sides: tuple[str, str], units: Units
) -> str:
    """Return the table of steps, what was found out of true, the order of bores and cautions.

    Parameters
    ----------
    first : the trace of the first photo; `sides` what its two sides are called.
    """
    photos = "" if tool.photos == 1 else f", {tool.photos} photos"
    lines = [
        f"{first.photo_name}{photos}; {source_words(first.scale_from, first.lens_from)}",
        f"Taken as {form_words(tool)}",
        "",
        *_table(tool, units),
    ]
    lines += ["", f"From the shank's axis to each side, {units.name}:"]
    for step in tool.steps:
        words = side_words(step, sides, units)
        if words:
            lines.append(f"  step {step.number}: {words}")
    order = order_words(tool, plan, units)
    if order:
        lines += ["", "Boring with it"]
        lines += [f"  {index}. {line}" for index, line in enumerate(order, 1)]
    if plan.mechanism is not None:
        lines += ["", f"For {plan.mechanism.name}"]
        for heading, words_of_part in mechanism_words(plan, units):
            lines.append(f"  {heading}")
            lines += [f"    {line}" for line in words_of_part]
    lines += ["", *CAUTIONS]
    return "\n".join(lines)


def _table(tool: Tool, units: Units) -> list[str]:
    head = ["step", "from", "to", "long", f"diameter, {units.name}", "what", "cuts", "stock size"]
    rows = [head]
    for item in tool.steps:
        step = item.step
        size = f"{units.fine(step.diameter_mm)} ±{units.spread(step.u95_mm)}"
        rows.append(
            [
                str(item.number),
                units.place(step.from_mm),
                units.place(step.to_mm),
                units.place(step.length_mm),
                size,
                item.role.value,
                cuts_words(item, units),
                stock_words(item.stock) if item.role.value != "point" else "",
            ]
        )
    wide = [max(len(row[k]) for row in rows) for k in range(len(head))]
    lines = [
        "  ".join(
            word.rjust(w) if k in (1, 2, 3, 4) else word.ljust(w)
            for k, (word, w) in enumerate(zip(row, wide, strict=True))
        ).rstrip()
        for row in rows
    ]
    for item in tool.steps:
        words = taper_words(item, units)
        if words:
            lines.append(f"Step {item.number} tapers: {words}.")
    return lines
