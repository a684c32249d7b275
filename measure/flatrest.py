"""How a tool with a flat blade lies on the bench: on its shank and on the blade's face.

Frame: the target frame, mm; the bench is the plane Z = `bench_mm`. The picture fixes the plane
of camera and axis; how the tool rests fixes where in that plane the axis lies.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from measure.profile import GRID_MM, Profile
from measure.reach import paired_rows, reach_over
from measure.rest import resting_places
from measure.revolve import Axis
from measure.toolview import ToolView

__all__ = ["laid_flat"]

FloatArray = NDArray[np.float64]

ROUNDS = 4
BLADE_WIDER = 1.3
"""Rows wider than this many shank diameters are blade."""


def laid_flat(view: ToolView, shank_mm: float, thickness_mm: float, bench_mm: float) -> ToolView:
    """Return the view with the axis where a flat blade lets it lie.

    As traced, the tool rests as if its blade were round, too high by up to half its width.

    Parameters
    ----------
    view : as traced.
    shank_mm : diameter of the shank; rows much wider are blade.
    thickness_mm : of the blade.
    bench_mm : Z of the bench.

    Returns
    -------
    The view with axis and profile renewed; widths are still those of round sections.
    """
    for _ in range(ROUNDS):
        z, d = view.profile.z_mm, view.profile.diameter_mm
        flat = d > BLADE_WIDER * shank_mm
        heights = np.where(flat, 0.5 * thickness_mm, 0.5 * d)
        mass = np.where(flat, d * thickness_mm, np.pi / 4.0 * d * d)
        low, high = _line_over(z, heights, mass)
        axis = _raised(view, bench_mm + low, bench_mm + high)
        renewed = _renewed(view, axis)
        moved = float(np.max(np.abs(axis.at(z[-1]) - view.axis.at(z[-1]))))
        shank_mm *= float(np.median(renewed.profile.diameter_mm)) / float(np.median(d))
        view = renewed
        if moved < 1e-3:
            break
    return view


def _line_over(z: FloatArray, heights: FloatArray, mass: FloatArray) -> tuple[float, float]:
    """Return the axis height at z = 0 and at the last row: a line on two points of the hull."""
    centre = float(np.sum(mass * z) / np.sum(mass))
    hull = resting_places(z, heights)
    if not hull:
        level = float(heights.max())
        return level, level
    under = [rest for rest in hull if rest.first_mm[0] <= centre <= rest.second_mm[0]] or hull[:1]
    (z0, h0), (z1, h1) = under[0].first_mm, under[0].second_mm
    slope = (h1 - h0) / max(z1 - z0, 1e-9)
    return float(h0 - slope * z0), float(h0 + slope * (z[-1] - z0))


def _raised(view: ToolView, low_mm: float, high_mm: float) -> Axis:
    """Return the axis at these heights at its two ends, along the same rays."""
    ends = [view.axis.at(0.0), view.axis.at(float(view.profile.z_mm[-1]))]
    moved = []
    for end, height in zip(ends, (low_mm, high_mm), strict=True):
        ray = end - view.camera_mm
        moved.append(view.camera_mm + ray * (height - view.camera_mm[2]) / ray[2])
    d = moved[1] - moved[0]
    return Axis(moved[0], d / np.linalg.norm(d))


def _renewed(view: ToolView, axis: Axis) -> ToolView:
    """Return the view over another axis, its rows made anew from the outline points."""
    sides = [reach_over(view.camera_mm, rays, axis) for rays in view.rays]
    z, a, b, _ = paired_rows(sides[0], sides[1])
    z = np.round(z / GRID_MM) * GRID_MM
    old = view.profile
    # The old rows' uncertainties go with the new rows, by their share of the axis.
    stretch = float(np.linalg.norm(axis.at(0.0) - view.camera_mm)) / float(
        np.linalg.norm(view.axis.at(0.0) - view.camera_mm)
    )
    u95 = np.interp(z / stretch, old.z_mm, old.u95_mm)
    common = np.minimum(np.interp(z / stretch, old.z_mm, old.u95_common_mm), u95)
    return replace(view, axis=axis, profile=Profile(z, a + b, u95, common), steps=None)
