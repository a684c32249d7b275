"""How piece and target lie: the first guess of the axis and what fixes its depth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.refusal import RefusalError
from calib.view import View
from measure.knowledge import Knowledge
from measure.outline import Outline
from measure.planecircle import circle_through
from measure.rest import Hidden, Rest, resting_places
from measure.revolve import Axis
from measure.sides import SideCurve, contour_values, jitter, row_medians, side_curves

__all__ = [
    "bench_knowledge",
    "beside_foot",
    "curves_of",
    "first_axis",
    "foot_arc",
    "foot_misfit_px",
    "setup_knowledge",
]

FloatArray = NDArray[np.float64]

TANGENT_SD_RAD, TANGENT_PER_PX = 0.006, 0.12
"""How well a tangent of the outline is known: so well at best, and so much worse for each pixel
of noise of its points. A point that it moves far tells nothing."""
JITTER_REACH = 6
JITTER_PX = 2.2
"""A rim runs evenly to a fraction of a pixel; this much from point to point is
something else, even before cloth or grain."""
PLANE_SD_MM = 0.5
"""How well a card is held in the plane of the axis (standard uncertainty, at each end)."""
HEIGHT_SD_MM = 0.3
"""How well a given axis height holds at each end of a piece that is chocked level."""
UPRIGHT_SD_RAD = 0.004
"""How square an upright piece stands: its foot is turned true, the bench is not (about 0.25
degrees; common practice, no source)."""


def first_axis(
    setup: str,
    ends_px: FloatArray,
    outline: Outline,
    view: View,
    bench_mm: float,
    axis_height_mm: float | None,
    axis_offset_mm: float,
) -> Axis:
    """Return a first guess of the axis, its point near the start end.

    Parameters
    ----------
    ends_px : (2, 2) ends of the axis line in the photo, start end first.
    outline : of the piece.
    view : of the target.
    bench_mm : Z of the bench in the target frame.
    axis_height_mm, axis_offset_mm : as asked.
    """
    if setup == "plane":
        return _axis_at_height(ends_px, view, -axis_offset_mm)
    if setup == "level" and axis_height_mm is not None:
        return _axis_at_height(ends_px, view, bench_mm + axis_height_mm)
    if setup == "upright":
        return _upright_axis(outline.points_px[foot_arc(outline, ends_px)], view, bench_mm)
    height = 15.0
    axis = _axis_at_height(ends_px, view, bench_mm + height)
    for _ in range(8):
        _, r, weight, _ = contour_values(outline.points_px, outline.tangents, view, axis)
        good = outline.clear & (weight > 0.5) & np.isfinite(r)
        if good.sum() < 20:
            break
        height = float(np.percentile(r[good], 97))
        axis = _axis_at_height(ends_px, view, bench_mm + height)
    return axis


def _axis_at_height(ends_px: FloatArray, view: View, height_mm: float) -> Axis:
    flat = view.on_plane(ends_px, height_mm)
    points = np.column_stack([flat, np.full(2, height_mm)])
    if not np.all(np.isfinite(points)):
        raise RefusalError(
            "axis-behind",
            "The piece does not lie where this set-up says: its axis would be behind the phone.",
            "Check --setup, --axis-height and --axis-offset.",
        )
    d = points[1] - points[0]
    return Axis(points[0], d / np.linalg.norm(d))


def foot_arc(outline: Outline, ends_px: FloatArray) -> NDArray[np.int64]:
    """Return indices (k,) of the outline points where the foot's rim stands on the bench.

    Parameters
    ----------
    ends_px : (2, 2) ends of the axis line in the photo, the foot first.
    """
    run = _foot_run(outline, ends_px)
    index = np.sort(run[outline.clear[run]])
    return index[:: max(1, len(index) // FOOT_POINTS)]


def _foot_run(outline: Outline, ends_px: FloatArray) -> NDArray[np.int64]:
    """Return indices (k,), in order round the outline, of what runs across the axis at the foot."""
    d = ends_px[1] - ends_px[0]
    along = np.abs(outline.tangents @ (d / np.linalg.norm(d)))
    n = len(along)
    off = np.linalg.norm(outline.points_px - ends_px[0], axis=1)
    seed = int(np.argmin(np.where(along < RIM_MOST, off, np.inf)))
    first = last = seed
    while along[(last + 1) % n] < RIM_MOST and last - first < n // 2:
        last += 1
    while along[(first - 1) % n] < RIM_MOST and last - first < n // 2:
        first -= 1
    return np.arange(first, last + 1) % n


def beside_foot(outline: Outline, ends_px: FloatArray) -> tuple[float, float]:
    """Return which share of the outline is clear just past either end of the foot's rim.

    Parameters
    ----------
    outline, ends_px : as for `foot_arc`.
    """
    run, n = _foot_run(outline, ends_px), len(outline.points_px)
    near = 1 + np.arange(max(FOOT_PAST_LEAST, n // FOOT_PAST_PART))
    after, before = outline.clear[(run[-1] + near) % n], outline.clear[(run[0] - near) % n]
    return float(before.mean()), float(after.mean())


def foot_misfit_px(outline: Outline, ends_px: FloatArray, view: View, bench_mm: float) -> float:
    """Return how far the foot's arc strays from a circle on the bench, root mean square, px.

    Parameters
    ----------
    outline, ends_px : as for `foot_arc`. `view`, `bench_mm` : of the target; Z of the bench.
    """
    arc = foot_arc(outline, ends_px)
    points = view.on_plane(outline.points_px[arc], bench_mm)
    if len(points) < FOOT_LEAST or not np.all(np.isfinite(points)):
        return float("inf")
    centre, _, off = circle_through(points)
    away = np.linalg.norm(np.array([*centre, bench_mm]) - view.camera_centre_mm)
    return off * view.lens.focal_px / float(away)


FOOT_LEAST = 6
"""Fewer points are no arc of a foot."""
RIM_MOST = 0.8
"""The rim of the foot runs across the axis; this cosine to it is a side already."""
FOOT_POINTS = 60
FOOT_PAST_LEAST, FOOT_PAST_PART = 15, 40
"""So many points past the foot's rim tell whether it goes over into sides; or so small a part of
the whole outline, if that is more."""


def _upright_axis(foot_px: FloatArray, view: View, bench_mm: float) -> Axis:
    seen = len(foot_px) >= FOOT_LEAST
    points = view.on_plane(foot_px, bench_mm) if seen else np.full((1, 2), np.nan)
    if not np.all(np.isfinite(points)):
        raise RefusalError(
            "axis-behind",
            "The foot of the piece does not stand on the bench that the target lies on.",
            "Stand the piece on the same flat bench as the target, its foot in clear sight.",
        )
    # A circle by linear least squares is near enough to start from.
    centre, _, _ = circle_through(points)
    return Axis(np.array([*centre, bench_mm]), np.array([0.0, 0.0, 1.0]))


def setup_knowledge(
    setup: str,
    axis: Axis,
    length_mm: float,
    bench_mm: float,
    axis_height_mm: float | None,
    axis_offset_mm: float,
    readings: FloatArray | None,
) -> Knowledge:
    """Return what the set-up says of the axis; for `bench` the contacts come later."""
    ends = np.array([0.0, length_mm])
    base = Knowledge(contact_plane_mm=bench_mm, readings=readings)
    if setup == "plane":
        height = np.full(2, -axis_offset_mm)
        return replace(base, heights=np.column_stack([ends, height, np.full(2, PLANE_SD_MM)]))
    if setup == "level":
        height = np.full(2, bench_mm + float(axis_height_mm or 0.0))
        return replace(base, heights=np.column_stack([ends, height, np.full(2, HEIGHT_SD_MM)]))
    if setup == "upright":
        return replace(base, upright_sd_rad=UPRIGHT_SD_RAD)
    return base


def bench_knowledge(
    knowledge: Knowledge, curves: tuple[SideCurve, SideCurve], like: Rest | None = None
) -> tuple[Knowledge, list[Rest]]:
    """Return the knowledge with the contacts of a piece that lies on the bench.

    The curves may start anywhere: contacts are in the axis' own z. They are those of the way to
    rest that comes first, which is the likeliest, or the one nearest to `like`.

    Raises
    ------
    ValueError
        when it could only stand on an end.
    """
    z = np.concatenate([c.z_mm for c in curves])
    grid = np.arange(z.min(), z.max(), 0.25)
    order = [
        np.interp(grid, c.z_mm + 1e-9 * np.arange(len(c.z_mm)), _without_spikes(c)) for c in curves
    ]
    # A rim that only one side shows proud is more likely a stray edge than the piece.
    mean = np.minimum(order[0], order[1]) + 0.5 * np.minimum(np.abs(order[0] - order[1]), 0.3)
    rests = resting_places(grid, mean, hidden=_hidden(curves))
    if not rests:
        raise ValueError("what these sides are of could not lie on a bench")
    if like is not None:
        rests.sort(key=lambda rest: _apart(rest, like))
    best = rests[0]
    contacts = np.stack([best.first_mm, best.second_mm])
    return replace(knowledge, contacts=contacts), rests


def _hidden(curves: tuple[SideCurve, SideCurve]) -> list[Hidden]:
    """Return the stretches of which neither side shows more than the ends."""
    found = []
    gaps, others = (_gaps(curve) for curve in curves)
    for start, stop, a, b in gaps:
        for other_start, other_stop, c, d in others:
            first, last = max(start, other_start), min(stop, other_stop)
            # No thinner than the side says that leaves less open, nor thicker.
            thin, thick = max(min(a, b), min(c, d)), min(max(a, b), max(c, d))
            if first < last and thin < thick:
                found.append(Hidden(first, last, thin, thick))
    return found


def _gaps(curve: SideCurve) -> list[tuple[float, float, float, float]]:
    """Return z and r at both ends, (z, z, r, r), of each stretch without a point of a side."""
    z, r = curve.z_mm, _without_spikes(curve)
    return [
        (float(z[i]), float(z[i + 1]), float(r[i]), float(r[i + 1]))
        for i in np.flatnonzero(np.diff(z) > HIDDEN_MM)
    ]


HIDDEN_MM = 2.0
"""Points of an outline lie closer than this where the side is seen."""


def _apart(one: Rest, other: Rest) -> float:
    ends = ((one.first_mm, other.first_mm), (one.second_mm, other.second_mm))
    return sum(abs(float(a[0] - b[0])) for a, b in ends)


def curves_of(
    outline: Outline, view: View, axis: Axis
) -> tuple[tuple[SideCurve, SideCurve], tuple[FloatArray, FloatArray, FloatArray, FloatArray]]:
    """Return both side curves and (z, r, weight, side) of all outline points."""
    values = contour_values(outline.points_px, outline.tangents, view, axis)
    z, r = values[0], values[1]
    turned = _turned(outline.tangents, TANGENT_SD_RAD + TANGENT_PER_PX * outline.sd_px)
    z_off, r_off, _, _ = contour_values(outline.points_px, turned, view, axis)
    scale = float(np.linalg.norm(axis.point_mm - view.camera_centre_mm)) / view.lens.focal_px
    with np.errstate(invalid="ignore"):
        firm = (np.abs(r_off - r) < 2.0 * scale) & (np.abs(z_off - z) < 1.2)
    curves = side_curves(*values, outline.clear & firm)
    return (_calm(curves[0], scale), _calm(curves[1], scale)), values


def _without_spikes(curve: SideCurve) -> FloatArray:
    """Return r (n,) as most neighbours on the same part have it: at corners points lie anywhere."""
    n = len(curve.r_mm)
    near = np.clip(np.arange(n)[:, None] + np.arange(-SPIKE_REACH, SPIKE_REACH + 1), 0, n - 1)
    z, r = curve.z_mm[near], curve.r_mm[near]
    same = (np.abs(z - curve.z_mm[:, None]) < PART_MM) & (np.abs(r - curve.r_mm[:, None]) < PART_MM)
    return row_medians(np.where(same, r, np.nan))


SPIKE_REACH = 8
PART_MM = 1.0


def _calm(curve: SideCurve, scale: float) -> SideCurve:
    """Return the curve without stretches that jitter: grain and shadow borders, not a rim."""
    n = len(curve.r_mm)
    if n < 12:
        return curve
    keep = jitter(curve.r_mm, JITTER_REACH) < JITTER_PX * scale
    return SideCurve(curve.index[keep], curve.z_mm[keep], curve.r_mm[keep])


def _turned(tangents: FloatArray, angle: FloatArray) -> FloatArray:
    c, s = np.cos(angle), np.sin(angle)
    x, y = tangents.T
    return np.column_stack([c * x - s * y, s * x + c * y])
