"""What a step of a tool cuts, from the photos that show it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from measure.blade import Thickness, flat_step
from measure.flat import swept_radius
from measure.mating import COVERAGE
from measure.steps import Step
from measure.swept import Reading, Swept, swept_of
from measure.toolshots import Shot, seen_in, width_in
from measure.toolview import Centre

__all__ = ["blade_in", "swept_blade", "swept_round"]


def swept_round(step: Step, seen: Sequence[tuple[Shot, Centre]]) -> Swept:
    """Return what a round step cuts: of a step that runs askew the end that cuts widest."""
    ends = max(len(centre.at_mm) for _, centre in seen)
    found = []
    for end in range(ends):
        readings = []
        for index, (shot, centre) in enumerate(seen):
            here = step if index == 0 else seen_in(step, shot)
            # A photo that counts from the other end has its ends and its sides exchanged.
            place = (ends - 1 - end if shot.turned_round else end) if len(centre.at_mm) > 1 else 0
            at = -centre.at_mm[place] if shot.turned_round else centre.at_mm[place]
            readings.append(_reading(here, shot.turned_rad, centre, place, at))
        found.append(swept_of(readings))
    return max(found, key=lambda swept: swept.diameter_mm)


def blade_in(step: Step, shots: Sequence[Shot], blade: Thickness) -> tuple[Step, float] | None:
    """Return the step and how far aside it lies, from the photo that shows it widest."""
    shot = max(shots, key=lambda one: width_in(step, one))
    begin, end = shot.span(step)
    flat = flat_step(shot.view, shot.shank, replace(step, from_mm=begin, to_mm=end), blade)
    if flat is None:
        return None
    aside = -flat[1] if shot.turned_round else flat[1]
    return replace(flat[0], from_mm=step.from_mm, to_mm=step.to_mm), aside


def swept_blade(
    step: Step, aside: float, seen: Sequence[tuple[Shot, Centre]], blade: Thickness
) -> Swept:
    """Return what the corners of a blade cut.

    A photo of the blade on edge shows how far its middle plane passes the axis, within what
    the blade's own width may feign there; without one that is not known, and what it cuts is
    at least what is given.
    """
    wide = int(np.argmax([width_in(step, shot) for shot, _ in seen]))
    edge = _on_edge([shot.turned_rad for shot, _ in seen], wide)
    reach = 0.5 * step.diameter_mm + abs(aside)
    beside, feigned = 0.0, 0.0
    if edge is not None:
        centre = seen[edge][1]
        beside, feigned = max(map(abs, centre.at_mm)), reach * abs(math.sin(centre.lean_rad))
    radius = swept_radius(reach, blade.mm + 2.0 * beside)
    centre = seen[wide][1]
    sd = math.hypot(centre.own_sd_mm, max(centre.axis_sd_mm))
    through = (0.5 * blade.mm + beside) / radius
    u95 = math.hypot(
        0.5 * step.u95_mm,
        COVERAGE * sd,
        through * feigned,
        through * COVERAGE * 0.5 * blade.sd_mm,
    )
    return Swept(
        diameter_mm=2.0 * radius,
        u95_mm=2.0 * u95,
        is_lower_bound=edge is None,
        offset_mm=math.hypot(aside, beside),
        offset_u95_mm=math.hypot(COVERAGE * sd, feigned),
        direction_rad=0.0 if aside >= 0.0 else math.pi,
        at_most_mm=None,
    )


def _reading(step: Step, turned_rad: float, centre: Centre, place: int, at: float) -> Reading:
    half = 0.5 * step.diameter_mm
    local = math.sqrt(max(0.0, step.u95_mm**2 - step.u95_common_mm**2))
    # A diameter is the sum of two reaches, each with its own share of the local error; what moves
    # the middle beyond that gives to one side what it takes from the other, as the axis does.
    own = local / COVERAGE / math.sqrt(2.0)
    middle = max(0.0, centre.own_sd_mm**2 - 0.5 * own**2)
    return Reading(
        turned_rad=turned_rad,
        reach_a_mm=half + at,
        reach_b_mm=half - at,
        lean_rad=centre.lean_rad,
        own_sd_mm=own,
        axis_sd_mm=math.sqrt(centre.axis_sd_mm[place] ** 2 + middle),
        scale_sd_mm=0.5 * step.u95_common_mm / COVERAGE,
    )


def _on_edge(turned_rad: Sequence[float], wide: int) -> int | None:
    """Return the photo a quarter turn from that one, within 10 degrees; None if there is none."""
    away = [abs(math.cos(turned - turned_rad[wide])) for turned in turned_rad]
    best = int(np.argmin(away))
    return best if away[best] < math.sin(math.radians(10.0)) else None
