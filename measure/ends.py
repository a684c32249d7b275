"""Where the piece ends: the cap that makes the arc which closes the outline."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.endcaps import best_cap
from measure.revolve import Axis
from measure.sides import SideCurve

__all__ = ["EndPoint", "find_end"]

FloatArray = NDArray[np.float64]

UNSEEN_SD_MM = (1.0, 2.5)
"""Doubt of an end that nothing explains: half its radius, within these bounds."""


@dataclass(frozen=True, slots=True)
class EndPoint:
    """Where the piece ends.

    Attributes
    ----------
    z_mm : of the outermost point; `sd_mm` its standard deviation.
    kind : "flat", "dome" or "unknown"; "cut" where chuck, frame or box cuts the piece.
    seen_z_mm : the outermost z at which the diameter was seen on both sides.
    """

    z_mm: float
    sd_mm: float
    kind: str
    seen_z_mm: float


def find_end(
    rays: FloatArray,
    camera_mm: FloatArray,
    axis: Axis,
    curves: tuple[SideCurve, SideCurve],
    near_end: NDArray[np.bool_],
    first: bool,
    scale_mm: float,
) -> EndPoint:
    """Find one end.

    Parameters
    ----------
    rays : (n, 3) of all outline points, target frame; `near_end` picks those of this end's arc.
    camera_mm : (3,) camera centre.
    axis, curves : of the piece.
    first : True for the end at small z.
    scale_mm : of a pixel at the piece.
    """
    sign = 1.0 if first else -1.0
    seen = [float(c.z_mm[0] if first else c.z_mm[-1]) for c in curves]
    inner = max(seen) if first else min(seen)
    cap = best_cap(rays[near_end], camera_mm, axis, curves, inner, sign, scale_mm)
    if cap is not None:
        return EndPoint(inner - sign * cap.end_mm, cap.sd_mm, cap.kind, inner)
    # Nothing says how the piece closes beyond what was seen: as much as its own radius there.
    radius = float(np.mean([c.r_mm[0 if first else -1] for c in curves]))
    doubt = 0.5 * abs(seen[0] - seen[1]) + float(np.clip(0.5 * radius, *UNSEEN_SD_MM))
    # It may as well reach as far as the outline does.
    reach = sign * (float(np.mean(seen)) - _places(rays[near_end], camera_mm, axis))
    doubt = max(doubt, 0.5 * float(np.max(reach, initial=0.0)))
    return EndPoint(float(np.mean(seen)), doubt, "unknown", inner)


def _places(rays: FloatArray, camera_mm: FloatArray, axis: Axis) -> FloatArray:
    """Return z, (n,), of the axis where each ray passes nearest."""
    v = rays / np.linalg.norm(rays, axis=1, keepdims=True)
    w = axis.point_mm - camera_mm
    along, cosine = v @ w, v @ axis.direction
    return np.asarray((along * cosine - w @ axis.direction) / (1.0 - cosine**2))
