"""Whether the edges of a tool's steps bulge in the photo, as those of a round tool do.

Looked at aslant, the end of a cylinder shows as half an ellipse, that of a blade that lies on the
bench as a straight line across. Which of the two has contrast along all of itself tells them
apart, where the two run well apart and enough of the edge is clear of the next step.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from measure.reach import frame_of
from measure.rimoutline import Cylinder
from measure.steparcs import OUTSIDE, Look, arcs, change_across, evened

__all__ = ["round_edges"]

FloatArray = NDArray[np.float64]

REACH_MM, STEP_MM = 8.0, 0.1
"""How far off a step's end may be known, and how finely its edge is sought."""
BETWEEN_MM = 1.0
"""So far from its neighbours an edge stays."""
JOINED_MM = 1.0
"""Steps with more between them do not meet at one edge."""
MOST_HIDDEN = 0.75
"""Share of an edge's radius that the smaller step may take: more leaves two short bits of it."""
LEAST_BULGE_PX = 20.0
"""An arc that stands out less from its chord runs along it for a good part."""
ALL_BUT = 0.3
"""Share of a line that may have less contrast than the line is given: it counts all along."""
CLEARER, BULGING = 5.0, 3.0
"""How many times the contrast of most arcs tried, and of the clearest chord, an arc has that is
believed: 54 of 83 edges of rendered round tools have, and those of no drawn blade."""
LEAST_POINTS, LEAST_TRIED = 14, 10
SAMPLES = 121
UP = np.array([0.0, 0.0, 1.0])


def round_edges(look: Look, steps: Sequence[Cylinder]) -> tuple[int, ...]:
    """Return the steps, by index, that have an edge which bulges as a circle's picture does.

    Parameters
    ----------
    look : photo, view and axis, about right: within some pixels; the tool lies on the bench.
    steps : in order along the axis.
    """
    found = set()
    for k in range(len(steps) + 1):
        before, after = steps[max(k - 1, 0)], steps[min(k, len(steps) - 1)]
        if k in (0, len(steps)):
            larger, smaller_mm, out = before, 0.0, -1.0 if k == 0 else 1.0
        elif after.z_from_mm - before.z_to_mm > JOINED_MM:
            continue
        elif before.radius_mm >= after.radius_mm:
            larger, smaller_mm, out = before, after.radius_mm, 1.0
        else:
            larger, smaller_mm, out = after, before.radius_mm, -1.0
        place = steps[0].z_from_mm if k == 0 else before.z_to_mm
        low = -np.inf if k == 0 else before.z_from_mm + BETWEEN_MM
        high = np.inf if k == len(steps) else after.z_to_mm - BETWEEN_MM
        tried = np.arange(max(place - REACH_MM, low), min(place + REACH_MM, high), STEP_MM)
        if smaller_mm > MOST_HIDDEN * larger.radius_mm or len(tried) < LEAST_TRIED:
            continue
        if _bulges(look, larger, smaller_mm, out, place, tried):
            found.add(max(k - 1, 0) if larger is before else k)
    return tuple(sorted(found))


def _bulges(
    look: Look, step: Cylinder, smaller_mm: float, out: float, place_mm: float, tried_mm: FloatArray
) -> bool:
    """Return whether a step's edge is plainly the picture of a circle, not of a line across."""
    if _bulge_px(look, step, place_mm) < LEAST_BULGE_PX:
        return False
    round_ = _arc_contrasts(look, step, smaller_mm, out, tried_mm)
    if np.isnan(round_).all():
        return False
    straight = _chord_contrasts(look, step, smaller_mm, tried_mm)
    most = float(np.nanmax(round_))
    return most > CLEARER * float(np.nanmedian(round_)) and most > BULGING * float(straight.max())


def _level(look: Look) -> FloatArray:
    """Return the unit vector across the axis along the bench."""
    level = np.cross(UP, look.axis.direction)
    return np.asarray(level / np.linalg.norm(level))


def _bulge_px(look: Look, step: Cylinder, place_mm: float) -> float:
    """Return how far the arc of a step's edge stands out from its chord."""
    _, toward = frame_of(look.view.camera_centre_mm, look.axis)
    around = np.array([-1.0, 1.0])[:, None] * _level(look)
    ends = look.axis.at(place_mm) + step.radius_mm * np.concatenate([around, toward[None]])
    a, b, top = look.view.to_pixels(ends)
    along = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
    return float(abs(along[0] * (top - a)[1] - along[1] * (top - a)[0]))


def _arc_contrasts(
    look: Look, step: Cylinder, smaller_mm: float, out: float, tried_mm: FloatArray
) -> FloatArray:
    """Return the contrast that the arc at each z has along all of itself, (n,); NaN: no arc."""
    place, normal, bounds = arcs(look, step, smaller_mm, out, tried_mm)
    found = np.full(len(tried_mm), np.nan)
    for k in np.flatnonzero(bounds.sum(axis=1) >= LEAST_POINTS):
        change = change_across(look, place[k, bounds[k]], normal[k, bounds[k]])
        found[k] = np.quantile(evened(change), ALL_BUT)
    return found


def _chord_contrasts(
    look: Look, step: Cylinder, smaller_mm: float, tried_mm: FloatArray
) -> FloatArray:
    """Return the same, (n,), of the line across the tool that a blade's edge makes."""
    across, _ = frame_of(look.view.camera_centre_mm, look.axis)
    way = np.linspace(-step.radius_mm, step.radius_mm, SAMPLES)[1:-1]
    way = way[np.abs(way) > OUTSIDE * smaller_mm]
    line = step.aside_mm * across + way[:, None] * _level(look)
    normal = np.broadcast_to(look.axis.direction, line.shape)
    return np.array(
        [
            np.quantile(evened(change_across(look, look.axis.at(z) + line, normal)), ALL_BUT)
            for z in tried_mm
        ]
    )
