"""Photos of one tool, turned about its length between them, laid on each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from measure.profile import Profile
from measure.reach import MiddleLine
from measure.steps import Step
from measure.toolview import EDGE_MM, ToolView, same_tool, shank_of, tools_differ

__all__ = ["Shot", "laid_on_first", "seen_in", "width_in"]

SHANKS_DIFFER_MM = 0.8
"""Room for a shank that is not quite round, such as a hexagon one seen on flats and corners."""


@dataclass(frozen=True, slots=True)
class Shot:
    """One photo laid on the first: z there is `shift + sign * z`, and its shank's axis."""

    view: ToolView
    turned_rad: float
    turned_round: bool
    shift: float
    shank: MiddleLine

    def span(self, step: Step) -> tuple[float, float]:
        """Return where a step of the first photo begins and ends in this one, in order."""
        sign = -1.0 if self.turned_round else 1.0
        ends = [self.shift + sign * z for z in (step.from_mm, step.to_mm)]
        return min(ends), max(ends)


def laid_on_first(
    views: Sequence[ToolView], turned_rad: Sequence[float], shank: Step
) -> list[Shot]:
    """Return the photos laid on the first, each with the axis of the shank it shows.

    Raises
    ------
    RefusalError
        `tools-differ`, `shank-hidden`.
    """
    shots = []
    for index, (view, turned) in enumerate(zip(views, turned_rad, strict=True)):
        turned_round, shift = (False, 0.0)
        if index:
            turned_round, shift = same_tool(views[0].profile, view.profile)
        sign = -1.0 if turned_round else 1.0
        ends = sorted(shift + sign * z for z in (shank.from_mm, shank.to_mm))
        line = shank_of(view, ends[0], ends[1])
        shots.append(Shot(view, turned, turned_round, shift, line))
        width = width_in(shank, shots[-1])
        if abs(width - shank.diameter_mm) > max(SHANKS_DIFFER_MM, 2.0 * shank.u95_mm):
            how = f"one shank is {shank.diameter_mm:.1f} mm thick, the other {width:.1f}"
            raise tools_differ(how)
    return shots


def seen_in(step: Step, shot: Shot) -> Step:
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


def width_in(step: Step, shot: Shot) -> float:
    """Return the width of a step in a photo, mm; 0 if it is not seen there."""
    rows = _rows(shot.view.profile, *shot.span(step))
    return float(np.median(shot.view.profile.diameter_mm[rows])) if len(rows) else 0.0


def _rows(profile: Profile, z_from: float, z_to: float) -> NDArray[np.int64]:
    edge = min(EDGE_MM, 0.25 * (z_to - z_from))
    inside = (profile.z_mm >= z_from + edge) & (profile.z_mm <= z_to - edge)
    return np.nonzero(inside)[0]
