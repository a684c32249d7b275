"""What one photo gave, put together: the profile, its ends and what is to be said of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.finding import FoundTarget, linear_table
from calib.lightcheck import judge_light
from calib.photo import Photo
from calib.refusal import Notice
from calib.setupdoubt import setup_notices
from calib.view import View
from measure.assemble import Assembled, Missing, assemble, rows_to
from measure.carried import Carried, carried
from measure.fit import Estimate
from measure.lying import refuse_lying_otherwise, rests_unclear
from measure.outline import SPACING_PX, Outline
from measure.pieceends import (
    PieceEnds,
    chuck_notices,
    end_notices,
    piece_ends,
    pixel_mm,
    rays_of_ends,
)
from measure.profile import GRID_MM
from measure.rest import Rest
from measure.result import CUT, END, LeftOut, TraceRequest, TraceResult
from measure.setting import curves_of
from measure.sides import SideCurve, without_leaps
from measure.solved import Solved
from measure.solving import not_turned
from measure.touchedsides import touched_sides
from measure.unknowns import values_at

__all__ = ["Tracing", "finished", "solved_anew"]

FloatArray = NDArray[np.float64]

REST_SURE = 0.9
ROWS_LEAST, SHOWN_LEAST = 8, 0.2
"""A profile of fewer rows is none, and what shows less than this share of its length is no piece
that was followed."""


@dataclass(frozen=True, slots=True)
class Tracing:
    """All that one photo gave, for steps that need more than the profile.

    Attributes
    ----------
    result : what the reports show.
    found, outline, estimate : target, outline and joint estimate.
    curves : both sides, z counted from the start end.
    carried : how the curves' points change with the unknowns.
    shift_mm : z of the start end in the axis' own count.
    start_sd_mm : standard deviation of where that end is.
    rests : ways the piece may rest on the bench; empty for other set-ups.
    size_px : of the photo.
    open_ends : whether the piece seems to go on past its start and its far end.
    """

    result: TraceResult
    found: FoundTarget
    outline: Outline
    estimate: Estimate
    curves: tuple[SideCurve, SideCurve]
    carried: Carried
    shift_mm: float
    start_sd_mm: float
    rests: tuple[Rest, ...]
    size_px: tuple[int, int]
    open_ends: tuple[bool, bool] = (False, False)


def finished(photo: Photo, request: TraceRequest, found: FoundTarget, solved: Solved) -> Tracing:
    """Return the tracing of one photo whose outline is solved; its timings are empty.

    Raises
    ------
    RefusalError
        `not-turned` when hardly any diameter is seen on both sides, `rest-unclear` when that may
        be for how it lies; what else the parts refuse.
    """
    put = _put_together(
        photo.size_px, request, found, solved.outline, solved.estimate, solved.open_ends
    )
    if not put.shown:
        unsure = solved.rest_share < REST_SURE
        raise rests_unclear(photo.name) if unsure else not_turned(photo.name)
    refuse_lying_otherwise(photo, request, found, solved, put.ends, put.assembled.profile)
    fit, tilt = solved.estimate, _tilt_deg(found.view)
    told = request.start is not None or request.known
    start_is_free = not told and request.setup != "upright"
    notices = (
        *photo.notices,
        *found.notices,
        *judge_light(photo.bgr, found.sight, linear_table())[1],
        *_notices(fit, solved.rest_share),
        *_one_sided_notices(put.assembled.missing),
        *setup_notices(request.setup, tilt),
        *chuck_notices(request.setup, put.ends, request.box_px is not None),
        *end_notices(put.ends, put.axis_px, start_is_free),
    )
    return Tracing(
        result=_result(photo.name, request, found, solved.outline, fit, put, notices),
        found=found,
        outline=solved.outline,
        estimate=fit,
        curves=put.curves,
        carried=put.carried,
        shift_mm=put.ends.start.z_mm,
        start_sd_mm=put.ends.start.sd_mm,
        rests=solved.rests,
        size_px=photo.size_px,
        open_ends=solved.open_ends,
    )


def solved_anew(before: Tracing, request: TraceRequest, fit: Estimate) -> Tracing:
    """Return a tracing with another estimate of the same outline; its notices stay.

    Raises
    ------
    ValueError
        If hardly any diameter is seen on both sides with it.
    """
    put = _put_together(
        before.size_px, request, before.found, before.outline, fit, before.open_ends
    )
    if not put.shown:
        raise ValueError("the other estimate leaves no profile")
    old = before.result
    result = _result(old.photo_name, request, before.found, before.outline, fit, put, old.notices)
    return replace(
        before,
        result=replace(result, timings=old.timings),
        estimate=fit,
        curves=put.curves,
        carried=put.carried,
        shift_mm=put.ends.start.z_mm,
        start_sd_mm=put.ends.start.sd_mm,
    )


@dataclass(frozen=True, slots=True)
class _Put:
    """What an outline and its estimate give; z of `outline_z_mm`, (n,), from the start end."""

    ends: PieceEnds
    curves: tuple[SideCurve, SideCurve]
    carried: Carried
    assembled: Assembled
    outline_z_mm: FloatArray
    axis_px: FloatArray

    @property
    def shown(self) -> bool:
        """Whether enough is seen on both sides to be called a profile."""
        rows = len(self.assembled.profile.z_mm)
        length = self.ends.stop.z_mm - self.ends.start.z_mm
        return rows >= max(ROWS_LEAST, SHOWN_LEAST * length / GRID_MM)


def _put_together(
    size_px: tuple[int, int],
    request: TraceRequest,
    found: FoundTarget,
    outline: Outline,
    fit: Estimate,
    open_ends: tuple[bool, bool],
) -> _Put:
    view, axis = fit.view, fit.axis
    curves, (z, _, weight, _) = curves_of(outline, view, axis)
    curves = _debiased(curves, fit, outline)
    bench = -found.thickness_mm
    ends = piece_ends(size_px, request, bench, outline, view, axis, curves, open_ends)
    apart = SPACING_PX * pixel_mm(view, axis)
    curves = (without_leaps(curves[0], apart), without_leaps(curves[1], apart))
    shared = carried(fit, outline, curves, rays_of_ends(outline, curves, weight, ends))
    start = ends.start.z_mm
    shifted = (
        replace(curves[0], z_mm=curves[0].z_mm - start),
        replace(curves[1], z_mm=curves[1].z_mm - start),
    )
    assembled = _assembled(fit, outline, shifted, shared, ends)
    axis_px = view.to_pixels(axis.at(np.array([start, ends.stop.z_mm])))
    return _Put(ends, shifted, shared, assembled, z - start, axis_px)


def _result(
    photo_name: str,
    request: TraceRequest,
    found: FoundTarget,
    outline: Outline,
    fit: Estimate,
    put: _Put,
    notices: tuple[Notice, ...],
) -> TraceResult:
    """Return what the reports show."""
    start, stop = put.ends.start, put.ends.stop
    length_sd = np.sqrt(start.sd_mm**2 + stop.sd_mm**2 + float(np.sum(put.carried.length**2)))
    whole = not any(put.ends.cut)
    return TraceResult(
        photo_name=photo_name,
        setup=request.setup,
        scale_from=found.scale_from,
        lens_from=fit.layout.view.lens.source,
        z_zero=CUT if put.ends.cut[0] else END,
        length_mm=stop.z_mm - start.z_mm if whole else None,
        length_u95_mm=1.96 * float(length_sd) if whole else None,
        profile=put.assembled.profile,
        notices=notices,
        left_out=tuple(LeftOut(m.z_from_mm, m.z_to_mm, _reason(m)) for m in put.assembled.missing),
        outline_px=outline.points_px[outline.clear],
        outline_z_mm=put.outline_z_mm[outline.clear],
        axis_px=put.axis_px,
        target_px=found.polygon_px,
        target_is_board=found.is_board,
        tilt_deg=_tilt_deg(fit.view),
        px_per_mm=1.0 / pixel_mm(fit.view, fit.axis),
        far_end=CUT if put.ends.cut[1] else END,
        known=request.known,
    )


def _reason(missing: Missing) -> str:
    """Return why a stretch was left out, in a few words."""
    if missing.one_sided_mm is None:
        if missing.one_side_seen:
            return "seen on one side only: a crank, knob or flat there, or a shadow?"
        return "hidden, or not clear on both sides"
    if missing.one_sided_mm > 0.0:
        return "proud on one side: a crank, knob or screw?"
    return "shy on one side: a flat?"


def _one_sided_notices(missing: tuple[Missing, ...]) -> list[Notice]:
    return [
        Notice(
            "one-sided",
            f"From {m.z_from_mm:.0f} to {m.z_to_mm:.0f} mm one side stands "
            f"{abs(m.one_sided_mm):.1f} mm {'proud' if m.one_sided_mm > 0.0 else 'shy'}; that "
            "stretch was left out.",
            "Take the crank, knob or screw off, or turn it toward the phone. If there is none, "
            "look at the picture: a shadow may have been followed.",
        )
        for m in missing
        if m.one_sided_mm is not None
    ]


def _tilt_deg(view: View) -> float:
    """Return the angle between the phone's line of sight and the target's normal, degrees."""
    return float(np.degrees(np.arccos(np.clip(-view.rotation[2, 2], -1.0, 1.0))))


def _debiased(
    curves: tuple[SideCurve, SideCurve], solved: Estimate, outline: Outline
) -> tuple[SideCurve, SideCurve]:
    moved = []
    for curve in curves:
        _, r = values_at(solved.layout, solved.x, outline, curve.index)
        moved.append(replace(curve, r_mm=r))
    return moved[0], moved[1]


def _assembled(
    fit: Estimate,
    outline: Outline,
    curves: tuple[SideCurve, SideCurve],
    shared: Carried,
    ends: PieceEnds,
) -> Assembled:
    scale = pixel_mm(fit.view, fit.axis)
    first, second = (outline.sd_px[c.index] * scale for c in curves)
    start_sd = float(np.hypot(ends.start.sd_mm, 0.05))
    length = ends.stop.z_mm - ends.start.z_mm
    stretch = float(np.sqrt(np.sum(shared.length**2))) / max(length, 1.0)
    touched = touched_sides(fit, outline, curves, ends.start.z_mm, rows_to(length))
    return assemble(
        curves,
        (first, second),
        shared.rows,
        scale,
        fit.pairs_sd,
        start_sd,
        length,
        stretch,
        touched,
    )


def _notices(fit: Estimate, rest_share: float) -> list[Notice]:
    notices = []
    if rest_share < REST_SURE:
        notices.append(
            Notice(
                "rest-unsure",
                "The piece may rest on the bench in more than one way.",
                "Chock it level and give --axis-height, or give one caliper reading with --known.",
            )
        )
    if fit.kept < 0.7:
        notices.append(
            Notice(
                "sides-differ",
                "The two sides differ in places more than a round piece can.",
                "Look at the picture: is it the piece that was followed? Better light helps.",
            )
        )
    return notices
