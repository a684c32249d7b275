"""One outline solved for lens, view, target and axis, by what the set-up says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calib.finding import FoundTarget
from calib.lens import Lens
from calib.refusal import BadFileError, RefusalError
from calib.view import View
from measure.endrimsight import RimSight
from measure.fit import Estimate, estimate
from measure.knowledge import Knowledge
from measure.outline import SPACING_PX, Outline
from measure.pieceends import pixel_mm, seen_end
from measure.rest import Rest
from measure.result import TraceRequest
from measure.revolve import Axis
from measure.setting import bench_knowledge, curves_of, first_axis, foot_arc, setup_knowledge
from measure.sides import SideCurve, without_leaps
from measure.solved import Solved

__all__ = [
    "LIES_PERHAPS",
    "axis_ends_of",
    "first_rests",
    "not_turned",
    "solve_outline",
]

FloatArray = NDArray[np.float64]

CONTRADICTS_MM, CONTRADICTS_SHARE = 0.5, 0.03
"""A reading that is farther from the photo's diameter is of another place, or in inches."""
KNOWN_SD_MM = 0.05
"""Standard uncertainty of a caliper reading on wood (common practice, no source)."""
TOLD_SD_MM = 0.3
"""Standard uncertainty of the place of a reading, by rule from the end (common practice, no
source)."""
BESIDE_MM = 1.5
"""A caliper's jaws cover about so much: a reading tells of no place farther off (common practice,
no source)."""
LEAN_SD = 0.15
"""How far off a lean may be that is tried."""
SEEN_LEAST = 30
"""Points of either side that a solution needs."""
LIES_PERHAPS = "If it does not stand on its end, leave --setup out. "
"""What to say first where a piece that was said to stand is not found."""


def solve_outline(
    request: TraceRequest,
    lens: Lens,
    found: FoundTarget,
    outline: Outline,
    rounds: int,
    before: Estimate | None = None,
    like: Rest | None = None,
    leaning: float = 0.0,
    rims: Sequence[RimSight] = (),
) -> Solved:
    """Solve for everything; what the knowledge rests on is renewed each round.

    Parameters
    ----------
    request, lens, found : how the piece lies, the lens' prior, the target.
    outline : of the piece, from its start end.
    rounds : how often the knowledge is renewed, at least once.
    before : an estimate to go on from.
    like : the way to rest on the bench, as that estimate has it; unless given, the likeliest.
    leaning : rise of the axis from start to far end, per mm, to begin with where there is no
        estimate.
    rims : of the ends, where that estimate shows them as circles.

    Raises
    ------
    ValueError
        When the sides have too little in common.
    """
    if before is None:
        view, axis = found.view, _leaned(_rough_axis(request, found, outline), leaning)
    else:
        view, axis = before.view, before.axis
    rests: list[Rest] = []
    solved = before
    for count in range(rounds):
        curves, axis, length = _counted_from_start(outline, view, axis)
        knowledge = setup_knowledge(
            request.setup,
            axis,
            length,
            -found.thickness_mm,
            request.axis_height_mm,
            request.axis_offset_mm,
            _readings(request, solved, outline, view, axis, curves, before is None and count == 1),
        )
        if request.setup == "bench":
            if leaning != 0.0 and solved is None:
                # Kept to from here on: weight would lead back to the likeliest.
                like = max(bench_knowledge(knowledge, curves)[1], key=partial(_leans, leaning))
            knowledge, rests = bench_knowledge(knowledge, curves, like)
            like = None if like is None else rests[0]
        if request.setup == "upright":
            knowledge = replace(knowledge, foot=foot_arc(outline, axis_ends_of(outline)))
        scatter = 1.0 if solved is None else solved.pairs_sd
        solved = estimate(
            outline, found.sight, lens, view, axis, knowledge, curves, scatter, rims=rims
        )
        view, axis = solved.view, solved.axis
    if solved is None:
        raise ValueError("nothing was solved: need at least one round")
    return Solved(outline, solved, tuple(rests), request.box_px)


def first_rests(request: TraceRequest, found: FoundTarget, outline: Outline) -> list[Rest]:
    """Return the ways to rest of what the outline would be if its axis lay level, likeliest first.

    A wrong way to rest bends the profile until it seems the only one: these are free of that.

    Raises
    ------
    ValueError
        When the sides have too little in common.
    """
    axis = _rough_axis(request, found, outline)
    curves, _, _ = _counted_from_start(outline, found.view, axis)
    return bench_knowledge(Knowledge(), curves)[1]


def _rough_axis(request: TraceRequest, found: FoundTarget, outline: Outline) -> Axis:
    ends_px, bench = axis_ends_of(outline), -found.thickness_mm
    height, offset = request.axis_height_mm, request.axis_offset_mm
    return first_axis(request.setup, ends_px, outline, found.view, bench, height, offset)


def _leans(lean: float, rest: Rest) -> float:
    return rest.chance * float(np.exp(-0.5 * ((rest.lean - lean) / LEAN_SD) ** 2))


def _leaned(axis: Axis, lean: float) -> Axis:
    d = axis.direction + np.array([0.0, 0.0, lean])
    return Axis(axis.point_mm, d / np.linalg.norm(d))


def _counted_from_start(
    outline: Outline, view: View, axis: Axis
) -> tuple[tuple[SideCurve, SideCurve], Axis, float]:
    """Return curves and axis that count z from where both sides begin, and their length.

    Raises
    ------
    ValueError
        When too little of the two sides is seen.
    """
    curves, _ = curves_of(outline, view, axis)
    if min(len(c.index) for c in curves) < SEEN_LEAST:
        raise ValueError("too little of the two sides is seen")
    low = max(c.z_mm[0] for c in curves)
    length = min(c.z_mm[-1] for c in curves) - low
    shifted = (
        replace(curves[0], z_mm=curves[0].z_mm - low),
        replace(curves[1], z_mm=curves[1].z_mm - low),
    )
    return shifted, Axis(axis.at(low), axis.direction), length


def _readings(
    request: TraceRequest,
    solved: Estimate | None,
    outline: Outline,
    view: View,
    axis: Axis,
    curves: tuple[SideCurve, SideCurve],
    before_readings: bool,
) -> FloatArray | None:
    """Return (k, 3) z, diameter and its sd of what the turner read, z counted as the curves'.

    None before there is an estimate: the readings are counted from the start end.
    `before_readings`: whether that estimate was made without them, so that it can judge them.

    Raises
    ------
    RefusalError, BadFileError
        `known-contradicts`, `known-place`.
    """
    if not request.known or solved is None:
        return None
    scale, rays = pixel_mm(view, axis), view.rays(outline.points_px)
    # At a hollow corner of the outline points lie anywhere along what is hidden.
    curves = (
        without_leaps(curves[0], SPACING_PX * scale),
        without_leaps(curves[1], SPACING_PX * scale),
    )
    start = seen_end(outline, rays, view.camera_centre_mm, axis, curves, True, scale)
    for z, d in request.known:
        if before_readings:
            _refuse_unseen(z, z + start.z_mm, start.z_mm, curves)
        seen = 2.0 * float(np.mean([np.interp(z + start.z_mm, c.z_mm, c.r_mm) for c in curves]))
        if before_readings and abs(d - seen) > CONTRADICTS_MM + CONTRADICTS_SHARE * seen:
            raise RefusalError(
                "known-contradicts",
                f"The caliper reading {d:g} at z = {z:g} contradicts the photo's {seen:.1f} mm.",
                "Measure there again in mm, or check which end z counts from.",
            )
    off = float(np.hypot(start.sd_mm, TOLD_SD_MM))
    return np.array(
        [
            (z + start.z_mm, d, np.hypot(KNOWN_SD_MM, _changes_by(z + start.z_mm, off, curves)))
            for z, d in request.known
        ]
    )


def _changes_by(z_mm: float, off_mm: float, curves: tuple[SideCurve, SideCurve]) -> float:
    """Return by how much the diameter changes from a place to those so far off, the more of both.

    A reading on a slope, or at the root of a bead, is as unsure as its place.
    """
    at = z_mm + np.array([-off_mm, 0.0, off_mm])
    seen = np.sum([np.interp(at, c.z_mm, c.r_mm) for c in curves], axis=0)
    return float(np.max(np.abs(seen - seen[1])))


def _refuse_unseen(
    told_mm: float, z_mm: float, start_mm: float, curves: tuple[SideCurve, SideCurve]
) -> None:
    """Refuse a reading where the photo shows no diameter to compare it with.

    Raises
    ------
    BadFileError
        `known-place`.
    """
    last = min(float(c.z_mm[-1]) for c in curves) - start_mm
    if not -BESIDE_MM <= told_mm <= last + BESIDE_MM:
        raise BadFileError(
            "known-place",
            f"The caliper reading at z = {told_mm:g} lies off the piece, which is seen from 0 to "
            f"{last:.0f} mm.",
            "Take it on the piece, and count z from the end that the picture marks.",
        )
    if max(float(np.abs(c.z_mm - z_mm).min()) for c in curves) > BESIDE_MM:
        raise BadFileError(
            "known-place",
            f"At z = {told_mm:g}, where the caliper reading was taken, the photo does not show "
            "both sides.",
            "Trace without it, and take a reading where diameters are drawn.",
        )


def axis_ends_of(outline: Outline) -> FloatArray:
    """Return (2, 2) pixels of the axis line beside both ends of an outline, start end first."""
    n = len(outline.points_px)
    half = n // 2
    side_a, side_b = outline.points_px[:half], outline.points_px[half:][::-1]
    share = np.linspace(0.05, 0.95, 50)
    middle = [
        0.5 * (side_a[int(s * (len(side_a) - 1))] + side_b[int(s * (len(side_b) - 1))])
        for s in share
    ]
    points = np.array(middle)
    centre = points.mean(axis=0)
    d = np.linalg.svd(points - centre, full_matrices=False)[2][0]
    ends = outline.points_px[[0, half - 1]]
    if np.dot(d, ends[1] - ends[0]) < 0:
        d = -d
    along = (ends - centre) @ d
    return np.asarray(centre + along[:, None] * d)


def not_turned(photo_name: str, standing: bool = False) -> RefusalError:
    """Return the refusal of sides that are not those of one round piece.

    `standing` is whether it was said to stand on its end.
    """
    return RefusalError(
        "not-turned",
        f"What lies in {photo_name} is not round about one axis, or its sides cannot be told.",
        (LIES_PERHAPS if standing else "")
        + "A hard shadow, a bench like the wood or polished steel hide the rim: take soft light "
        "and a plain bench of another tone. For an end face there is measure hole, for a boring "
        "tool measure cutter.",
    )
