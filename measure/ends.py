"""Where the piece ends: the cap that makes the arc which closes the outline."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.endcaps import FLOOR_PX, best_cap
from measure.revolve import Axis
from measure.sides import SideCurve

__all__ = ["EndPoint", "find_end"]

FloatArray = NDArray[np.float64]

UNSEEN_SD_MM = (1.0, 2.5)
"""Doubt of an end that nothing explains: half its radius, within these bounds."""
PEEPS_OUT_MM, PEEPS_OUT_POINTS, PEEP_PX = 3.0, 4, 2.0
"""By how much one side must go on beyond the other, in so many points, to be a part of its own;
and how far beyond that part's radius its rays may pass (rendered photos)."""
POOR_PX, SHOWN_LEAST = 1.0, 0.75
"""An arc that shows an edge in a smaller share, and that no cap makes any better, is no end: a
line across the wood was followed where a chuck holds it (rendered photos)."""
SURE_MM, SHORT_MM = 1.0, 2.0
"""One side alone may be a shadow's: only a face whose rim is seen so well is believed; and an end
that stays so far short of it is not the piece's."""


@dataclass(frozen=True, slots=True)
class EndPoint:
    """Where the piece ends.

    Attributes
    ----------
    z_mm : of the outermost point; `sd_mm` its standard deviation.
    kind : "flat", "dome", "hidden" where it may go on behind its own edge, or "unknown"; "cut"
        where chuck, frame or box cuts the piece.
    seen_z_mm : the outermost z at which the diameter was seen on both sides.
    misfit_px : by how much the cap misses the arc; infinite where none makes it.
    circle : whether the arc is the picture of a circle about the axis.
    """

    z_mm: float
    sd_mm: float
    kind: str
    seen_z_mm: float
    misfit_px: float = float("inf")
    circle: bool = False


def find_end(
    rays: FloatArray,
    camera_mm: FloatArray,
    axis: Axis,
    curves: tuple[SideCurve, SideCurve],
    near_end: NDArray[np.bool_],
    first: bool,
    scale_mm: float,
    shown: float = 1.0,
) -> EndPoint:
    """Find one end.

    Parameters
    ----------
    rays : (n, 3) of all outline points, target frame; `near_end` picks those of this end's arc.
    camera_mm : (3,) camera centre.
    axis, curves : of the piece.
    first : True for the end at small z.
    scale_mm : of a pixel at the piece.
    shown : share of the arc in which an edge is seen.
    """
    sign = 1.0 if first else -1.0
    seen = [float(c.z_mm[0] if first else c.z_mm[-1]) for c in curves]
    inner = max(seen) if first else min(seen)
    alone = _of_one_side(rays[near_end], camera_mm, axis, curves, sign, scale_mm)
    if alone is not None:
        cap = best_cap(alone.rays, camera_mm, axis, alone.curves, alone.z_mm, sign, scale_mm)
        if cap is not None and cap.kind == "flat" and cap.sd_mm < SURE_MM:
            # Of its rim one side is hidden, and what stands before it may hide more.
            sd = float(np.hypot(cap.sd_mm, FLOOR_PX * scale_mm))
            return EndPoint(alone.z_mm - sign * cap.end_mm, sd, cap.kind, inner, cap.misfit_px)
    cap = best_cap(rays[near_end], camera_mm, axis, curves, inner, sign, scale_mm)
    if cap is not None and cap.misfit_px > POOR_PX and shown < SHOWN_LEAST:
        cap = None
    if cap is not None and (alone is None or sign * (inner - alone.z_mm) < cap.end_mm + SHORT_MM):
        z = inner - sign * cap.end_mm
        return EndPoint(z, cap.sd_mm, cap.kind, inner, cap.misfit_px, cap.circle)
    # Nothing says how the piece closes beyond what was seen: as much as its own radius there.
    radius = float(np.mean([c.r_mm[0 if first else -1] for c in curves]))
    doubt = 0.5 * abs(seen[0] - seen[1]) + float(np.clip(0.5 * radius, *UNSEEN_SD_MM))
    # It may as well reach as far as the outline does.
    reach = sign * (float(np.mean(seen)) - _places(rays[near_end], camera_mm, axis))
    doubt = max(doubt, 0.5 * float(np.max(reach, initial=0.0)))
    return EndPoint(float(np.mean(seen)), doubt, "unknown", inner)


@dataclass(frozen=True, slots=True)
class _OneSide:
    """A part at the end that one side alone shows, `z_mm` its outermost place, and its rays."""

    curves: tuple[SideCurve, SideCurve]
    z_mm: float
    rays: FloatArray


def _of_one_side(
    rays: FloatArray,
    camera_mm: FloatArray,
    axis: Axis,
    curves: tuple[SideCurve, SideCurve],
    sign: float,
    scale_mm: float,
) -> _OneSide | None:
    """Return what one side alone shows beyond where both are seen; None where there is no such.

    A tenon behind a flange may peep out on one side only. The arc that joins the sides is then
    the flange's rim and the tenon's end in one: what passes the axis by no more than the tenon's
    radius is the tenon's.
    """
    outward = [-sign * (c.z_mm[0] if sign > 0.0 else c.z_mm[-1]) for c in curves]
    longer = curves[int(np.argmax(outward))]
    beyond = -sign * longer.z_mm > min(outward) + PEEPS_OUT_MM
    if beyond.sum() < PEEPS_OUT_POINTS:
        return None
    tip = float(np.median(longer.r_mm[beyond]))
    v = rays / np.linalg.norm(rays, axis=1, keepdims=True)
    square = np.cross(v, axis.direction)
    square /= np.linalg.norm(square, axis=1, keepdims=True)
    past = np.abs(square @ (axis.point_mm - camera_mm))
    own = rays[past < tip + PEEP_PX * scale_mm]
    return _OneSide((longer, longer), -sign * max(outward), own)


def _places(rays: FloatArray, camera_mm: FloatArray, axis: Axis) -> FloatArray:
    """Return z, (n,), of the axis where each ray passes nearest."""
    v = rays / np.linalg.norm(rays, axis=1, keepdims=True)
    w = axis.point_mm - camera_mm
    along, cosine = v @ w, v @ axis.direction
    return np.asarray((along * cosine - w @ axis.direction) / (1.0 - cosine**2))
