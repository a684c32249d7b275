"""A tool traced by its straight rims: from photo to camera, axis and steps.

Bench, card and lens are taken as for any piece; only the outline is found in another way, and
the ways in which the tool may rest on the bench are judged by whether its cylinders come out as
cylinders.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calib.finding import FoundTarget, linear_table
from calib.lens import Lens
from calib.photo import Photo
from calib.view import View
from measure.fit import Estimate, estimate
from measure.rest import resting_places
from measure.result import TraceRequest
from measure.revolve import Axis
from measure.rimchoice import chosen_rims
from measure.rimextents import goes_past_an_end, laid_along, overlooks
from measure.rimoutline import Cylinder, RimOutline, borne_out, cylinders_of, hidden, rim_outline
from measure.rimplaces import places_sought
from measure.rims import Rim, find_rims
from measure.scene import Scene
from measure.setting import curves_of, setup_knowledge
from measure.toolsolve import SolvedStep, solved_steps

__all__ = ["RimTrace", "first_guess", "trace_rims"]

FloatArray = NDArray[np.float64]

KNOWN_SD_MM = 0.05
"""Standard uncertainty of a caliper reading (common practice, no source)."""
CONTACT_SD_MM = 0.05
"""How flat and clean bench and tool are where they touch (common practice, no source)."""
SAME_CORNER_MM, DRAWN_SD_MM = 6.0, 0.15
"""A corner moves by less than this when it is solved, along the axis and thrice across it; the
radius that it was drawn with is off by a pixel or two."""
LEAST_KEPT = 0.6
LEAST_COVERED = 0.6
LEAST_CHANCE = 0.02
STILL_LIKELY = 0.8
LEAST_POINTS = 30
OVERLOOKING = 0.5
"""What a trace is worth that overlooks a step: less than one of most of the tool that does not."""
GOOD_SHARE = 0.7
"""A trace worth this share of its length needs no rival."""
LOOKS = 3
"""Find the rims, find them again from the axis that they gave, then only measure anew."""


@dataclass(frozen=True, slots=True)
class RimTrace:
    """A tool as its rims show it.

    Attributes
    ----------
    steps : in the axis' own z.
    covered : share of the length, from end to end, that steps cover.
    contacts : (2, 2) the corners (z, r) that it rests on; None where it does not.
    overlooks : whether a stretch of a step shows itself to be part of a larger one.
    goes_on : whether rims go on past an end, as of a step that was missed.
    """

    found: RimOutline
    estimate: Estimate
    steps: tuple[SolvedStep, ...]
    covered: float
    contacts: FloatArray | None = None
    overlooks: bool = False
    goes_on: bool = False

    @property
    def worth(self) -> float:
        """What speaks for it: rims that agree, whole length, cylinders without taper."""
        turns = [min(abs(step.taper), 6.0) for step in self.steps]
        return (
            self.estimate.kept
            * self.covered
            * borne_out(self.found.steps)
            * (OVERLOOKING if self.overlooks else 1.0)
            / (1.0 + 0.1 * float(np.mean(turns)))
        )

    @property
    def is_whole(self) -> bool:
        """Whether the steps at both ends are among those solved: else its length is not known."""
        return self.steps[0].of == 0 and self.steps[-1].of == len(self.found.steps) - 1

    @property
    def is_good(self) -> bool:
        """Whether little is left to be better."""
        length = self.steps[-1].z_to_mm - self.steps[0].z_from_mm
        return self.worth > GOOD_SHARE * length


def first_guess(
    sides_px: tuple[FloatArray, FloatArray], view: View, bench_mm: float
) -> tuple[Axis, float, float]:
    """Return a rough axis over the bench, its length and the largest radius, mm.

    Parameters
    ----------
    sides_px : coarse sides of the piece in the photo, in order from the start end.
    """
    middle = 0.5 * (sides_px[0] + sides_px[1])
    half = 0.5 * np.linalg.norm(sides_px[0] - sides_px[1], axis=1)
    inner = middle[len(middle) // 20 : len(middle) - len(middle) // 20]
    centre = np.median(inner, axis=0)
    d = np.linalg.svd(inner - inner.mean(axis=0), full_matrices=False)[2][0]
    d = d if d @ (middle[-1] - middle[0]) > 0.0 else -d
    ends = centre + np.array([(end - centre) @ d for end in (middle[0], middle[-1])])[:, None] * d
    height = 10.0
    length, px_mm = 1.0, 1.0
    points = np.zeros((2, 3))
    for _ in range(8):
        flat = view.on_plane(ends, bench_mm + height)
        points = np.column_stack([flat, np.full(2, bench_mm + height)])
        length = float(np.linalg.norm(points[1] - points[0]))
        px_mm = float(np.linalg.norm(ends[1] - ends[0])) / length
        height = float(np.percentile(half, 95)) / px_mm
    axis = Axis(points[0], (points[1] - points[0]) / length)
    return axis, length, float(np.percentile(half, 99)) / px_mm


def trace_rims(
    photo: Photo,
    scene: Scene,
    request: TraceRequest,
    lens: Lens,
    target: FoundTarget,
    sides_px: tuple[FloatArray, FloatArray],
) -> RimTrace | None:
    """Trace a tool from a coarse outline; None if its rims are not those of a tool.

    With rims chosen from all edges of all steps; where these make no tool, with those that stand
    out most in each step.
    """
    view = target.view
    axis, length, radius = first_guess(sides_px, view, -target.thickness_mm)
    start = _Found(length, radius, *find_rims(photo.bgr, scene, view, axis, length, radius))
    chosen = _looked_at(photo, scene, request, lens, target, start, True)
    if chosen is not None:
        return chosen
    return _looked_at(photo, scene, request, lens, target, start, False)


@dataclass(frozen=True, slots=True)
class _Found:
    """What the first look for rims found, mm: rough size, axis and rims."""

    length_mm: float
    radius_mm: float
    axis: Axis
    rims: tuple[Rim, ...]


def _looked_at(
    photo: Photo,
    scene: Scene,
    request: TraceRequest,
    lens: Lens,
    target: FoundTarget,
    start: _Found,
    choose: bool,
) -> RimTrace | None:
    """Return the tool after some looks, each about the axis that the one before found."""
    view = target.view
    axis, length, radius = start.axis, start.length_mm, start.radius_mm
    found_axis, found = axis, cylinders_of(start.rims)
    best: RimTrace | None = None
    steps: tuple[Cylinder, ...] = ()
    for look in range(LOOKS):
        if 0 < look < LOOKS - 1:
            found_axis, rims = find_rims(photo.bgr, scene, view, axis, length, radius, True)
            found = cylinders_of(rims)
        if look == 0 or (not choose and look < LOOKS - 1):
            axis, steps = found_axis, found
        elif choose:
            steps = _weighed(photo, view, axis, steps)
            found = _weighed(photo, view, found_axis, found) if look < LOOKS - 1 else ()
            if borne_out(found) - hidden(found, steps) > borne_out(steps) - hidden(steps, found):
                axis, steps = found_axis, found
        if steps:
            steps = places_sought(photo.bgr, view, axis, steps)
            steps = chosen_rims(photo.bgr, view, axis, steps) if choose else steps
        outline = rim_outline(photo.bgr, linear_table(), view, axis, steps) if steps else None
        traced = None if outline is None else _solved(request, lens, target, outline, axis, steps)
        if traced is None:
            break
        if best is None or traced.worth > 0.98 * best.worth:
            best = traced
        view, axis = best.estimate.view, best.estimate.axis
        axis = Axis(axis.at(best.steps[0].z_from_mm), axis.direction)
        length = best.steps[-1].z_to_mm - best.steps[0].z_from_mm
        steps = _drawn_anew(best, best.steps[0].z_from_mm)
        radius = max(step.radius_mm for step in steps)
    if best is None:
        return None
    view, axis = best.estimate.view, best.estimate.axis
    drawn = _drawn_anew(best, 0.0)
    return replace(
        best,
        steps=solved_steps(best.found, best.estimate),
        overlooks=overlooks(photo.bgr, view, axis, drawn),
        goes_on=goes_past_an_end(photo.bgr, view, axis, drawn),
    )


def _weighed(
    photo: Photo, view: View, axis: Axis, steps: Sequence[Cylinder]
) -> tuple[Cylinder, ...]:
    """Return steps with the rims that suit each other, from where to where these show."""
    if not steps:
        return ()
    return laid_along(photo.bgr, view, axis, chosen_rims(photo.bgr, view, axis, steps))


def _drawn_anew(traced: RimTrace, start: float) -> tuple[Cylinder, ...]:
    """Return the cylinders of a traced tool, z from the start end, gaps closed.

    A step that was drawn but not solved, since its rims hardly show, stays as it was drawn: left
    out, its neighbours would be carried on through it.
    """
    solved = {step.of: step for step in traced.steps}
    rims = []
    for k, drawn in enumerate(traced.found.steps):
        if k in solved:
            step = solved[k]
            radius = 0.25 * (step.at_from_mm + step.at_to_mm)
            rims.append(Rim(step.z_from_mm - start, step.z_to_mm - start, (radius, radius)))
        elif drawn.is_seen:
            radii = (drawn.radius_mm + drawn.aside_mm, drawn.radius_mm - drawn.aside_mm)
            rims.append(Rim(drawn.z_from_mm - start, drawn.z_to_mm - start, radii))
    return cylinders_of(rims)


def _solved(
    request: TraceRequest,
    lens: Lens,
    target: FoundTarget,
    outline: RimOutline,
    axis: Axis,
    steps: Sequence[Cylinder],
) -> RimTrace | None:
    """Return the best of the ways in which the tool may lie; None if none can be solved.

    What touches the bench is known only when the radii are, so each is solved twice; but those
    that are much worse after the first time no more.
    """
    solve = partial(_solved_so, request, lens, target, outline)
    ways = [solve(axis, contacts, None) for contacts in _ways_to_rest(request, steps)]
    rough = [way for way in ways if way is not None]
    most = max((way.worth for way in rough), default=0.0)
    likely = [way for way in rough if way.worth >= STILL_LIKELY * most]
    settled = [solve(way.estimate.axis, way.contacts, way) for way in likely]
    found = [
        way
        for way in settled
        if way is not None and way.estimate.kept >= LEAST_KEPT and way.covered >= LEAST_COVERED
    ]
    return max(found, key=lambda trace: trace.worth) if found else None


def _ways_to_rest(request: TraceRequest, steps: Sequence[Cylinder]) -> list[FloatArray | None]:
    """Return pairs of corners (z, r), (2, 2), that may carry the tool; [None] off the bench."""
    if request.setup != "bench":
        return [None]
    z = np.array([end for step in steps for end in (step.z_from_mm + 1e-3, step.z_to_mm - 1e-3)])
    r = np.array([step.radius_mm for step in steps for _ in range(2)])
    grid = np.arange(z[0], z[-1], 0.25)
    rests = resting_places(grid, np.interp(grid, z, r))
    likely = [rest for rest in rests if rest.chance >= LEAST_CHANCE] or rests[:1]
    return [np.stack([rest.first_mm, rest.second_mm]) for rest in likely[:3]]


def _heights(
    corners: FloatArray, steps: Sequence[SolvedStep], axis: Axis, bench: float
) -> FloatArray:
    """Return (z, height of the axis, sd) where the tool touches the bench, (2, 3)."""
    rows = []
    upright = float(np.sqrt(1.0 - axis.direction[2] ** 2))
    for z, r in corners:
        ends = [
            (abs(end - z) + 3.0 * abs(0.5 * at - r), end, 0.5 * at, 0.5 * step.sd_mm)
            for step in steps
            for end, at in ((step.z_from_mm, step.at_from_mm), (step.z_to_mm, step.at_to_mm))
        ]
        far, z_there, radius, sd = min(ends, default=(np.inf, z, r, 0.0))
        if far > SAME_CORNER_MM:
            # The step that it belongs to was not solved: it is as it was drawn.
            z_there, radius, sd = z, r, DRAWN_SD_MM
        rows.append((z_there, bench + radius * upright, float(np.hypot(CONTACT_SD_MM, sd))))
    return np.array(rows)


def _readings(request: TraceRequest, start_mm: float) -> FloatArray | None:
    if not request.known:
        return None
    return np.array([(z + start_mm, d, KNOWN_SD_MM) for z, d in request.known])


def _solved_so(
    request: TraceRequest,
    lens: Lens,
    target: FoundTarget,
    outline: RimOutline,
    axis: Axis,
    contacts: FloatArray | None,
    before: RimTrace | None,
) -> RimTrace | None:
    """Solve with the tool resting on two corners of its steps, as they came out `before`."""
    view = target.view if before is None else before.estimate.view
    steps = () if before is None else before.steps
    bench = -target.thickness_mm
    curves, _values = curves_of(outline.outline, view, axis)
    if min(len(curve.index) for curve in curves) < LEAST_POINTS:
        return None
    length = float(curves[0].z_mm[-1] - curves[0].z_mm[0])
    knowledge = setup_knowledge(
        request.setup,
        axis,
        length,
        bench,
        request.axis_height_mm,
        request.axis_offset_mm,
        _readings(request, steps[0].z_from_mm) if steps else None,
    )
    if contacts is not None:
        heights = _heights(contacts, steps, axis, bench)
        knowledge = replace(knowledge, heights=heights)
    try:
        solved = estimate(outline.outline, target.sight, lens, view, axis, knowledge, curves)
    except ValueError:
        return None
    steps = solved_steps(outline, solved, with_common=False)
    if not steps:
        return None
    # Of the whole that was drawn: a step whose rims were lost must not make the tool shorter.
    whole = outline.places_mm[-1] - outline.places_mm[0]
    covered = min(sum(step.z_to_mm - step.z_from_mm for step in steps) / whole, 1.0)
    return RimTrace(outline, solved, steps, covered, contacts)
