"""The ends of a piece: flat ends from the whole arc of their rim, domes by carrying them on."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.revolve import Axis
from measure.sides import SideCurve

__all__ = ["EndPoint", "find_end"]

FloatArray = NDArray[np.float64]

FLAT_RMS_MM = 0.2
"""An arc that fits a flat circle no worse than this belongs to a flat end."""
CLOSING_MM, CLOSING_SLOPE = 3.0, 0.4
CHAMFER_MM = 0.35
"""A chamfered flat end closes in too, but ends where its sides do."""
BEYOND_MOST_MM = 1.2
SEARCH_OUT_MM, SEARCH_IN_MM = 8.0, 6.0
"""How far beyond and inside the last clear point of the sides a flat end is looked for."""


@dataclass(frozen=True, slots=True)
class EndPoint:
    """Where the piece ends.

    Attributes
    ----------
    z_mm : of the outermost point; `sd_mm` its standard deviation.
    kind : "flat", "dome" or "unknown".
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
    edge = float(np.mean(seen))

    def radius_at(z: float) -> float:
        return float(np.mean([_radius_near(c, z, sign) for c in curves]))

    flat = _flat_end(rays[near_end], camera_mm, axis, edge, sign, radius_at, scale_mm)
    if flat is not None and (
        _goes_on(curves, flat[0], radius_at(flat[0]), sign)
        or (_closing(curves, edge, sign) and abs(flat[0] - edge) > CHAMFER_MM)
    ):
        flat = None
    if flat is not None:
        flat = _not_inside(curves, flat, edge, sign)
    inner = max(seen) if first else min(seen)
    if flat is not None:
        return EndPoint(flat[0], flat[1], "flat", inner)
    dome = _dome_end(curves, edge, sign)
    if dome is not None:
        return EndPoint(dome[0], dome[1], "dome", inner)
    # Nothing says how the piece closes beyond what was seen: as much as its own radius there.
    doubt = 0.5 * abs(seen[0] - seen[1]) + float(np.clip(0.5 * radius_at(edge), 1.0, 2.5))
    return EndPoint(edge, doubt, "unknown", inner)


def _goes_on(
    curves: tuple[SideCurve, SideCurve], z_flat: float, radius: float, sign: float
) -> bool:
    """Return whether the sides run on beyond a supposed flat end, closing in: then it is a dome."""
    beyond = 0
    for curve in curves:
        away = sign * (z_flat - curve.z_mm)
        beyond += int(np.sum((away > 0.3) & (curve.r_mm < 0.9 * radius - 0.2)))
    return beyond >= 5


def _closing(curves: tuple[SideCurve, SideCurve], edge: float, sign: float) -> bool:
    """Return whether the sides close in toward the end, as a dome's do and a flat end's do not.

    The contour of a ball is a circle as well, only not one about the axis.
    """
    slopes = []
    for curve in curves:
        away = sign * (curve.z_mm - edge)
        near = (away > -0.5) & (away < CLOSING_MM)
        if near.sum() >= 6 and np.ptp(away[near]) > 0.5:
            slopes.append(float(np.polyfit(away[near], curve.r_mm[near], 1)[0]))
    return bool(slopes) and float(np.median(slopes)) > CLOSING_SLOPE


def _not_inside(
    curves: tuple[SideCurve, SideCurve], flat: tuple[float, float], edge: float, sign: float
) -> tuple[float, float]:
    """Return the flat end, moved out to where both sides were still seen a little beyond it."""
    seen = [float(np.sort(sign * c.z_mm)[2]) * sign for c in curves if len(c.z_mm) > 3]
    outermost = float(np.mean(seen)) if seen else edge
    beyond = sign * (flat[0] - outermost)
    if 0.3 < beyond < BEYOND_MOST_MM:
        return outermost, float(np.hypot(flat[1], 0.3 * beyond))
    return flat


def _radius_near(curve: SideCurve, edge: float, sign: float) -> float:
    away = sign * (curve.z_mm - edge)
    near = (away >= 0.3) & (away < 2.0)
    if near.sum() < 2:
        near = np.isin(np.arange(len(away)), np.abs(away).argsort()[:4])
    return float(np.median(curve.r_mm[near]))


def _flat_end(
    rays: FloatArray,
    camera_mm: FloatArray,
    axis: Axis,
    edge: float,
    sign: float,
    radius_at: Callable[[float], float],
    scale_mm: float,
) -> tuple[float, float] | None:
    """Return (z, sd) of a flat end whose rim makes the arc; None if the arc is not one circle.

    Every point of a rim lies at one distance from the axis in the plane of the rim, and in no
    other plane: the plane is looked for in which the distances are most alike.
    """
    if len(rays) < 12:
        return None

    def reach(z: float) -> FloatArray:
        plane = axis.at(z)
        s = ((plane - camera_mm) @ axis.direction) / (rays @ axis.direction)
        points = camera_mm + s[:, None] * rays - plane
        across = points - (points @ axis.direction)[:, None] * axis.direction
        return np.asarray(np.sqrt(np.sum(across * across, axis=1)))

    tries = edge + sign * np.arange(-SEARCH_OUT_MM, SEARCH_IN_MM, 0.25)
    spreads = [_spread(reach(float(z))) for z in tries]
    z = float(tries[int(np.argmin(spreads))])
    radius = float(np.median(reach(z)))
    slope = (reach(z + 0.05) - reach(z - 0.05)) / 0.1
    for _ in range(10):
        off = reach(z) - radius
        weight = 1.0 / (1.0 + (off / max(2.0 * scale_mm, 0.1)) ** 2)
        # z and the radius together: points that move little with z tell the radius.
        design = np.stack([slope, -np.ones_like(slope)], axis=1) * np.sqrt(weight)[:, None]
        step, *_ = np.linalg.lstsq(design, -off * np.sqrt(weight), rcond=None)
        z += float(np.clip(step[0], -0.5, 0.5))
        radius += float(np.clip(step[1], -0.5, 0.5))
        slope = (reach(z + 0.05) - reach(z - 0.05)) / 0.1
    off = reach(z) - radius
    if _spread(reach(z)) > max(FLAT_RMS_MM, 3.0 * scale_mm) or np.ptp(slope) < 0.2:
        return None
    if abs(radius - radius_at(z)) > 0.6 + 4.0 * scale_mm or not tries.min() < z < tries.max():
        return None
    good = np.abs(off) < 0.5
    spread = max(float(np.std(off[good])), scale_mm)
    information = float(np.sum((slope[good] - slope[good].mean()) ** 2)) / 6.0
    return z, float(np.hypot(spread / math.sqrt(max(information, 1.0)), 0.5 * scale_mm))


def _spread(values: FloatArray) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def _dome_end(
    curves: tuple[SideCurve, SideCurve], edge: float, sign: float
) -> tuple[float, float] | None:
    """Return (z, sd) of the apex of a dome: r squared carried on as a conic to zero."""
    z = np.concatenate([sign * (c.z_mm - edge) for c in curves])
    r = np.concatenate([c.r_mm for c in curves])
    last = float(np.median(r[z < max(0.5, float(np.min(z)) + 0.5)]))
    for stretch in (0.7 * last, 1.2 * last, 2.0 * last):
        near = z < max(stretch, 1.0)
        if near.sum() >= 12 and np.ptp(z[near]) > 0.2:
            break
    else:
        return None
    zz, rr = z[near], r[near]
    design = np.stack([np.ones_like(zz), zz, zz**2], axis=1) / (2.0 * np.maximum(rr, 0.5))[:, None]
    value = rr**2 / (2.0 * np.maximum(rr, 0.5))
    for _ in range(4):
        coefficients, *_ = np.linalg.lstsq(design, value, rcond=None)
        residual = value - design @ coefficients
        spread = max(1.4826 * float(np.median(np.abs(residual))), 0.01)
        keep = np.abs(residual) < 3.5 * spread
        design, value = design[keep], value[keep]
        if len(value) < 8:
            return None
    roots = np.roots(coefficients[::-1])
    real = roots[np.abs(roots.imag) < 1e-9].real
    real = real[real < 0.3]
    if len(real) == 0 or coefficients[1] <= 0:
        return None
    apex = float(real.max())
    hidden = -apex
    if hidden > 0.35 * last + 1.0 or last > 0.8 * float(np.max(rr)) + 2.0:
        return None
    return edge + sign * apex, float(np.hypot(0.15 * max(hidden, 0.0), spread + 0.03))
