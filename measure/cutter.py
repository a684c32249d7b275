"""A boring tool from one or more photos: its steps, their roles, and what each one cuts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from measure.blade import Thickness, assumed_thickness
from measure.mating import COVERAGE
from measure.steps import Step
from measure.stock import stock_matches
from measure.swept import Swept
from measure.tool import Tool, ToolStep
from measure.toolnotices import tool_notices
from measure.toolroles import Role, find_roles
from measure.toolshots import Shot, laid_on_first
from measure.toolsweep import blade_in, swept_blade, swept_round
from measure.toolview import ToolView, centre_of, steps_of

__all__ = ["FLAT", "ROUND", "measure_tool"]

ROUND, FLAT = "round", "flat"


def measure_tool(
    views: Sequence[ToolView],
    turned_rad: Sequence[float],
    *,
    form: str = ROUND,
    thickness: Thickness | None = None,
    shank_first: bool | None = None,
) -> Tool:
    """Return the steps of a tool and what they cut.

    Parameters
    ----------
    views : the photos; steps are those of the first.
    turned_rad : how far the tool was turned about its length since the first, one a photo.
    form : `ROUND` or `FLAT`; of a flat tool every step but the shank is a blade.
    thickness : of the blade; None to assume one, and say so.
    shank_first : whether the shank is at z = 0; None to tell it from the shape.

    Raises
    ------
    RefusalError
        `no-steps`, `shank-hidden`, `tools-differ`.
    ValueError
        If there are not as many turns as views, or the form is not known.
    """
    if len(views) != len(turned_rad) or not views:
        raise ValueError(f"need as many turns as photos, got {len(turned_rad)} and {len(views)}")
    if form not in (ROUND, FLAT):
        raise ValueError(f"form is {form!r}, need {ROUND!r} or {FLAT!r}")
    steps = steps_of(views[0])
    roles = find_roles(steps, shank_first)
    shots = laid_on_first(views, turned_rad, steps[roles.shank])
    if form == FLAT:
        thickness = thickness or assumed_thickness()
    made = []
    for index, step in enumerate(steps):
        role = roles.of_step[index]
        flat = form == FLAT and role not in (Role.SHANK, Role.POINT)
        made.append(_tool_step(index + 1, step, role, shots, thickness if flat else None))
    tool = Tool(
        steps=tuple(made),
        roles=roles,
        tip_mm=steps[0].from_mm if roles.tip_first else steps[-1].to_mm,
        photos=len(views),
        thickness=thickness if form == FLAT else None,
        notices=(),
    )
    return replace(tool, notices=tool_notices(tool, shots[0].shank.shift_sd(tool.tip_mm)))


def _tool_step(
    number: int, step: Step, role: Role, shots: Sequence[Shot], blade: Thickness | None
) -> ToolStep:
    centres = [centre_of(shot.view, shot.shank, *shot.span(step)) for shot in shots]
    first = centres[0]
    at = 0.0 if first is None else max(first.at_mm, key=abs)
    as_blade = None if blade is None else blade_in(step, shots, blade)
    if as_blade is not None:
        step, at = as_blade
    stock = () if role is Role.POINT else stock_matches(step.diameter_mm, step.u95_mm)
    if role is Role.POINT or first is None:
        return ToolStep(number, step, role, None, None, None, stock)
    seen = [(s, c) for s, c in zip(shots, centres, strict=True) if c is not None]
    if role is Role.SHANK:
        swept = Swept(step.diameter_mm, step.u95_mm, False, 0.0, 0.0, 0.0, None)
    elif blade is not None:
        swept = swept_blade(step, at, seen, blade)
    else:
        swept = swept_round(step, seen)
    half = 0.5 * step.diameter_mm
    sd = math.hypot(first.own_sd_mm, max(first.axis_sd_mm))
    u95 = math.hypot(0.5 * step.u95_mm, COVERAGE * sd)
    return ToolStep(number, step, role, swept, (half + at, half - at), u95, stock)
