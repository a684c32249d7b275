"""One photo of a tool, ready for its steps: profile, camera, axis and both sides."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.refusal import RefusalError
from measure.lineruns import fit_line
from measure.profile import Profile
from measure.reach import (
    MiddleLine,
    axis_of_shank,
    paired_rows,
    reach_over,
)
from measure.revolve import Axis
from measure.steps import Step, find_steps

__all__ = ["Centre", "ToolView", "centre_of", "same_tool", "shank_of", "steps_of", "tools_differ"]

FloatArray = NDArray[np.float64]

EDGE_MM = 0.6
"""Outline points so near to a shoulder are left out: the edge of the shoulder reaches there."""
LEAST_NOISE_MM = 0.01
FARTHEST_SHIFT_MM = 3.0
DIFFERENT_MM = 1.5
DIFFERENT_SHARE = 0.02
"""Two photos whose lengths differ by more than this, in mm and as a share, show two tools."""


@dataclass(frozen=True, slots=True)
class ToolView:
    """What one photo shows of a tool.

    Attributes
    ----------
    profile : the diameters.
    camera_mm : (3,) camera centre, target frame.
    axis : of the tool as traced; z = 0 as in the profile.
    rays : directions to the outline points of the two sides, (n, 3) and (m, 3); the first on
        the `across` side of `reach.frame_of`.
    steps : where they were found as such; None to find them in the profile.
    rim_sd_mm : how far the rim of one side may be off at either end of a step, standard deviation;
        sides and ends each by themselves.
    """

    profile: Profile
    camera_mm: FloatArray
    axis: Axis
    rays: tuple[FloatArray, FloatArray]
    steps: tuple[Step, ...] | None = None
    rim_sd_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Centre:
    """Where the middle of a step lies beside the shank's axis, across the picture, mm.

    Attributes
    ----------
    z_mm : the places `at_mm` stands for: one, or two if the step runs askew.
    at_mm : toward the first side positive.
    own_sd_mm : standard deviation from the outline of the step.
    axis_sd_mm : standard deviation from the shank's axis, for each place.
    lean_rad : of the sides' normals toward the camera.
    """

    z_mm: tuple[float, ...]
    at_mm: tuple[float, ...]
    own_sd_mm: float
    axis_sd_mm: tuple[float, ...]
    lean_rad: float


def steps_of(view: ToolView) -> tuple[Step, ...]:
    """Return the steps of the tool.

    Raises
    ------
    RefusalError
        `no-steps`.
    """
    return find_steps(view.profile) if view.steps is None else view.steps


def shank_of(view: ToolView, z_from: float, z_to: float) -> MiddleLine:
    """Return the axis of the shank between z_from and z_to.

    Raises
    ------
    RefusalError
        `shank-hidden` if too little of it is seen.
    """
    try:
        ends = z_from + EDGE_MM, z_to - EDGE_MM
        line = axis_of_shank(view.camera_mm, view.rays, view.axis, *ends)
        return line.with_rims_off(view.rim_sd_mm, ends[1] - ends[0])
    except ValueError:
        raise RefusalError(
            "shank-hidden",
            "Too little of the shank is seen to tell where its axis runs.",
            "Take the tool out of the chuck and lay it down whole; or name the shank's end "
            "with --shank.",
        ) from None


def centre_of(view: ToolView, shank: MiddleLine, z_from: float, z_to: float) -> Centre | None:
    """Return where the middle of a step lies; None if not both of its sides are seen."""
    edge = min(EDGE_MM, 0.25 * (z_to - z_from))
    sides = [
        reach_over(view.camera_mm, side, shank.axis).between(z_from + edge, z_to - edge)
        for side in view.rays
    ]
    z, a, b, lean = paired_rows(sides[0], sides[1])
    if len(z) < 3:
        return None
    middle = 0.5 * (a - b) / np.cos(lean)
    noise = max(float(np.median(np.abs(middle - np.median(middle)))) / 0.6745, LEAST_NOISE_MM)
    value, slope, weights = fit_line(z, middle, noise)
    rows = float(weights.sum())
    # Neighbouring rows share their errors; half a dozen rows count as one.
    own_sd = math.hypot(noise / math.sqrt(max(rows / 6.0, 1.0)), 0.5 * view.rim_sd_mm)
    askew = abs(slope) * (z_to - z_from)
    if askew > 6.0 * own_sd and askew > 0.1:
        places: tuple[float, ...] = (z_from, z_to)
        at = tuple(value + slope * (place - float(z.mean())) for place in places)
    else:
        places = (float(z.mean()),)
        at = (float(np.sum(weights * middle) / rows),)
    return Centre(
        places, at, own_sd, tuple(shank.shift_sd(place) for place in places), float(np.median(lean))
    )


def same_tool(first: Profile, other: Profile) -> tuple[bool, float]:
    """Return how z of another photo of the same tool follows from z of the first.

    Widths may differ where a step is not round, so each place counts for 5 mm at most.

    Returns
    -------
    turned_round : whether the other photo counts z from the other end.
    shift_mm : z in the other photo is z + shift, or shift - z if turned round.

    Raises
    ------
    RefusalError
        `tools-differ` if the lengths do not agree.
    """
    lengths = [float(np.ptp(profile.z_mm)) for profile in (first, other)]
    if abs(lengths[0] - lengths[1]) > max(DIFFERENT_MM, DIFFERENT_SHARE * max(lengths)):
        raise tools_differ(f"one is {lengths[0]:.0f} mm long, the other {lengths[1]:.0f}")
    best = (math.inf, False, 0.0)
    for turned_round in (False, True):
        ends = [float(profile.z_mm[-1]) for profile in (first, other)]
        start = 0.5 * (ends[0] + ends[1]) if turned_round else 0.5 * (ends[1] - ends[0])
        sign = -1.0 if turned_round else 1.0
        for shift in start + np.arange(-FARTHEST_SHIFT_MM, FARTHEST_SHIFT_MM + 0.1, 0.125):
            there = np.interp(shift + sign * first.z_mm, other.z_mm, other.diameter_mm)
            away = float(np.mean(np.minimum(np.abs(there - first.diameter_mm), 5.0)))
            if away < best[0]:
                best = (away, turned_round, float(shift))
    return best[1], best[2]


def tools_differ(how: str) -> RefusalError:
    """Return the refusal of photos that show different tools."""
    return RefusalError(
        "tools-differ",
        f"The photos do not show one tool: {how}.",
        "Name photos of one tool that was only turned about its length between them.",
    )
