"""A flat blade in the photos: its width from its rim."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from measure.flat import THICKNESS_MM, THICKNESS_SD_MM, blade_half_width
from measure.mating import COVERAGE
from measure.reach import MiddleLine, reach_over
from measure.steps import Step
from measure.toolview import EDGE_MM, ToolView

__all__ = ["Thickness", "assumed_thickness", "flat_step"]

FloatArray = NDArray[np.float64]

LIES_FLAT_SD_RAD = math.radians(2.0)
"""How nearly a blade that lies on the bench is parallel to it (no source)."""
UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, slots=True)
class Thickness:
    """Of a blade, mm, with its standard deviation; `source` is given or assumed."""

    mm: float
    sd_mm: float
    source: str


def assumed_thickness() -> Thickness:
    """Return what is taken of a blade that nobody has measured."""
    return Thickness(THICKNESS_MM, THICKNESS_SD_MM, "assumed")


def flat_step(
    view: ToolView, shank: MiddleLine, step: Step, thickness: Thickness
) -> tuple[Step, float] | None:
    """Return a step with the width of its flat blade, and how far its middle lies aside.

    The blade lies on the bench, parallel to it. Aside is from the shank's axis toward the
    first side, mm. None if a side is not seen.
    """
    halves, through = [], []
    edge = min(EDGE_MM, 0.25 * step.length_mm)
    for sign, rays in zip((1.0, -1.0), view.rays, strict=True):
        side = reach_over(view.camera_mm, rays, shank.axis)
        side = side.between(step.from_mm + edge, step.to_mm - edge)
        if len(side.z_mm) < 3:
            return None
        _, half = blade_half_width(view.camera_mm, side, shank.axis, sign, UP, thickness.mm)
        thinner = thickness.mm - min(thickness.sd_mm, thickness.mm)
        _, other = blade_half_width(view.camera_mm, side, shank.axis, sign, UP, thinner)
        halves.append(float(np.median(half)))
        through.append(float(np.median(other)) - halves[-1])
    width = halves[0] + halves[1]
    lean_sd = 0.5 * thickness.mm * LIES_FLAT_SD_RAD
    more = COVERAGE * math.hypot(through[0] + through[1], 2.0 * lean_sd)
    u95 = math.hypot(step.u95_mm, more)
    blade = replace(step, diameter_mm=width, start_mm=width, end_mm=width, u95_mm=u95)
    return blade, 0.5 * (halves[0] - halves[1])
