"""Where the steps of a tool meet or end: the arc that the edge of a shoulder makes on the bench.

Rims tell how thick a step is, hardly where it ends: a rim fades into the ellipse of the
shoulder's edge. That ellipse is sought as a whole, by its contrast along all of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.view import View
from measure.revolve import Axis
from measure.rimoutline import Cylinder
from measure.steparcs import Look, arcs, change_across, evened

__all__ = ["places_sought"]

FloatArray = NDArray[np.float64]

REACH_MM, LIKELY_MM, STEP_MM = 8.0, 4.0, 0.1
"""How far a place is sought, and how far off rims leave it (standard deviation; measured on
rendered photos)."""
BETWEEN_MM = 1.0
"""So far from its neighbours a place stays."""
LEAST_SHOULDER_MM = 0.6
LEAST_POINTS = 14
CLEARER = 1.6
"""An arc is believed where its contrast is so much larger than that of most places tried."""
END_CLEARER, FAINTEST = 2.5, 0.4
"""The same of an end, and the least share of the clearest arc's contrast that it has."""
CHAMFERS_MM = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.2)
"""Chamfers of an end that are tried."""
CHAMFER_REACH_MM, SAME_ARC_MM = 1.3, 0.15
"""How far off its clearest arc a face may lie, and how near to each other arcs are one."""
FAINTER, AS_CLEAR = 0.6, 0.93
"""The contrast, a share of the clearest, of an arc that counts, and of one that is as clear."""
BORDER_PX = 20.0
"""An end so near to the picture's edge may lie outside it."""


def places_sought(
    bgr: NDArray[np.uint8], view: View, axis: Axis, steps: Sequence[Cylinder]
) -> tuple[Cylinder, ...]:
    """Return the steps with the places where they meet or end moved to the arcs seen there.

    Where the arc of a shoulder does not stand out the place stays. Where an end's does not,
    though it would be in the picture, the step is none: a shadow's two edges have no end.

    Parameters
    ----------
    bgr : (H, W, 3) photo.
    view, axis : about right: within some pixels.
    steps : in order along the axis, each beginning where the one before ends.
    """
    look = Look(bgr, view, axis)
    steps, ends = _with_ends(look, steps)
    places = _places(steps)
    moved = [ends[0], *places[1:-1], ends[1]]
    for k in range(1, len(steps)):
        before, after = steps[k - 1], steps[k]
        larger, smaller = (
            (before, after) if before.radius_mm >= after.radius_mm else (after, before)
        )
        if larger.radius_mm - smaller.radius_mm < LEAST_SHOULDER_MM:
            continue
        # The smaller step lies on this side of the shoulder.
        out = 1.0 if larger is before else -1.0
        tried = _tried(places, k)
        scores = _contrasts(look, larger, smaller.radius_mm, out, tried)
        found = _clearest(scores, tried, places[k])
        moved[k] = places[k] if found is None else found
    moved = list(np.maximum.accumulate(moved))
    return tuple(
        replace(step, z_from_mm=moved[k], z_to_mm=moved[k + 1]) for k, step in enumerate(steps)
    )


def _places(steps: Sequence[Cylinder]) -> list[float]:
    return [steps[0].z_from_mm, *(step.z_to_mm for step in steps)]


def _with_ends(
    look: Look, steps: Sequence[Cylinder]
) -> tuple[Sequence[Cylinder], tuple[float, float]]:
    """Return the steps without those at either end of which no end is seen, and both ends' z."""
    ends = []
    for last in (False, True):
        while True:
            places = _places(steps)
            k, step, out = (len(steps), steps[-1], 1.0) if last else (0, steps[0], -1.0)
            tried = _tried(places, k)
            found = _outermost(_contrasts(look, step, 0.0, out, tried), tried, places[k], out)
            pixel = look.view.to_pixels(look.axis.at(np.array([places[k]])))[0]
            room = min(*pixel, look.bgr.shape[1] - pixel[0], look.bgr.shape[0] - pixel[1])
            if found is not None or room < BORDER_PX or len(steps) <= 2:
                break
            steps = steps[:-1] if last else steps[1:]
        ends.append(places[k] if found is None else _past_chamfer(look, step, out, found))
    return steps, (ends[0], ends[1])


def _tried(places: Sequence[float], k: int) -> FloatArray:
    """Return where place k may lie: within reach and between its neighbours."""
    low = max(places[k] - REACH_MM, places[k - 1] + BETWEEN_MM if k else -np.inf)
    high = min(places[k] + REACH_MM, places[k + 1] - BETWEEN_MM if k + 1 < len(places) else np.inf)
    return np.arange(low, max(high, low) + 1e-9, STEP_MM)


def _clearest(scores: FloatArray, tried_mm: FloatArray, place_mm: float) -> float | None:
    """Return the z at which the arc has most contrast; None where none stands out."""
    known = np.isfinite(scores)
    if known.sum() < 5:
        return None
    likely = scores * _likelihood(tried_mm, place_mm)
    best = int(np.argmax(np.where(known, likely, -np.inf)))
    stands_out = scores[best] >= CLEARER * float(np.median(scores[known]))
    return float(tried_mm[best]) if stands_out else None


def _outermost(
    scores: FloatArray, tried_mm: FloatArray, place_mm: float, out: float
) -> float | None:
    """Return the outermost z of an end at which an arc stands out; None if none does.

    A chamfer shines, the face beyond it does not: the edge between them often has more contrast
    than the end itself. So the farthest out counts.
    """
    known = np.isfinite(scores)
    if known.sum() < 5:
        return None
    likely = scores * _likelihood(tried_mm, place_mm)
    ground, most = float(np.median(scores[known])), float(likely[known].max())
    inner = scores[1:-1]
    peaks = (inner >= scores[:-2]) & (inner >= scores[2:])
    peaks &= (inner >= END_CLEARER * ground) & (likely[1:-1] >= FAINTEST * most)
    return out * float(np.max(out * tried_mm[1:-1][peaks])) if peaks.any() else None


def _likelihood(tried_mm: FloatArray, place_mm: float) -> FloatArray:
    """Return what a place's contrast counts: the farther off it is the clearer it has to be.

    The joint of two planks may be as dark a line as an edge.
    """
    return np.asarray(np.exp(-0.5 * ((tried_mm - place_mm) / LIKELY_MM) ** 2))


def _past_chamfer(look: Look, step: Cylinder, out: float, z: float) -> float:
    """Return z of the face of an end whose edge may be broken, from that of its clearest arc.

    The face's circle is smaller by the chamfer, which alone moves its arc in the picture as much
    as a shift along the axis. Of all arcs near by that stand out the outermost in the picture
    counts, and of those at one place the clearest: its bend tells its size, though hardly, so
    that a smaller chamfer is taken where it is about as clear.
    """
    sight = look.axis.at(z) - look.view.camera_centre_mm
    along = float(sight @ look.axis.direction)
    # The arc's flanks are moved more than its top: by a third on the whole.
    lean = 4.0 / 3.0 * abs(along) / float(np.sqrt(max(float(sight @ sight) - along**2, 1e-9)))
    tried = z + np.arange(-CHAMFER_REACH_MM, CHAMFER_REACH_MM + 1e-9, STEP_MM)
    peaks: list[tuple[float, float, float]] = []
    for chamfer in CHAMFERS_MM:
        cut = replace(step, radius_mm=step.radius_mm - chamfer)
        if cut.radius_mm < LEAST_SHOULDER_MM:
            continue
        scores = _contrasts(look, cut, 0.0, out, tried)
        inner = scores[1:-1]
        for k in np.flatnonzero((inner >= scores[:-2]) & (inner >= scores[2:])) + 1:
            there = float(tried[k])
            peaks.append((out * there - chamfer * lean, float(scores[k]), there))
    most = max((score for _, score, _ in peaks), default=0.0)
    strong = [peak for peak in peaks if peak[1] >= FAINTER * most]
    if not strong:
        return z
    outermost = max(place for place, _, _ in strong)
    here = [peak for peak in strong if peak[0] > outermost - SAME_ARC_MM]
    clearest = max(score for _, score, _ in here)
    return next(at for _, score, at in here if score >= AS_CLEAR * clearest)


def _contrasts(
    look: Look, step: Cylinder, smaller_mm: float, out: float, tried_mm: FloatArray
) -> FloatArray:
    """Return the mean contrast across the arc of a shoulder's edge at each z tried, (n,).

    The arc is that part of the circle that bounds the picture of the tool: where its outward
    normal points neither into the step nor into its end, outside the smaller step. NaN where it
    has none.
    """
    found = [
        _contrasts_of_some(look, step, smaller_mm, out, tried_mm[k : k + AT_ONCE])
        for k in range(0, len(tried_mm), AT_ONCE)
    ]
    return np.concatenate(found)


AT_ONCE = 64
"""So many arcs are looked at together; a picture that is resampled must not be too long."""


def _contrasts_of_some(
    look: Look, step: Cylinder, smaller_mm: float, out: float, tried_mm: FloatArray
) -> FloatArray:
    place, normal, bounds = arcs(look, step, smaller_mm, out, tried_mm)
    counts = bounds.sum(axis=1)
    bounds[counts < LEAST_POINTS] = False
    found = np.full(len(tried_mm), np.nan)
    if not bounds.any():
        return found
    change = change_across(look, place[bounds], normal[bounds])
    ends = np.cumsum(bounds.sum(axis=1))
    for k in np.flatnonzero(counts >= LEAST_POINTS):
        first = int(ends[k] - counts[k])
        found[k] = np.mean(evened(change[first : first + int(counts[k])]))
    return found
