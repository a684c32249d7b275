"""Both ends of the piece: seen, cut by the picture, or standing on the bench."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.refusal import Notice
from calib.view import View
from measure.carried import EndRay
from measure.ends import EndPoint, find_end
from measure.outline import Outline
from measure.result import TraceRequest
from measure.revolve import Axis
from measure.sides import SideCurve, without_corners
from measure.startend import far_end_name

__all__ = [
    "PieceEnds",
    "arc_of",
    "chuck_notices",
    "end_notices",
    "is_cut",
    "piece_ends",
    "pixel_mm",
    "rays_of_ends",
    "seen_end",
]

FloatArray = NDArray[np.float64]

BORDER_PX = 8.0
CUT_POINTS = 6
"""A piece is cut by the picture or the box where so many points of its end lie at the border."""
ARC_MORE = 10
"""The arc of an end reaches so many points into either side."""
UNSURE_MM, SURER = 0.3, 0.5
"""A start end so unsure is worth a word where the other end is so much surer."""
FOLLOWED_EVERY_MM, FOLLOWED_LEAST, UNFOLLOWED_MM = 2.5, 0.6, 5.0
"""Back from an end the outline is looked at in such steps: where less than this share of it is
clear, for so far, the end is not told (0.57 where grain was followed for 30 mm past one; no other
of 209 rendered photos fell below)."""
STANDING_SD_MM = 0.1
"""How flat a foot and bench are (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class PieceEnds:
    """Both ends of what was followed of the piece.

    Attributes
    ----------
    start, stop : z in the axis' own count.
    cut : where picture or box cut the piece, or it goes on otherwise.
    open : where it seems to go on in the picture, but could not be followed.
    held : where a lathe may hold it: what closes the outline there is no end of a piece.
    """

    start: EndPoint
    stop: EndPoint
    cut: tuple[bool, bool]
    open: tuple[bool, bool] = (False, False)
    held: tuple[bool, bool] = (False, False)


def piece_ends(
    size_px: tuple[int, int],
    request: TraceRequest,
    bench_mm: float,
    outline: Outline,
    view: View,
    axis: Axis,
    curves: tuple[SideCurve, SideCurve],
    open_ends: tuple[bool, bool],
) -> PieceEnds:
    """Return both ends of the piece.

    Parameters
    ----------
    size_px : (width, height) of the photo.
    request : how the piece lies, and the box, if any.
    bench_mm : Z of the bench in the target frame.
    outline, view, axis, curves : as solved.
    open_ends : whether the piece seems to go on past its start and its far end.
    """
    scale, rays = pixel_mm(view, axis), view.rays(outline.points_px)
    ends, cut, held = [], [], []
    for first, is_open in zip((True, False), open_ends, strict=True):
        seen = seen_end(outline, rays, view.camera_centre_mm, axis, curves, first, scale)
        seen = _doubted(seen, unfollowed_mm(outline, view, axis, curves, seen, first))
        by_edge = is_open or is_cut(size_px, request.box_px, outline, curves, first)
        held.append(not by_edge and request.setup == "plane" and seen.kind == "unknown")
        cut.append(by_edge or held[-1])
        ends.append(_cut_end(curves, first) if cut[-1] else seen)
    if request.setup == "upright" and not open_ends[0]:
        ends[0] = _standing_end(axis, bench_mm, ends[0])
    return PieceEnds(ends[0], ends[1], (cut[0], cut[1]), open_ends, (held[0], held[1]))


def unfollowed_mm(
    outline: Outline,
    view: View,
    axis: Axis,
    curves: tuple[SideCurve, SideCurve],
    end: EndPoint,
    first: bool,
) -> float:
    """Return how far back from an end hardly anything of the outline is clear, mm.

    Parameters
    ----------
    outline, view, axis, curves : as solved.
    end : as found, the first or the last.
    """
    other = max(c.z_mm[-1] for c in curves) if first else min(c.z_mm[0] for c in curves)
    ends_px = view.to_pixels(axis.at(np.array([end.z_mm, float(other)])))
    along = ends_px[1] - ends_px[0]
    length = abs(float(other) - end.z_mm)
    back = (outline.points_px - ends_px[0]) @ along / (along @ along) * length
    near = back < 0.5 * length
    part = (np.maximum(back[near], 0.0) / FOLLOWED_EVERY_MM).astype(np.int64)
    points = np.bincount(part)
    clear = np.bincount(part[outline.clear[near]], minlength=len(points))
    vague = np.flatnonzero(np.cumsum(clear) < FOLLOWED_LEAST * np.cumsum(points))
    # Beyond its last step that is vague itself the outline was followed.
    back_to = np.flatnonzero(clear < FOLLOWED_LEAST * points)
    back_to = back_to[back_to <= vague[-1]] if len(vague) else vague
    return FOLLOWED_EVERY_MM * float(back_to[-1] + 1 if len(back_to) else 0)


def _doubted(end: EndPoint, unfollowed: float) -> EndPoint:
    """Return an end that may lie anywhere along what was not followed up to it."""
    if unfollowed < UNFOLLOWED_MM:
        return end
    return replace(end, kind="unknown", sd_mm=float(np.hypot(end.sd_mm, 0.5 * unfollowed)))


def pixel_mm(view: View, axis: Axis) -> float:
    """Return the size of a pixel at the piece, mm."""
    return float(np.linalg.norm(axis.point_mm - view.camera_centre_mm)) / view.lens.focal_px


def seen_end(
    outline: Outline,
    rays: FloatArray,
    camera_mm: FloatArray,
    axis: Axis,
    curves: tuple[SideCurve, SideCurve],
    first: bool,
    scale_mm: float,
) -> EndPoint:
    """Return the first or last end of the piece, from the arc that closes the outline there.

    Parameters
    ----------
    rays : (n, 3) of all outline points, target frame.
    camera_mm : (3,) camera centre.
    axis, curves : of the piece.
    first : True for the end at small z.
    scale_mm : of a pixel at the piece.
    """
    smooth = (without_corners(curves[0], outline.bend), without_corners(curves[1], outline.bend))
    end = _end_of(outline, rays, camera_mm, axis, smooth, first, scale_mm)
    if end.kind != "unknown":
        return end
    # A short tenon of a piece that is small in the photo is all corner. Where its sides end is
    # then as unsure as they differ.
    whole = _end_of(outline, rays, camera_mm, axis, curves, first, scale_mm)
    place = 0 if first else -1
    apart = abs(float(curves[0].z_mm[place] - curves[1].z_mm[place]))
    if whole.kind == "unknown":
        return end
    return replace(whole, sd_mm=float(np.hypot(whole.sd_mm, 0.5 * apart)))


def _end_of(
    outline: Outline,
    rays: FloatArray,
    camera_mm: FloatArray,
    axis: Axis,
    sides: tuple[SideCurve, SideCurve],
    first: bool,
    scale_mm: float,
) -> EndPoint:
    whole = _whole_arc(len(outline.points_px), sides, first)
    near = whole & outline.clear
    shown = float(near.sum() / max(int(whole.sum()), 1))
    return find_end(rays, camera_mm, axis, sides, near, first, scale_mm, shown)


def rays_of_ends(
    outline: Outline,
    curves: tuple[SideCurve, SideCurve],
    weight: FloatArray,
    ends: PieceEnds,
) -> tuple[EndRay, EndRay]:
    """Return the outline points that show the ends: nearest to the axis of each end's arc.

    Parameters
    ----------
    outline, curves : of the piece.
    weight : (n,) of the outline points, as `measure.sides.contour_values` gives it.
    ends : as found.
    """
    rays = []
    for end, first in ((ends.start, True), (ends.stop, False)):
        arc = np.flatnonzero(arc_of(outline, curves, first) & np.isfinite(weight))
        shows = end.kind in ("flat", "dome", "hidden") and len(arc) > 0
        index = int(arc[np.argmin(weight[arc])]) if shows else None
        rays.append(EndRay(index, end.z_mm))
    return rays[0], rays[1]


def end_notices(ends: PieceEnds, ends_px: FloatArray, start_is_free: bool) -> list[Notice]:
    """Return a warning for each end that nothing explains, and where z had better count from.

    Parameters
    ----------
    ends : as found; `ends_px` (2, 2) their pixels, the start first.
    start_is_free : whether z may as well count from the other end.
    """
    names = {"first": ends.start, "last": ends.stop}
    notices = [
        Notice(
            "end-unclear",
            f"The {name} end of the piece is not seen clearly; the length is unsure there.",
            "Light that end better, or lay the piece so that the phone is over it.",
        )
        for name, end in names.items()
        if end.kind == "unknown"
    ]
    notices += [
        Notice(
            "goes-on",
            f"The piece seems to go on past the {name} end of what was followed.",
            "Diameters hold where they are drawn, lengths do not: lay it on a plain cloth of "
            "another tone.",
        )
        for name, is_open in zip(names, ends.open, strict=True)
        if is_open
    ]
    notices += [
        Notice(
            "end-held",
            f"No {name} end is seen, as where a chuck holds the piece: the length is not told.",
            "Give --box to say what is the piece's, and measure the length with a rule.",
        )
        for name, is_held in zip(names, ends.held, strict=True)
        if is_held
    ]
    start, stop = ends.start, ends.stop
    if (
        start_is_free
        and start.kind != "unknown"
        and start.sd_mm > UNSURE_MM
        and stop.sd_mm < SURER * start.sd_mm
    ):
        notices.append(
            Notice(
                "start-hidden",
                f"Where z = 0 lies is unsure to {1.96 * start.sd_mm:.1f} mm, and every place "
                "counts from it: a hidden tip, or a lens that is hardly known.",
                f"The other end is seen better: give --from {far_end_name(ends_px)}.",
            )
        )
    return notices


def chuck_notices(setup: str, ends: PieceEnds, boxed: bool) -> list[Notice]:
    """Return what to say of a chuck: where it begins looks like an end, and it is round itself."""
    if setup != "plane":
        return []
    parts = zip(ends.cut, ends.held, ends.open, strict=True)
    if not boxed and any(cut and not (held or goes_on) for cut, held, goes_on in parts):
        return [
            Notice(
                "chuck-measured",
                "The outline runs out of the picture: a chuck or a centre there is measured along "
                "with the piece.",
                "Look at the picture, and draw a --box from clear of the jaws to clear of the "
                "centre.",
            )
        ]
    if any(ends.cut):
        return []
    return [
        Notice(
            "chuck-hides",
            "If a chuck holds the piece, what it hides is not in the length.",
            "Then measure the whole length with a rule.",
        )
    ]


def _standing_end(axis: Axis, bench_mm: float, seen: EndPoint) -> EndPoint:
    """Return the foot of a standing piece: where its axis meets the bench."""
    z = (bench_mm - axis.point_mm[2]) / axis.direction[2]
    return EndPoint(float(z), STANDING_SD_MM, "flat", seen.seen_z_mm)


def is_cut(
    size_px: tuple[int, int],
    box_px: tuple[float, float, float, float] | None,
    outline: Outline,
    curves: tuple[SideCurve, SideCurve],
    first: bool,
) -> bool:
    """Return whether the picture's edge, or the box, cuts the piece at one end."""
    width, height = size_px
    x0, y0, x1, y1 = 0.0, 0.0, width - 1.0, height - 1.0
    if box_px is not None:
        x, y, w, h = box_px
        x0, y0, x1, y1 = max(x0, x), max(y0, y), min(x1, x + w), min(y1, y + h)
    tips = outline.points_px[arc_of(outline, curves, first)]
    margin = np.array([tips[:, 0] - x0, x1 - tips[:, 0], tips[:, 1] - y0, y1 - tips[:, 1]])
    near = margin.min(axis=0) < BORDER_PX * max(width, height) / 4032 + 6.0
    return int(near.sum()) >= CUT_POINTS


def _cut_end(curves: tuple[SideCurve, SideCurve], first: bool) -> EndPoint:
    tips = [float(c.z_mm[0 if first else -1]) for c in curves]
    z = max(tips) if first else min(tips)
    return EndPoint(z, 0.05, "cut", z)


def arc_of(outline: Outline, curves: tuple[SideCurve, SideCurve], first: bool) -> NDArray[np.bool_]:
    """Return which clear outline points (n,) lie on the arc that joins both sides at one end."""
    return _whole_arc(len(outline.points_px), curves, first) & outline.clear


def _whole_arc(n: int, curves: tuple[SideCurve, SideCurve], first: bool) -> NDArray[np.bool_]:
    place = 0 if first else -1
    forward = next((c for c in curves if _runs_forward(c)), curves[0])
    other = curves[1] if forward is curves[0] else curves[0]
    a, b = int(forward.index[place]), int(other.index[place])
    begin, stop = (b, a) if first else (a, b)
    span = (stop - begin) % n
    mask = np.zeros(n, dtype=bool)
    mask[(begin + np.arange(-ARC_MORE, span + ARC_MORE + 1)) % n] = True
    return mask


def _runs_forward(curve: SideCurve) -> bool:
    return bool(np.median(np.diff(curve.index)) > 0)
