"""The report of a tool: one HTML page that needs nothing beside it and prints well."""

from __future__ import annotations

from calib.sourcewords import source_words
from measure.drawprofile import profile_svg
from measure.page import drawing, fill_page, picture_source
from measure.setupwords import setup_words
from measure.tool import Tool, ToolStep
from measure.toolplan import BoringPlan
from measure.toolroles import Role
from measure.tooltraces import ToolPhotos
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
from measure.units import METRIC, Units

__all__ = ["cutter_report"]

MOST_STOCK = 6


def cutter_report(
    photos: ToolPhotos, picture: bytes, tool: Tool, plan: BoringPlan, units: Units = METRIC
) -> str:
    """Return the report as HTML.

    Parameters
    ----------
    picture : the annotated first photo, a JPEG.
    """
    first = photos.first
    return fill_page(
        "cutter.html",
        title=f"{first.photo_name}: what it cuts",
        photo=", ".join(trace.result.photo_name for trace in photos.traces),
        setup=setup_words(first.setup, first.target_is_board),
        sources=source_words(first.scale_from, first.lens_from),
        notices=[*first.notices, *photos.notices, *tool.notices],
        headline=_headline(tool, plan, units),
        picture=picture_source(picture),
        profile=drawing(profile_svg(first, units)),
        unit=units.name,
        unit_word=units.word,
        steps=[_step(item, photos.side_names, units) for item in tool.steps],
        order=order_words(tool, plan, units),
        mechanism=None if plan.mechanism is None else plan.mechanism.name,
        sections=mechanism_words(plan, units),
        lower_bound=any(s.swept is not None and s.swept.is_lower_bound for s in tool.steps),
        thickness=_thickness(tool, units),
        form=form_words(tool),
        advice=CAUTIONS,
    )


def _headline(tool: Tool, plan: BoringPlan, units: Units) -> list[tuple[str, str]]:
    rows = []
    for item in tool.steps:
        if item.role in (Role.CUTTING, Role.PILOT):
            name = "Pilot" if item.role is Role.PILOT else f"Step {item.number} cuts"
            rows.append((name, f"{cuts_words(item, units)} {units.name}"))
    if plan.drill is not None:
        rows.append(("Bore first", plan.drill.size.name))
    return rows


def _step(item: ToolStep, sides: tuple[str, str], units: Units) -> dict[str, str]:
    step = item.step
    point = item.role is Role.POINT
    return {
        "number": str(item.number),
        "what": item.role.value,
        "from": units.place(step.from_mm),
        "to": units.place(step.to_mm),
        "long": units.place(step.length_mm),
        "diameter": units.fine(step.diameter_mm),
        "spread": units.spread(step.u95_mm),
        "cuts": cuts_words(item, units),
        "sides": side_words(item, sides, units),
        "taper": taper_words(item, units),
        "stock": "" if point else stock_words(item.stock, MOST_STOCK),
    }


def _thickness(tool: Tool, units: Units) -> str:
    if tool.thickness is None:
        return ""
    return f"{units.fine(tool.thickness.mm)} {units.name} ({tool.thickness.source})"
