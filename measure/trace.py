"""One photo to diameters: the steps, in order."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.board import Board
from calib.finding import FoundTarget, find_target, linear_table
from calib.lens import Lens, lens_from_exif
from calib.photo import Photo
from calib.printed import PrintScale
from calib.refusal import Notice, RefusalError
from calib.sight import CornerSight
from calib.targets import Target, parse_target
from calib.view import View
from measure.assemble import assemble
from measure.boardzone import board_zone
from measure.carried import Carried, EndRay, carried
from measure.ends import EndPoint, find_end
from measure.fit import Estimate, estimate, values_at
from measure.outline import SPACING_PX, Outline, refine_outline, rescan
from measure.paired import Rim, paired_rim
from measure.plainoutline import plain_silhouettes
from measure.profile import Profile
from measure.rest import Rest
from measure.result import CUT, END, LeftOut, TraceRequest, TraceResult
from measure.revolve import Axis
from measure.scene import Scene, Zone, prepare
from measure.searchedoutline import searched_silhouettes
from measure.setting import bench_knowledge, curves_of, first_axis, foot_arc, setup_knowledge
from measure.sides import SideCurve, local_slope, without_corners, without_leaps

__all__ = ["Tracing", "measured", "trace"]

FloatArray = NDArray[np.float64]
Progress = Callable[[str], None]

KNOWN_SD_MM = 0.05
"""Standard uncertainty of a caliper reading on wood (common practice, no source)."""
SYMMETRY_LEAST = 0.3
SURE_LEAST, BORNE_OUT_LEAST = 0.96, 0.7
"""Share of an outline that must show an edge on both sides: to look no further, and at all."""
RIVALS_MOST = 3
"""Outlines that are solved before the photo is given up."""
KEPT_LEAST = 0.85
SCATTER_MOST = 3.0
KEPT_RIVAL, SCATTER_RIVAL = 0.95, 1.5
"""Below this share of agreement, or above this scatter, the sides are not those of one round
piece seen well: nothing is reported."""
BORDER_PX = 8.0
CUT_POINTS = 6
"""A piece is cut by the picture or the box where so many points of its end lie at the border."""
MEND_PX = 3.0
ARC_MORE = 10


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


def trace(
    photo: Photo,
    request: TraceRequest,
    progress: Progress = lambda _: None,
    lens: Lens | None = None,
    scale: PrintScale | None = None,
) -> TraceResult:
    """Return the diameters of the turned piece in a photo.

    Parameters
    ----------
    photo, request : what to measure and how it lies.
    progress : told the name of each step.
    lens : a calibrated lens that fits the photo; without it the prior that EXIF gives.
    scale : of a printed board, when that is the target.

    Raises
    ------
    RefusalError
        When target or piece are not found or contradict the set-up; the code says which.
    """
    return measured(photo, request, progress, lens, scale).result


def prior_lens(photo: Photo) -> Lens:
    """Return the lens prior of a photo: from its EXIF data."""
    return lens_from_exif(
        photo.size_px, photo.focal_35mm, photo.focal_relative_sd, photo.framing != "cropped"
    )


def measured(
    photo: Photo,
    request: TraceRequest,
    progress: Progress,
    lens: Lens | None = None,
    scale: PrintScale | None = None,
) -> Tracing:
    """Trace, keeping the steps' results; see `trace`."""
    clock = _Clock()
    lens = prior_lens(photo) if lens is None else lens
    target = parse_target(request.target)
    progress("looking for the target")
    found = find_target(photo, lens, target, scale)
    clock.lap("target")
    progress("looking for the piece")
    covers = [] if found.is_board else [found.polygon_px]
    zone = _zone(target, found)
    scene = prepare(photo.bgr, covers, request.box_px, zone)
    best = _followed(photo, request, lens, found, scene, clock)
    progress("measuring")
    tracing = _finish(photo, request, found, best.outline, best.estimate, best.rests)
    clock.lap("finish")
    return replace(tracing, result=replace(tracing.result, timings=clock.laps))


def _zone(target: Target, found: FoundTarget) -> Zone | None:
    if not isinstance(target, Board) or not isinstance(found.sight, CornerSight):
        return None
    return board_zone(target, found.sight.points_mm, found.view)


def _followed(
    photo: Photo,
    request: TraceRequest,
    lens: Lens,
    found: FoundTarget,
    scene: Scene,
    clock: _Clock,
) -> _Solved:
    """Return the best outline solved; rivals are tried in the order of what bears them out.

    Raises
    ------
    RefusalError
        `no-piece`, `not-turned`.
    """
    intrinsics = _intrinsics(found, lens)
    tried = False
    rims: list[Rim] = []
    for search, sure in ((plain_silhouettes, SURE_LEAST), (searched_silhouettes, BORNE_OUT_LEAST)):
        for silhouette in search(scene, intrinsics):
            if silhouette.symmetry >= SYMMETRY_LEAST:
                rough = silhouette.sides_px(scene)
                rims.append(
                    paired_rim(photo.bgr, linear_table(), intrinsics, rough, 1.0 / scene.scale)
                )
        clock.lap("piece")
        ranked = sorted(rims, key=lambda rim: -rim.rank)
        for rim in [rim for rim in ranked if rim.borne_out >= sure][:RIVALS_MOST]:
            solved = _follow(photo, request, lens, found, rim.sides_px, clock)
            if solved is not None and (solved.quite_round if tried else solved.round):
                return solved
            tried |= solved is not None
            rims = [other for other in rims if other is not rim]
    raise _not_turned(photo) if tried else _no_piece(photo)


class _Clock:
    def __init__(self) -> None:
        self.last = time.perf_counter()
        self.laps: dict[str, float] = {}

    def lap(self, name: str) -> None:
        now = time.perf_counter()
        self.laps[name] = self.laps.get(name, 0.0) + now - self.last
        self.last = now


@dataclass(frozen=True, slots=True)
class _Solved:
    """One outline followed and solved."""

    outline: Outline
    estimate: Estimate
    rests: list[Rest]

    @property
    def round(self) -> bool:
        """Whether its sides agree as those of one round piece do."""
        fit = self.estimate
        return fit.kept >= KEPT_LEAST and fit.pairs_sd <= SCATTER_MOST

    @property
    def quite_round(self) -> bool:
        """Whether they agree so well that another outline may have been wrong before."""
        fit = self.estimate
        return fit.kept >= KEPT_RIVAL and fit.pairs_sd <= SCATTER_RIVAL


def _intrinsics(found: FoundTarget, lens: Lens) -> FloatArray:
    f, (cx, cy) = found.view.lens.focal_px, lens.centre_px
    return np.array([[f, 0.0, cx], [0.0, f, cy], [0.0, 0.0, 1.0]])


def _follow(
    photo: Photo,
    request: TraceRequest,
    lens: Lens,
    found: FoundTarget,
    sides: tuple[FloatArray, FloatArray],
    clock: _Clock,
) -> _Solved | None:
    """Follow one coarse outline and solve; None when its sides are not those of a round piece."""
    if _starts_at_far_end(sides, _start(request)):
        sides = (sides[0][::-1], sides[1][::-1])
    outline = refine_outline(photo.bgr, linear_table(), sides)
    clock.lap("outline")
    try:
        solved, rests = _solve(request, lens, found, outline, 3)
        for _ in range(2):
            mended = _mended(photo, outline, solved)
            if mended is None:
                break
            outline = mended
            solved, rests = _solve(request, lens, found, outline, 2, solved)
    except ValueError:
        clock.lap("fit")
        return None
    clock.lap("fit")
    return _Solved(outline, solved, rests)


def _mended(photo: Photo, outline: Outline, solved: Estimate) -> Outline | None:
    """Return the outline looked for again where one side stands prouder than the other.

    What passes for a rim and is not one (the border of a shadow, a gap in the bench) lies
    outside the true rim as a rule: look where the other side says the rim is. None when there
    is nothing to mend.
    """
    curves, _ = curves_of(outline, solved.view, solved.axis)
    line = outline.points_px.copy()
    scale = (
        float(np.linalg.norm(solved.axis.at(0.0) - solved.view.camera_centre_mm))
        / solved.view.lens.focal_px
    )
    moved = 0
    normals = outline.normals()
    for own, other in (curves, curves[::-1]):
        there = np.interp(own.z_mm, other.z_mm + 1e-9 * np.arange(len(other.z_mm)), other.r_mm)
        proud = (own.r_mm - there) / scale
        # Steep places differ by a little z, not by a shadow.
        slope = np.abs(local_slope(own.z_mm, own.r_mm))
        wrong = (proud > MEND_PX) & (slope < 1.5)
        # One stray point is noise; a shadow is wide.
        wrong &= np.convolve(wrong, np.ones(9), mode="same") >= 5
        index = own.index[wrong]
        line[index] -= proud[wrong, None] * normals[index]
        moved += len(index)
    if moved < 12:
        return None
    return rescan(photo.bgr, linear_table(), line, outline.tangents)


def _no_piece(photo: Photo) -> RefusalError:
    return RefusalError(
        "no-piece",
        f"No turned piece is to be seen in {photo.name}.",
        "Lay it clear of the target on a plain bench, whole in the picture, or give --box.",
    )


def _start(request: TraceRequest) -> str | None:
    # A piece on its foot is seen from above: the foot is its lower end in the picture.
    return "bottom" if request.start is None and request.setup == "upright" else request.start


def _starts_at_far_end(sides: tuple[FloatArray, FloatArray], start: str | None) -> bool:
    first = 0.5 * (sides[0][0] + sides[1][0])
    last = 0.5 * (sides[0][-1] + sides[1][-1])
    d = last - first
    if start is None:
        start = "left" if abs(d[0]) >= abs(d[1]) else "top"
    wrong = {"left": d[0] < 0, "right": d[0] > 0, "top": d[1] < 0, "bottom": d[1] > 0}
    return bool(wrong[start])


def _solve(
    request: TraceRequest,
    lens: Lens,
    found: FoundTarget,
    outline: Outline,
    rounds: int,
    before: Estimate | None = None,
) -> tuple[Estimate, list[Rest]]:
    """Solve for everything; what the knowledge rests on is renewed each round.

    Raises
    ------
    ValueError
        When the sides have too little in common.
    """
    bench = -found.thickness_mm
    ends_px = _axis_ends(outline)
    if before is None:
        view = found.view
        height, offset = request.axis_height_mm, request.axis_offset_mm
        axis = first_axis(request.setup, ends_px, outline, view, bench, height, offset)
    else:
        view, axis = before.view, before.axis
    rests: list[Rest] = []
    solved = before
    known = bool(request.known)
    for _ in range(rounds):
        curves, _ = curves_of(outline, view, axis)
        if min(len(c.index) for c in curves) < 30:
            raise ValueError("too little of the two sides is seen")
        low = max(c.z_mm[0] for c in curves)
        length = min(c.z_mm[-1] for c in curves) - low
        axis = Axis(axis.at(low), axis.direction)
        curves = (
            replace(curves[0], z_mm=curves[0].z_mm - low),
            replace(curves[1], z_mm=curves[1].z_mm - low),
        )
        knowledge = setup_knowledge(
            request.setup,
            axis,
            length,
            bench,
            request.axis_height_mm,
            request.axis_offset_mm,
            _readings(request, solved, _first_end(outline, view, axis, curves) if known else 0.0),
        )
        if request.setup == "bench":
            knowledge, rests = bench_knowledge(knowledge, curves)
        if request.setup == "upright":
            knowledge = replace(knowledge, foot=foot_arc(outline, ends_px))
        scatter = 1.0 if solved is None else solved.pairs_sd
        solved = estimate(outline, found.sight, lens, view, axis, knowledge, curves, scatter)
        view, axis = solved.view, solved.axis
    if solved is None:
        raise ValueError("nothing was solved: need at least one round")
    return solved, rests


def _not_turned(photo: Photo) -> RefusalError:
    return RefusalError(
        "not-turned",
        f"What lies in {photo.name} is not round about one axis, or its sides cannot be told.",
        "Check that the piece is turned, whole and well lit, on a bench of another tone.",
    )


def _axis_ends(outline: Outline) -> FloatArray:
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


def _readings(request: TraceRequest, solved: Estimate | None, first_mm: float) -> FloatArray | None:
    if not request.known or solved is None:
        return None
    return np.array([(z + first_mm, d, KNOWN_SD_MM) for z, d in request.known])


def _first_end(
    outline: Outline, view: View, axis: Axis, curves: tuple[SideCurve, SideCurve]
) -> float:
    """Return z of the start end, which the turner's readings are counted from."""
    scale = float(np.linalg.norm(axis.point_mm - view.camera_centre_mm)) / view.lens.focal_px
    rays = view.rays(outline.points_px)
    return seen_end(outline, rays, view.camera_centre_mm, axis, curves, True, scale).z_mm


def seen_end(
    outline: Outline,
    rays: FloatArray,
    camera_mm: FloatArray,
    axis: Axis,
    curves: tuple[SideCurve, SideCurve],
    first: bool,
    scale_mm: float,
) -> EndPoint:
    """Return the first or last end of the piece; see `measure.ends.find_end`."""
    sides = (without_corners(curves[0], outline.bend), without_corners(curves[1], outline.bend))
    near = _arc(outline, sides, first)
    return find_end(rays, camera_mm, axis, sides, near, first, scale_mm)


def _finish(
    photo: Photo,
    request: TraceRequest,
    found: FoundTarget,
    outline: Outline,
    solved: Estimate,
    rests: list[Rest],
) -> Tracing:
    view, axis = solved.view, solved.axis
    curves, values = curves_of(outline, view, axis)
    z = values[0]
    curves = _debiased(curves, solved, outline)
    scale = float(np.linalg.norm(axis.point_mm - view.camera_centre_mm)) / view.lens.focal_px
    rays = view.rays(outline.points_px)
    ends = [
        seen_end(outline, rays, view.camera_centre_mm, axis, curves, f, scale)
        for f in (True, False)
    ]
    cut = [_is_cut(photo, request, outline, curves, first) for first in (True, False)]
    ends = [
        _cut_end(curves, first) if is_cut else end
        for end, is_cut, first in zip(ends, cut, (True, False), strict=True)
    ]
    if request.setup == "upright":
        ends[0] = _standing_end(axis, -found.thickness_mm, ends[0])
    start, stop = ends
    apart = SPACING_PX * scale
    curves = (without_leaps(curves[0], apart), without_leaps(curves[1], apart))
    shared = carried(solved, outline, curves, _end_rays(outline, curves, values[2], start, stop))
    shifted = (
        replace(curves[0], z_mm=curves[0].z_mm - start.z_mm),
        replace(curves[1], z_mm=curves[1].z_mm - start.z_mm),
    )
    profile, missing = _profile(solved, outline, shifted, shared, start, stop, scale)
    left_out = tuple(LeftOut(a, b, "not seen on both sides") for a, b in missing)
    if len(profile.z_mm) < 8:
        raise _not_turned(photo)
    length = stop.z_mm - start.z_mm
    length_sd = np.sqrt(start.sd_mm**2 + stop.sd_mm**2 + float(np.sum(shared.length**2)))
    axis_px = view.to_pixels(axis.at(np.array([start.z_mm, stop.z_mm])))
    result = TraceResult(
        photo_name=photo.name,
        setup=request.setup,
        scale_from=found.scale_from,
        lens_from=solved.layout.view.lens.source,
        z_zero=CUT if cut[0] else END,
        length_mm=None if any(cut) else length,
        length_u95_mm=None if any(cut) else 1.96 * float(length_sd),
        profile=profile,
        notices=(
            *photo.notices,
            *found.notices,
            *_notices(solved, rests, request),
            *_end_notices(start, stop),
        ),
        left_out=left_out,
        outline_px=outline.points_px[outline.clear],
        outline_z_mm=z[outline.clear] - start.z_mm,
        axis_px=axis_px,
        target_px=found.polygon_px,
        target_is_board=found.is_board,
        tilt_deg=float(np.degrees(np.arccos(np.clip(-view.rotation[2, 2] * -1.0, -1, 1)))),
        px_per_mm=1.0 / scale,
        far_end=CUT if cut[1] else END,
        known=request.known,
    )
    return Tracing(result, found, outline, solved, shifted, start.z_mm, tuple(rests))


def _standing_end(axis: Axis, bench_mm: float, seen: EndPoint) -> EndPoint:
    """Return the foot of a standing piece: where its axis meets the bench."""
    z = (bench_mm - axis.point_mm[2]) / axis.direction[2]
    return EndPoint(float(z), STANDING_SD_MM, "flat", seen.seen_z_mm)


STANDING_SD_MM = 0.1
"""How flat a foot and bench are (common practice, no source)."""


def _end_rays(
    outline: Outline,
    curves: tuple[SideCurve, SideCurve],
    weight: FloatArray,
    start: EndPoint,
    stop: EndPoint,
) -> tuple[EndRay, EndRay]:
    """Return the outline points that show the ends: nearest to the axis of each end's arc."""
    rays = []
    for end, first in ((start, True), (stop, False)):
        arc = np.flatnonzero(_arc(outline, curves, first) & np.isfinite(weight))
        shows = end.kind in ("flat", "dome", "hidden") and len(arc) > 0
        index = int(arc[np.argmin(weight[arc])]) if shows else None
        rays.append(EndRay(index, end.z_mm))
    return rays[0], rays[1]


def _is_cut(
    photo: Photo,
    request: TraceRequest,
    outline: Outline,
    curves: tuple[SideCurve, SideCurve],
    first: bool,
) -> bool:
    """Return whether the picture's edge, or the box, cuts the piece at one end."""
    width, height = photo.size_px
    x0, y0, x1, y1 = 0.0, 0.0, width - 1.0, height - 1.0
    if request.box_px is not None:
        x, y, w, h = request.box_px
        x0, y0, x1, y1 = max(x0, x), max(y0, y), min(x1, x + w), min(y1, y + h)
    tips = outline.points_px[_arc(outline, curves, first)]
    margin = np.array([tips[:, 0] - x0, x1 - tips[:, 0], tips[:, 1] - y0, y1 - tips[:, 1]])
    near = margin.min(axis=0) < BORDER_PX * max(width, height) / 4032 + 6.0
    return int(near.sum()) >= CUT_POINTS


def _cut_end(curves: tuple[SideCurve, SideCurve], first: bool) -> EndPoint:
    tips = [float(c.z_mm[0 if first else -1]) for c in curves]
    z = max(tips) if first else min(tips)
    return EndPoint(z, 0.05, "cut", z)


def _arc(outline: Outline, curves: tuple[SideCurve, SideCurve], first: bool) -> NDArray[np.bool_]:
    """Return which outline points (n,) lie on the arc that joins both sides at one end."""
    n = len(outline.points_px)
    place = 0 if first else -1
    forward = next((c for c in curves if _runs_forward(c, n)), curves[0])
    other = curves[1] if forward is curves[0] else curves[0]
    a, b = int(forward.index[place]), int(other.index[place])
    begin, stop = (b, a) if first else (a, b)
    span = (stop - begin) % n
    mask = np.zeros(n, dtype=bool)
    mask[(begin + np.arange(-ARC_MORE, span + ARC_MORE + 1)) % n] = True
    return mask & outline.clear


def _runs_forward(curve: SideCurve, n: int) -> bool:
    steps = np.diff(curve.index)
    return bool(np.median(steps) > 0)


def _debiased(
    curves: tuple[SideCurve, SideCurve], solved: Estimate, outline: Outline
) -> tuple[SideCurve, SideCurve]:
    moved = []
    for curve in curves:
        _, r = values_at(solved.layout, solved.x, outline, curve.index)
        moved.append(replace(curve, r_mm=r))
    return moved[0], moved[1]


def _profile(
    solved: Estimate,
    outline: Outline,
    curves: tuple[SideCurve, SideCurve],
    shared: Carried,
    start: EndPoint,
    stop: EndPoint,
    scale: float,
) -> tuple[Profile, tuple[tuple[float, float], ...]]:
    first, second = (outline.sd_px[c.index] * scale for c in curves)
    assembled = assemble(
        curves,
        (first, second),
        shared.rows,
        scale,
        solved.pairs_sd,
        float(np.hypot(start.sd_mm, 0.05)),
        stop.z_mm - start.z_mm,
    )
    return assembled.profile, assembled.missing


def _end_notices(start: EndPoint, stop: EndPoint) -> list[Notice]:
    names = {"first": start, "last": stop}
    return [
        Notice(
            "end-unclear",
            f"The {name} end of the piece is not seen clearly; the length is unsure there.",
            "Light that end better, or lay the piece so that the phone is over it.",
        )
        for name, end in names.items()
        if end.kind == "unknown"
    ]


def _notices(solved: Estimate, rests: list[Rest], request: TraceRequest) -> list[Notice]:
    notices = []
    if rests and rests[0].chance < 0.9:
        notices.append(
            Notice(
                "rest-unsure",
                "The piece may rest on the bench in more than one way.",
                "Chock it level and give --axis-height, or give one caliper reading with --known.",
            )
        )
    if solved.kept < 0.7:
        notices.append(
            Notice(
                "sides-differ",
                "The two sides differ in places more than a round piece can.",
                "Look at the picture: is it the piece that was followed? Better light helps.",
            )
        )
    return notices
