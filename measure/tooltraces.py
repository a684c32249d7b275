"""The photos of a tool, traced and ready for its steps."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.finding import FoundTarget, find_target
from calib.lens import Lens
from calib.photo import Photo
from calib.printed import PrintScale
from calib.refusal import Notice, RefusalError
from calib.targets import parse_target
from calib.view import View
from measure.boardzone import target_zone
from measure.boxcheck import check_box
from measure.plainoutline import cluster_silhouettes
from measure.progress import Progress
from measure.reach import frame_of
from measure.result import CUT, END, LeftOut, TraceRequest, TraceResult
from measure.revolve import Axis
from measure.rimtrace import RimTrace, trace_rims
from measure.scene import Scene, prepare
from measure.searchedoutline import searched_silhouettes
from measure.silhouette import Silhouette
from measure.startend import from_start
from measure.toolsolve import (
    LEAST_TAPER,
    SIDE_SD_PX,
    SolvedStep,
    solved_profile,
    solved_rays,
    step_of,
)
from measure.toolview import ToolView
from measure.trace import Tracing, measured, prior_lens
from measure.twopieces import lie_apart, two_pieces
from measure.unknowns import rim_bias

__all__ = ["ToolPhotos", "ToolTrace", "shank_is_first", "trace_tool"]

FloatArray = NDArray[np.float64]
Search = Callable[[Scene, FloatArray], Iterable[Silhouette]]

BORDER_PX = 8.0
THINNEST_MM, ROUGH_MM = 1.0, 0.5
USELESS_SD_MM = 1.0
WORTH_LEAST = 0.5
"""Share of a tool's length that a trace must be worth: tools seen well were worth 0.58 and more of
theirs, turned wood, along which straight rims may be laid as well, at most 0.41 (rendered)."""
LEAST_STEPS = 2
"""A tool has a shank and what cuts. Two straight lines alone may be a rim and a shadow's border."""
CONE_MM = 0.3
"""A ground step may taper by less than this, or the axis be a little off."""


@dataclass(frozen=True, slots=True)
class ToolTrace:
    """One photo of a tool.

    Attributes
    ----------
    result : for tables, pictures and reports.
    view : for the steps and what they sweep.
    bench_mm : Z of the bench in the target frame.
    side_names : what its two sides are called in the photo, such as "upper", "lower".
    rims : what it was traced by; None if as any turned piece.
    """

    result: TraceResult
    view: ToolView
    bench_mm: float
    side_names: tuple[str, str]
    rims: RimTrace | None = None


@dataclass(frozen=True, slots=True)
class ToolPhotos:
    """Photos of one tool, turned about its length between them.

    `notices` are about the photos after the first.
    """

    traces: tuple[ToolTrace, ...]
    turned_rad: tuple[float, ...]
    notices: tuple[Notice, ...]

    @property
    def first(self) -> TraceResult:
        """The trace of the first photo."""
        return self.traces[0].result

    @property
    def side_names(self) -> tuple[str, str]:
        """What the two sides are called in the first photo."""
        return self.traces[0].side_names


def trace_tool(
    photos: Sequence[Photo],
    request: TraceRequest,
    turned_rad: Sequence[float],
    progress: Progress,
    lenses: Sequence[Lens | None] = (),
    scale: PrintScale | None = None,
) -> ToolPhotos:
    """Trace each photo.

    `lenses` are calibrated ones that fit the photos, None where there is none; `scale` is that of
    a printed board, when that is the target.

    Raises
    ------
    RefusalError
        What the trace refuses, and `tool-cut` where the tool runs out of the picture at both
        ends.
    """
    known = [*lenses, *[None] * (len(photos) - len(lenses))]
    traces = tuple(
        _trace_one(photo, request, progress, lens, scale)
        for photo, lens in zip(photos, known, strict=True)
    )
    for trace in traces:
        if CUT == trace.result.z_zero == trace.result.far_end:
            raise RefusalError(
                "tool-cut",
                f"{trace.result.photo_name} shows only the middle of the tool.",
                "Take the photo again with the whole tool in it.",
            )
    # Where the steps lie is told by the first photo alone.
    notices = [
        notice
        for trace in traces[1:]
        for notice in trace.result.notices
        if notice.code != "step-ends-rough"
    ]
    return ToolPhotos(traces, tuple(turned_rad), tuple(dict.fromkeys(notices)))


def shank_is_first(result: TraceResult, side: str) -> bool:
    """Return whether the end of the tool toward that side of the photo is at z = 0."""
    d = result.axis_px[1] - result.axis_px[0]
    toward_far = {"left": -d[0], "right": d[0], "top": -d[1], "bottom": d[1]}[side]
    return bool(toward_far < 0.0)


def _trace_one(
    photo: Photo,
    request: TraceRequest,
    progress: Progress,
    lens: Lens | None,
    scale: PrintScale | None,
) -> ToolTrace:
    """Trace by straight rims; a tool that has none (a taper, flutes) as any turned piece."""
    if request.setup != "upright":
        prior = prior_lens(photo) if lens is None else lens
        found = _by_rims(photo, request, progress, prior, scale)
        if found is not None:
            return found
    try:
        return _of_tracing(measured(photo, request, progress, lens, scale))
    except RefusalError as refused:
        # What is said there sends a boring tool here.
        raise _contradict(photo) if refused.notice.code == "not-turned" else refused from None


def _by_rims(
    photo: Photo,
    request: TraceRequest,
    progress: Progress,
    lens: Lens,
    scale: PrintScale | None,
) -> ToolTrace | None:
    check_box(photo.size_px, request.box_px, photo.name)
    progress("looking for the target")
    asked = parse_target(request.target)
    # The sides of polished steel mirror each other poorly: the card must have the say.
    target = find_target(photo, lens, asked, scale, doubt_lean=False)
    progress("looking for the tool")
    covers = [] if target.is_board else [target.polygon_px]
    scene = prepare(
        photo.bgr, covers, request.box_px, target_zone(asked, target.sight, target.view)
    )
    f, (cx, cy) = target.view.lens.focal_px, lens.centre_px
    intrinsics = np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]])

    def best_of(search: Search) -> RimTrace | None:
        best: RimTrace | None = None
        for silhouette in search(scene, intrinsics):
            sides = from_start(silhouette.sides_px(scene), request.start)
            progress("following its rims")
            found = trace_rims(photo, scene, request, lens, target, sides)
            if found is not None and (best is None or found.worth > best.worth):
                best = found
            if best is not None and best.is_good:
                break
        return best

    best = best_of(searched_silhouettes)
    if best is None or not _agrees(best):
        # On white paper only a steel tool's highlights are unlike the bench: regions of like tone
        # may show it then. They lead astray as well, so that it must be good beyond doubt.
        other = best_of(cluster_silhouettes)
        if other is not None and other.is_good and _agrees(other):
            best = other
    if best is None or len(best.steps) < LEAST_STEPS:
        return None
    doubtful = best.goes_on or not _agrees(best)
    if doubtful and request.box_px is None and lie_apart(scene):
        raise two_pieces(photo.name)
    if not _agrees(best):
        raise _contradict(photo)
    if best.goes_on:
        raise RefusalError(
            "tool-goes-on",
            f"The tool in {photo.name} seems to go on past an end of what was made out.",
            "Lay it on plain cloth of another tone, clear of its own shadow, or give --box to say "
            "which part to measure.",
        )
    return _of_rims(photo, request, target, best)


def _contradict(photo: Photo) -> RefusalError:
    return RefusalError(
        "rims-contradict",
        f"The rims seen in {photo.name} are not those of one tool: some may be reflections.",
        "Lay it on dull dark cloth in soft light from all round, or rub chalk on it, and try "
        "again. For turned wood there is measure trace.",
    )


def _agrees(found: RimTrace) -> bool:
    """Return whether the rims are those of one tool of cylinders, of some steps.

    Rims that are partly reflections, or an axis that they put askew, make cylinders come out as
    cones, of which one of three steps may well be one, or leave the size of a step open.
    """
    steps = found.steps
    cones = sum(
        abs(step.taper) >= LEAST_TAPER and abs(step.at_to_mm - step.at_from_mm) > CONE_MM
        for step in steps
    )
    thinnest = min(min(step.at_from_mm, step.at_to_mm) for step in steps)
    worst = max(float(np.hypot(step.sd_mm, step.common_sd_mm)) for step in steps)
    length = steps[-1].z_to_mm - steps[0].z_from_mm
    return (
        len(steps) >= LEAST_STEPS
        and found.is_whole
        and found.worth >= WORTH_LEAST * length
        and not found.overlooks
        and cones <= len(steps) // 3
        and thinnest > THINNEST_MM
        and worst < USELESS_SD_MM
    )


TIP_UNMEASURED = Notice(
    "tip-unmeasured",
    "How far the tool reaches past its last straight rim, as a point does, is not measured.",
    "Measure from the last step to the very tip, and reckon with it where a bore must not go "
    "through.",
)


def _of_rims(
    photo: Photo, request: TraceRequest, target: FoundTarget, found: RimTrace
) -> ToolTrace:
    solved, steps = found.estimate, found.steps
    view, start = solved.view, steps[0].z_from_mm
    axis = Axis(solved.axis.at(start), solved.axis.direction)
    scale = float(np.linalg.norm(axis.point_mm - view.camera_centre_mm)) / view.lens.focal_px
    length = steps[-1].z_to_mm - start
    outline = found.found.outline
    z = np.concatenate(
        [
            side.z_mm - start
            for sides in solved_rays(found.found, solved, solved.x)
            for side in sides
        ]
    )
    index = [pair[k][outline.clear[pair[k]]] for k in (0, 1) for pair in found.found.on_rims]
    rims_px = outline.points_px[np.concatenate(index)]
    # A radius is the mean of two rims.
    doubts = [step.doubt_mm for step in found.found.steps if step.is_seen]
    ends_px = view.to_pixels(axis.at(np.array([0.0, length])))
    cut = [_is_cut(photo, request, rims_px[np.abs(z - place) < 3.0]) for place in (0.0, length)]
    result = TraceResult(
        photo_name=photo.name,
        setup=request.setup,
        scale_from=target.scale_from,
        lens_from=view.lens.source,
        z_zero=CUT if cut[0] else END,
        # From rim to rim; a point, or a rounded end, reaches past the last of them.
        length_mm=None,
        length_u95_mm=None,
        profile=solved_profile(steps),
        notices=(*photo.notices, *target.notices, TIP_UNMEASURED, *_rough_ends(steps)),
        left_out=tuple(
            LeftOut(a.z_to_mm - start, b.z_from_mm - start, "not seen on both sides")
            for a, b in pairwise(steps)
            if b.z_from_mm - a.z_to_mm > 0.5
        ),
        outline_px=rims_px,
        outline_z_mm=z,
        axis_px=ends_px,
        target_px=target.polygon_px,
        target_is_board=target.is_board,
        tilt_deg=float(np.degrees(np.arccos(np.clip(-view.rotation[2, 2], -1.0, 1.0)))),
        px_per_mm=1.0 / scale,
        far_end=CUT if cut[1] else END,
        known=request.known,
    )
    tool = ToolView(
        profile=result.profile,
        camera_mm=view.camera_centre_mm,
        axis=axis,
        rays=(
            view.rays(_debiased(found, 0)),
            view.rays(_debiased(found, 1)),
        ),
        steps=tuple(step_of(step, start) for step in steps),
        rim_sd_mm=float(np.hypot(SIDE_SD_PX * scale, np.median(doubts))),
    )
    return ToolTrace(result, tool, -target.thickness_mm, _side_names(view, axis), found)


def _rough_ends(steps: Sequence[SolvedStep]) -> tuple[Notice, ...]:
    """Return what to say where the ends of steps are poorly known."""
    worst = 1.96 * max(max(step.from_sd_mm, step.to_sd_mm) for step in steps)
    if worst < ROUGH_MM:
        return ()
    return (
        Notice(
            "step-ends-rough",
            f"Where the steps begin and end is known only to ±{worst:.1f} mm.",
            "Measure lengths on the tool itself, or hold the phone over its middle.",
        ),
    )


def _debiased(found: RimTrace, k: int) -> FloatArray:
    """Return the clear points (n, 2) of all rims of one side, the shared bias taken off."""
    outline, solved = found.found.outline, found.estimate
    side = np.full(len(outline.points_px), 1.0 - 2.0 * k)
    points = rim_bias(outline, side, solved.layout.bias_of(solved.x))
    index = np.concatenate([pair[k] for pair in found.found.on_rims])
    return np.asarray(points[index[outline.clear[index]]])


def _is_cut(photo: Photo, request: TraceRequest, points_px: FloatArray) -> bool:
    """Return whether the border of the picture, or the box, cuts the tool at these points."""
    width, height = photo.size_px
    low, high = np.zeros(2), np.array([width - 1.0, height - 1.0])
    if request.box_px is not None:
        x, y, w, h = request.box_px
        low, high = np.maximum(low, (x, y)), np.minimum(high, (x + w, y + h))
    if len(points_px) == 0:
        return False
    return bool(np.minimum(points_px - low, high - points_px).min() < BORDER_PX)


def _of_tracing(tracing: Tracing) -> ToolTrace:
    estimate = tracing.estimate
    view, axis = estimate.view, estimate.axis
    bias = estimate.layout.bias_of(estimate.x)
    rays = []
    for sign, curve in zip((1.0, -1.0), tracing.curves, strict=True):
        side = np.full(len(tracing.outline.points_px), sign)
        rays.append(view.rays(rim_bias(tracing.outline, side, bias)[curve.index]))
    axis = Axis(axis.at(tracing.shift_mm), axis.direction)
    tool = ToolView(
        profile=tracing.result.profile,
        camera_mm=view.camera_centre_mm,
        axis=axis,
        rays=(rays[0], rays[1]),
        rim_sd_mm=SIDE_SD_PX / tracing.result.px_per_mm,
    )
    bench = -tracing.found.thickness_mm
    return ToolTrace(tracing.result, tool, bench, _side_names(view, axis))


def _side_names(view: View, axis: Axis) -> tuple[str, str]:
    across, _ = frame_of(view.camera_centre_mm, axis)
    ends = view.to_pixels(np.array([axis.point_mm, axis.point_mm + across]))
    d = ends[1] - ends[0]
    if abs(d[1]) >= abs(d[0]):
        return ("lower", "upper") if d[1] > 0.0 else ("upper", "lower")
    return ("right", "left") if d[0] > 0.0 else ("left", "right")
