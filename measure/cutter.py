"""A boring tool from one or more photos: its steps, their roles, and what each one cuts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.refusal import Notice
from measure.blade import Thickness, assumed_thickness, flat_step
from measure.flat import swept_radius
from measure.mating import COVERAGE
from measure.profile import Profile
from measure.reach import MiddleLine
from measure.steps import Step, find_steps
from measure.stock import StockMatch, stock_matches
from measure.swept import Reading, Swept, swept_of
from measure.toolroles import Role, Roles, find_roles
from measure.toolview import EDGE_MM, Centre, ToolView, centre_of, same_tool, shank_of

__all__ = ["FLAT", "ROUND", "Tool", "ToolStep", "measure_tool"]

ROUND, FLAT = "round", "flat"

SEEN_OFFSET_MM = 0.1
"""An offset is worth a line if it is larger than this, and than its uncertainty."""
LOOSE_AXIS_SD_MM = 0.1
THICKNESS_SEEN_SD_MM = 0.1
"""Of a blade's thickness read from a photo on edge."""


@dataclass(frozen=True, slots=True)
class ToolStep:
    """One step of a tool.

    Attributes
    ----------
    number : from 1, in order of z.
    swept : what it cuts about the shank's axis; None where that says nothing (a point, a
        step of which a side is hidden).
    reach_mm, reach_u95_mm : from the shank's axis to the two sides as the first photo shows
        them, first the side at `across` of `reach.frame_of`; None with `swept`.
    stock : sizes that its diameter allows, likeliest first.
    """

    number: int
    step: Step
    role: Role
    swept: Swept | None
    reach_mm: tuple[float, float] | None
    reach_u95_mm: float | None
    stock: tuple[StockMatch, ...]


@dataclass(frozen=True, slots=True)
class Tool:
    """What the photos say of a tool.

    Attributes
    ----------
    tip_mm : z of its working end.
    photos : how many were used.
    thickness : of a flat blade; None for a round tool.
    """

    steps: tuple[ToolStep, ...]
    roles: Roles
    tip_mm: float
    photos: int
    thickness: Thickness | None
    notices: tuple[Notice, ...]


@dataclass(frozen=True, slots=True)
class _Shot:
    """One photo laid on the first: z there is `shift + sign * z`, and its shank's axis."""

    view: ToolView
    turned_rad: float
    turned_round: bool
    shift: float
    shank: MiddleLine

    def span(self, step: Step) -> tuple[float, float]:
        sign = -1.0 if self.turned_round else 1.0
        ends = [self.shift + sign * z for z in (step.from_mm, step.to_mm)]
        return min(ends), max(ends)


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
    thickness : of the blade; None to find it in a photo on edge, or else assume it.
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
    steps = find_steps(views[0].profile)
    roles = find_roles(steps, shank_first)
    shots = _laid_on_first(views, turned_rad, steps[roles.shank])
    if form == FLAT:
        thickness = thickness or _found_thickness(shots, steps, roles) or assumed_thickness()
    made = []
    for index, step in enumerate(steps):
        role = roles.of_step[index]
        flat = form == FLAT and role not in (Role.SHANK, Role.POINT)
        made.append(_tool_step(index + 1, step, role, shots, thickness if flat else None))
    z = views[0].profile.z_mm
    tool = Tool(
        steps=tuple(made),
        roles=roles,
        tip_mm=float(z[0] if roles.tip_first else z[-1]),
        photos=len(views),
        thickness=thickness if form == FLAT else None,
        notices=(),
    )
    return replace(tool, notices=tuple(_notices(tool, shots)))


def _laid_on_first(
    views: Sequence[ToolView], turned_rad: Sequence[float], shank: Step
) -> list[_Shot]:
    shots = []
    for index, (view, turned) in enumerate(zip(views, turned_rad, strict=True)):
        turned_round, shift = (False, 0.0)
        if index:
            turned_round, shift = same_tool(views[0].profile, view.profile)
        sign = -1.0 if turned_round else 1.0
        ends = sorted(shift + sign * z for z in (shank.from_mm, shank.to_mm))
        line = shank_of(view, ends[0], ends[1])
        shots.append(_Shot(view, turned, turned_round, shift, line))
    return shots


def _tool_step(
    number: int, step: Step, role: Role, shots: Sequence[_Shot], blade: Thickness | None
) -> ToolStep:
    if blade is not None:
        step = _as_blade(step, shots, blade)
    stock = () if role is Role.POINT else stock_matches(step.diameter_mm, step.u95_mm)
    centres = [centre_of(shot.view, shot.shank, *shot.span(step)) for shot in shots]
    first = centres[0]
    if role is Role.POINT or first is None:
        return ToolStep(number, step, role, None, None, None, stock)
    seen = [(s, c) for s, c in zip(shots, centres, strict=True) if c is not None]
    if role is Role.SHANK:
        swept = Swept(step.diameter_mm, step.u95_mm, False, 0.0, 0.0, 0.0, None)
    elif blade is not None:
        swept = _swept_blade(step, seen, blade)
    else:
        swept = _swept_round(step, seen)
    at = max(first.at_mm, key=abs)
    half = 0.5 * step.diameter_mm
    sd = math.hypot(first.own_sd_mm, max(first.axis_sd_mm))
    u95 = math.hypot(0.5 * step.u95_mm, COVERAGE * sd)
    return ToolStep(number, step, role, swept, (half + at, half - at), u95, stock)


def _swept_round(step: Step, seen: Sequence[tuple[_Shot, Centre]]) -> Swept:
    """Return what a round step cuts: of a step that runs askew the end that cuts widest."""
    ends = max(len(centre.at_mm) for _, centre in seen)
    found = []
    for end in range(ends):
        readings = []
        for index, (shot, centre) in enumerate(seen):
            here = step if index == 0 else _seen_in(step, shot)
            # A photo that counts from the other end has its ends and its sides exchanged.
            place = (ends - 1 - end if shot.turned_round else end) if len(centre.at_mm) > 1 else 0
            at = -centre.at_mm[place] if shot.turned_round else centre.at_mm[place]
            readings.append(_reading(here, shot.turned_rad, centre, place, at))
        found.append(swept_of(readings))
    return max(found, key=lambda swept: swept.diameter_mm)


def _reading(step: Step, turned_rad: float, centre: Centre, place: int, at: float) -> Reading:
    half = 0.5 * step.diameter_mm
    local = math.sqrt(max(0.0, step.u95_mm**2 - step.u95_common_mm**2))
    # A diameter is the sum of two reaches, each with its own share of the local error.
    own = max(local / COVERAGE / math.sqrt(2.0), math.sqrt(2.0) * centre.own_sd_mm)
    return Reading(
        turned_rad=turned_rad,
        reach_a_mm=half + at,
        reach_b_mm=half - at,
        lean_rad=centre.lean_rad,
        own_sd_mm=own,
        axis_sd_mm=centre.axis_sd_mm[place],
        scale_sd_mm=0.5 * step.u95_common_mm / COVERAGE,
    )


def _seen_in(step: Step, shot: _Shot) -> Step:
    """Return the step with the diameter that another photo gives it."""
    rows = _rows(shot.view.profile, *shot.span(step))
    if len(rows) == 0:
        return step
    profile = shot.view.profile
    return replace(
        step,
        diameter_mm=float(np.median(profile.diameter_mm[rows])),
        u95_mm=float(np.median(profile.u95_mm[rows])),
        u95_common_mm=float(np.median(profile.u95_common_mm[rows])),
    )


def _rows(profile: Profile, z_from: float, z_to: float) -> NDArray[np.int64]:
    edge = min(EDGE_MM, 0.25 * (z_to - z_from))
    inside = (profile.z_mm >= z_from + edge) & (profile.z_mm <= z_to - edge)
    return np.nonzero(inside)[0]


def _width(step: Step, shot: _Shot) -> float:
    rows = _rows(shot.view.profile, *shot.span(step))
    return float(np.median(shot.view.profile.diameter_mm[rows])) if len(rows) else 0.0


def _as_blade(step: Step, shots: Sequence[_Shot], blade: Thickness) -> Step:
    """Return the step as the photo that shows the blade widest has it."""
    shot = max(shots, key=lambda one: _width(step, one))
    begin, end = shot.span(step)
    flat = flat_step(shot.view, shot.shank, replace(step, from_mm=begin, to_mm=end), blade)
    return step if flat is None else replace(flat, from_mm=step.from_mm, to_mm=step.to_mm)


def _swept_blade(step: Step, seen: Sequence[tuple[_Shot, Centre]], blade: Thickness) -> Swept:
    """Return what the corners of a blade cut.

    A photo of the blade on edge shows how far its middle plane passes the axis; without one
    that is not known, and what it cuts is at least what is given.
    """
    widths = [_width(step, shot) for shot, _ in seen]
    wide = int(np.argmax(widths))
    edge = _on_edge([shot.turned_rad for shot, _ in seen], wide)
    aside = max(seen[wide][1].at_mm, key=abs)
    beside = 0.0 if edge is None else max(map(abs, seen[edge][1].at_mm))
    reach = 0.5 * step.diameter_mm + abs(aside)
    radius = swept_radius(reach, blade.mm + 2.0 * beside)
    sd = math.hypot(seen[wide][1].own_sd_mm, max(seen[wide][1].axis_sd_mm))
    u95 = math.hypot(0.5 * step.u95_mm, COVERAGE * sd)
    return Swept(
        diameter_mm=2.0 * radius,
        u95_mm=2.0 * u95,
        is_lower_bound=edge is None,
        offset_mm=math.hypot(aside, beside),
        offset_u95_mm=COVERAGE * sd,
        direction_rad=0.0 if aside >= 0.0 else math.pi,
        at_most_mm=None,
    )


def _on_edge(turned_rad: Sequence[float], wide: int) -> int | None:
    """Return the photo a quarter turn from that one, within 10 degrees; None if there is none."""
    away = [abs(math.cos(turned - turned_rad[wide])) for turned in turned_rad]
    best = int(np.argmin(away))
    return best if away[best] < math.sin(math.radians(10.0)) else None


def _found_thickness(
    shots: Sequence[_Shot], steps: Sequence[Step], roles: Roles
) -> Thickness | None:
    """Return the thickness that a photo on edge shows of the widest step."""
    blades = [
        step
        for step, role in zip(steps, roles.of_step, strict=True)
        if role not in (Role.SHANK, Role.POINT)
    ]
    if not blades:
        return None
    widths = {(step, k): _width(step, shot) for step in blades for k, shot in enumerate(shots)}
    step, wide = max(widths, key=lambda key: widths[key])
    edge = _on_edge([shot.turned_rad for shot in shots], wide)
    if edge is None or not 0.0 < widths[step, edge] < 0.6 * widths[step, wide]:
        return None
    return Thickness(widths[step, edge], THICKNESS_SEEN_SD_MM, "measured on edge")


def _notices(tool: Tool, shots: Sequence[_Shot]) -> list[Notice]:
    found = []
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
    if any(step.swept is not None and step.swept.is_lower_bound for step in tool.steps):
        found.append(
            Notice(
                "lower-bound",
                "An offset toward the phone cannot be seen, so the tool may cut more than this.",
                "Turn it a quarter round its length, take a second photo and name both with "
                "--turned 0,90.",
            )
        )
    if shots[0].shank.shift_sd(tool.tip_mm) > LOOSE_AXIS_SD_MM:
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
    return found


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
                "If it is a flat blade, add --form flat.",
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
