"""What one photo gave, put together: the profile, its ends and what is to be said of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.finding import FoundTarget, linear_table
from calib.lightcheck import judge_light
from calib.photo import Photo
from calib.refusal import Notice
from calib.view import View
from measure.assemble import Assembled, assemble
from measure.carried import Carried, carried
from measure.fit import Estimate
from measure.outline import SPACING_PX, Outline
from measure.pieceends import PieceEnds, end_notices, piece_ends, pixel_mm, rays_of_ends
from measure.rest import Rest
from measure.result import CUT, END, LeftOut, TraceRequest, TraceResult
from measure.setting import curves_of
from measure.sides import SideCurve, without_leaps
from measure.solving import Solved, not_turned
from measure.unknowns import values_at

__all__ = ["Tracing", "finished"]

FloatArray = NDArray[np.float64]

ROWS_LEAST = 8
"""A profile of fewer rows is none."""


@dataclass(frozen=True, slots=True)
class Tracing:
    """All that one photo gave, for steps that need more than the profile.

    Attributes
    ----------
    result : what the reports show.
    found, outline, estimate : target, outline and joint estimate.
    curves : both sides, z counted from the start end.
    shift_mm : z of the start end in the axis' own count.
    rests : ways the piece may rest on the bench; empty for other set-ups.
    """

    result: TraceResult
    found: FoundTarget
    outline: Outline
    estimate: Estimate
    curves: tuple[SideCurve, SideCurve]
    shift_mm: float
    rests: tuple[Rest, ...]


def finished(photo: Photo, request: TraceRequest, found: FoundTarget, solved: Solved) -> Tracing:
    """Return the tracing of one photo whose outline is solved; its timings are empty.

    Raises
    ------
    RefusalError
        `not-turned` when hardly any diameter is seen on both sides.
    """
    outline, fit = solved.outline, solved.estimate
    view, axis = fit.view, fit.axis
    curves, (z, _, weight, _) = curves_of(outline, view, axis)
    curves = _debiased(curves, fit, outline)
    bench = -found.thickness_mm
    ends = piece_ends(photo.size_px, request, bench, outline, view, axis, curves)
    apart = SPACING_PX * pixel_mm(view, axis)
    curves = (without_leaps(curves[0], apart), without_leaps(curves[1], apart))
    shared = carried(fit, outline, curves, rays_of_ends(outline, curves, weight, ends))
    start = ends.start.z_mm
    shifted = (
        replace(curves[0], z_mm=curves[0].z_mm - start),
        replace(curves[1], z_mm=curves[1].z_mm - start),
    )
    assembled = _assembled(fit, outline, shifted, shared, ends)
    if len(assembled.profile.z_mm) < ROWS_LEAST:
        raise not_turned(photo.name)
    result = _result(photo, request, found, solved, ends, shared, assembled, z)
    return Tracing(result, found, outline, fit, shifted, start, solved.rests)


def _result(
    photo: Photo,
    request: TraceRequest,
    found: FoundTarget,
    solved: Solved,
    ends: PieceEnds,
    shared: Carried,
    assembled: Assembled,
    z_mm: FloatArray,
) -> TraceResult:
    """Return what the reports show; `z_mm` (n,) of the outline points, the axis' own count."""
    outline, fit = solved.outline, solved.estimate
    view, axis = fit.view, fit.axis
    start, stop = ends.start, ends.stop
    length_sd = np.sqrt(start.sd_mm**2 + stop.sd_mm**2 + float(np.sum(shared.length**2)))
    whole = not any(ends.cut)
    axis_px = view.to_pixels(axis.at(np.array([start.z_mm, stop.z_mm])))
    told = request.start is not None or request.known
    start_is_free = not told and request.setup != "upright"
    return TraceResult(
        photo_name=photo.name,
        setup=request.setup,
        scale_from=found.scale_from,
        lens_from=fit.layout.view.lens.source,
        z_zero=CUT if ends.cut[0] else END,
        length_mm=stop.z_mm - start.z_mm if whole else None,
        length_u95_mm=1.96 * float(length_sd) if whole else None,
        profile=assembled.profile,
        notices=(
            *photo.notices,
            *found.notices,
            *judge_light(photo.bgr, found.sight, linear_table())[1],
            *_notices(fit, solved.rests),
            *_setup_notices(request.setup, _tilt_deg(found.view)),
            *end_notices(ends, axis_px, start_is_free),
        ),
        left_out=tuple(LeftOut(a, b, "not seen on both sides") for a, b in assembled.missing),
        outline_px=outline.points_px[outline.clear],
        outline_z_mm=z_mm[outline.clear] - start.z_mm,
        axis_px=axis_px,
        target_px=found.polygon_px,
        target_is_board=found.is_board,
        tilt_deg=_tilt_deg(view),
        px_per_mm=1.0 / pixel_mm(view, axis),
        far_end=CUT if ends.cut[1] else END,
        known=request.known,
    )


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
    return assemble(
        curves, (first, second), shared.rows, scale, fit.pairs_sd, start_sd, length, stretch
    )


def _setup_notices(setup: str, tilt_deg: float) -> list[Notice]:
    """Return a word where the phone looked at the target as it would for another set-up."""
    slanted = tilt_deg > ALONG_DEG
    if setup in ("bench", "level") and slanted:
        said = (
            "more along the bench than down on it",
            "Is the piece standing? Give --setup upright.",
        )
    elif setup == "plane" and slanted:
        said = (
            "far from square at the card",
            "Hold the card's face square to the phone, or give --setup.",
        )
    elif setup == "upright" and tilt_deg < DOWN_DEG:
        said = "almost straight down", "Is the piece lying? Leave out --setup upright."
    else:
        return []
    where, what = said
    return [
        Notice("setup-doubtful", f"The phone looked {where} ({tilt_deg:.0f}° off square).", what)
    ]


ALONG_DEG, DOWN_DEG = 45.0, 25.0


def _notices(fit: Estimate, rests: tuple[Rest, ...]) -> list[Notice]:
    notices = []
    if rests and rests[0].chance < 0.9:
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
