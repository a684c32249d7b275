"""The end of a piece by the forward model: which cap makes the arc that closes the outline.

Every ray of the outline only just touches the piece. A cap that is too short leaves rays of the
arc in the air, one too long swallows them. Caps tried: the sides carried straight on and cut flat,
the conic of the sides carried on and cut flat, and domes that close on the axis; each has one
unknown, where it ends.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from measure.revolve import Axis
from measure.sides import SideCurve

__all__ = ["Cap", "best_cap"]

FloatArray = NDArray[np.float64]
Radius = Callable[[FloatArray], FloatArray]

MOST_RAYS = 40
INWARD_MM = 2.0
"""How far inside the outermost side points an end is looked for: they scatter at rims."""
SAMPLES = 90
INSIDE_MM = 40.0
CLIP_PX = 3.0
NOISE_PX = 0.3
NEAR_MM, NEAR_PX = 0.8, 9.0
CONES = (0.3, 0.6, 1.0, 2.0)
"""Slopes of chamfers and eased edges that are tried."""
CONE_MOST_MM = 4.0
FLOOR_PX = 1.3
"""How well an end is known at best: blur, an eased edge and grain (measured on rendered photos)."""
CLOSING = 0.6
"""Sides that close in by this slope are a dome's, unless the arc says otherwise."""
BLUNT = 0.1
"""A dome lower than this share of its radius is no other than a flat end."""
ROUNDED = 0.2
"""Sides that close in by this slope before they are lost do not end square."""
EASED_MM = 0.3
DOMED = 0.25
"""How much an eased edge hides, and how often it is a dome instead (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Cap:
    """`end_mm`: how far the piece goes on beyond the last circle seen; its sd; kind; misfit px."""

    end_mm: float
    sd_mm: float
    kind: str
    misfit_px: float
    radius_mm: float
    low_mm: float
    high_mm: float


@dataclass(frozen=True, slots=True)
class _Rays:
    # Along each ray: how far inward of the last circle seen, and how far from the axis.
    inward: FloatArray
    reach: FloatArray
    start: FloatArray
    pace: FloatArray
    a: FloatArray
    b: FloatArray
    c: FloatArray
    across: FloatArray


def _rays(
    rays: FloatArray, camera: FloatArray, axis: Axis, z0: float, sign: float, widest: float
) -> _Rays:
    v = rays / np.linalg.norm(rays, axis=1, keepdims=True)
    base = camera - axis.at(z0)
    z, pace = base @ axis.direction, v @ axis.direction
    p, q = base - z * axis.direction, v - pace[:, None] * axis.direction
    a = np.sum(q * q, axis=1)
    b = q @ p
    c = np.full(len(v), float(p @ p))
    nearest = -b / np.maximum(a, 1e-12)
    least = np.maximum(c - b * b / np.maximum(a, 1e-12), 0.0)
    half = np.sqrt(np.maximum((1.1 * widest) ** 2 - least, 1.0) / np.maximum(a, 1e-12))
    s = nearest[:, None] + half[:, None] * np.linspace(-1.0, 1.0, SAMPLES)
    reach = np.sqrt(np.maximum(a[:, None] * s * s + 2 * b[:, None] * s + c[:, None], 0.0))
    inward = sign * (z + pace[:, None] * s)
    return _Rays(inward, reach, np.full(len(v), sign * z), sign * pace, a, b, c, np.sqrt(a))


def _depth(rays: _Rays, radius: Radius, end: float, end_radius: float) -> FloatArray:
    """Return how deep each ray goes into the solid, mm; negative where it passes by."""
    full = radius(rays.inward) - rays.reach
    depth = np.where(rays.inward < -end, -np.inf, full)
    k = np.clip(np.argmax(depth, axis=1), 1, SAMPLES - 2)
    rows = np.arange(len(k))
    left, mid, right = depth[rows, k - 1], depth[rows, k], depth[rows, k + 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        bend = left - 2.0 * mid + right
        peak = mid - (right - left) ** 2 / (8.0 * bend)
    best = np.where(np.isfinite(peak) & (bend < 0.0), np.maximum(peak, mid), depth.max(axis=1))
    # The rim of a cut lies between samples: its own place on each ray.
    with np.errstate(divide="ignore", invalid="ignore"):
        s = (-end - rays.start) / rays.pace
        at_rim = np.sqrt(np.maximum(rays.a * s * s + 2 * rays.b * s + rays.c, 0.0))
    rim = np.where(np.isfinite(at_rim), end_radius - at_rim, -np.inf)
    through = np.maximum(best, rim)
    # A ray that runs along the cut goes deep at once: what counts is how far the cut would have
    # to move to let it just touch.
    touch = -np.max(np.where(full >= 0.0, rays.inward, -np.inf), axis=1)
    moved = np.where(np.isfinite(touch), end - touch, np.inf) * rays.across
    return np.asarray(np.sign(through) * np.minimum(np.abs(through), np.abs(moved)))


def _sides(
    curves: tuple[SideCurve, SideCurve], z0: float, sign: float
) -> tuple[FloatArray, FloatArray]:
    grid = np.arange(0.0, INSIDE_MM, 0.2)
    both = []
    for c in curves:
        u = sign * (c.z_mm - z0)
        order = np.argsort(u, kind="stable")
        both.append(np.interp(grid, u[order] + 1e-9 * np.arange(len(u)), c.r_mm[order]))
    return grid, 0.5 * (both[0] + both[1])


def best_cap(
    rays: FloatArray,
    camera_mm: FloatArray,
    axis: Axis,
    curves: tuple[SideCurve, SideCurve],
    z0: float,
    sign: float,
    scale_mm: float,
) -> Cap | None:
    """Return the cap that fits the arc best; None when none does within a few pixels.

    Parameters
    ----------
    rays : (n, 3) of the arc that joins both sides at this end.
    z0 : the outermost z at which both sides are seen; `sign` 1 for the end at small z, else -1.
    """
    if len(rays) < 8:
        return None
    rays = rays[:: max(1, len(rays) // MOST_RAYS)]
    u, r = _sides(curves, z0, sign)
    reach = max(NEAR_MM, NEAR_PX * scale_mm)
    slope, r0 = _robust_line(u[u < reach], r[u < reach])
    lines = _rays(rays, camera_mm, axis, z0, sign, float(r.max()))

    def inside(x: FloatArray) -> FloatArray:
        return np.interp(x, u, r)

    def straight(end: float) -> tuple[Radius, float]:
        rim = max(r0 - slope * end, 0.0)
        return lambda x: np.where(x >= 0.0, inside(x), np.maximum(r0 + slope * x, 0.0)), rim

    def closing(end: float) -> tuple[Radius, float]:
        end = max(end, 1e-3)
        q = (r0 * r0 - 2.0 * r0 * slope * end) / (end * end)
        return (
            lambda x: np.where(
                x >= 0.0,
                inside(x),
                np.sqrt(np.maximum(r0 * r0 + 2.0 * r0 * slope * x - q * x * x, 0.0)),
            ),
            0.0,
        )

    def coned(steep: float) -> Callable[[float], tuple[Radius, float]]:
        return lambda end: (
            lambda x: np.where(x >= 0.0, inside(x), np.maximum(r0 + steep * x, 0.0)),
            max(r0 - steep * max(end, 0.0), 0.0),
        )

    found = [_fitted(lines, straight, "flat", 10.0, scale_mm)]
    found.append(_fitted(lines, closing, "closing", 1.5 * r0 + 2.0, scale_mm))
    found += [
        _fitted(lines, coned(steep), "flat", min(CONE_MOST_MM, r0 / steep), scale_mm)
        for steep in CONES
        if steep > slope + 0.1
    ]
    for stretch in (0.25 * r0, 0.5 * r0, 0.9 * r0):
        far = u < max(stretch, 2.0)
        conic = np.polyfit(u[far], r[far] ** 2, 2, w=1.0 / np.maximum(r[far], 0.5))
        roots = np.roots(conic)
        outward = -roots[np.isreal(roots)].real
        outward = outward[outward > 0.0]
        apex = float(outward.min()) if len(outward) else 1.5 * r0

        def carried(end: float, conic: FloatArray = conic) -> tuple[Radius, float]:
            rim = float(np.sqrt(max(np.polyval(conic, -end), 0.0)))
            return (
                lambda x: np.where(
                    x >= 0.0, inside(x), np.sqrt(np.maximum(np.polyval(conic, x), 0.0))
                ),
                rim,
            )

        found.append(_fitted(lines, carried, "dome", min(apex, 1.5 * r0 + 2.0), scale_mm))
    best = min(found, key=lambda cap: cap.misfit_px)
    if best.misfit_px > 0.7 * CLIP_PX:
        return None
    # Shapes that the arc cannot tell apart all have their say.
    alike = [c for c in found if c.misfit_px**2 < best.misfit_px**2 + _slack(best, len(rays))]
    low, high = min(c.low_mm for c in alike), max(c.high_mm for c in alike)
    domes = [c for c in alike if c.kind == "dome"]
    if slope > CLOSING and domes:
        best = min(domes, key=lambda cap: cap.misfit_px)
    sd = max(best.end_mm - low, high - best.end_mm) / 1.96
    cap = replace(best, sd_mm=float(np.hypot(sd, FLOOR_PX * scale_mm)), low_mm=low, high_mm=high)
    begin = max(-cap.end_mm, 0.0)
    there = (u >= begin) & (u < begin + reach)
    slope_there = _robust_line(u[there], r[there])[0] if there.sum() > 3 else slope
    return _with_hidden(cap, lines, slope_there, r0, scale_mm)


def _robust_line(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Return (slope, level at 0) of the line through most points: strays lie near rims."""
    i, j = np.triu_indices(len(x), 1)
    slope = float(np.median((y[j] - y[i]) / (x[j] - x[i])))
    return slope, float(np.median(y - slope * x))


def _with_hidden(cap: Cap, lines: _Rays, slope: float, r0: float, scale_mm: float) -> Cap:
    """Return the cap with what may hide behind its own edge.

    Where the sides close in and the phone is not beyond the end, the end may be an eased edge,
    or the shoulder of a dome that goes on as far as the outermost ray allows.
    """
    beyond_end = -float(np.median(lines.start)) > cap.end_mm
    blunt = cap.kind == "flat" or cap.end_mm < BLUNT * r0
    if not blunt or beyond_end or slope < ROUNDED:
        return cap
    nearest = -lines.b / np.maximum(lines.a, 1e-12)
    outermost = float(np.max(-(lines.start + lines.pace * nearest)))
    room = max(outermost - cap.end_mm, 0.0)
    if room < 2.0 * scale_mm:
        return cap
    # An eased edge hides a little, a dome anything up to the room.
    mean = (1.0 - DOMED) * 0.5 * min(EASED_MM, room) + DOMED * 0.5 * room
    square = (1.0 - DOMED) * EASED_MM**2 + DOMED * room**2 / 3.0
    sd = float(np.sqrt(max(square - mean**2, 0.0) + cap.sd_mm**2))
    return replace(cap, end_mm=cap.end_mm + mean, sd_mm=sd, kind="hidden")


def _slack(cap: Cap, count: int) -> float:
    """Return by how much a mean square may exceed the least one and be as likely, px squared.

    Up to `NOISE_PX` a misfit is noise and averages out; beyond it the shape itself is wrong, and
    another one as wrong is as likely.
    """
    noise = 4.0 * max(min(cap.misfit_px, NOISE_PX), 0.15) ** 2 / (count / 4.0)
    return noise + max(cap.misfit_px**2 - NOISE_PX**2, 0.0)


def _fitted(
    lines: _Rays,
    shape: Callable[[float], tuple[Radius, float]],
    kind: str,
    most: float,
    scale_mm: float,
) -> Cap:
    def off(end: float) -> FloatArray:
        radius, rim = shape(end)
        return _depth(lines, radius, end, rim) / scale_mm

    def score(end: float) -> float:
        return float(np.mean(np.minimum(off(end) ** 2, CLIP_PX**2)))

    tries = np.unique(np.concatenate([np.linspace(-INWARD_MM, most, 21), [0.0]]))
    scores = np.array([score(float(t)) for t in tries])
    for _ in range(3):
        k = int(np.argmin(scores))
        more = np.concatenate(
            [
                np.linspace(tries[max(k - 1, 0)], tries[k], 4)[1:-1],
                np.linspace(tries[k], tries[min(k + 1, len(tries) - 1)], 4)[1:-1],
            ]
        )
        tries = np.concatenate([tries, more])
        scores = np.concatenate([scores, [score(float(t)) for t in more]])
        order = np.argsort(tries)
        tries, scores = tries[order], scores[order]
    k = int(np.argmin(scores))
    cap = Cap(float(tries[k]), 0.0, kind, float(np.sqrt(scores[k])), 0.0, 0.0, 0.0)
    fits = tries[scores < scores[k] + _slack(cap, len(lines.a))]
    low, high = float(fits.min()), float(fits.max())
    end = cap.end_mm
    if kind == "closing":
        kind = "dome"
    elif kind == "dome":
        if high >= most - 1e-6:
            # Nothing speaks against closing on the axis: the simplest is that it does.
            end = most
        else:
            kind = "flat"
    return replace(cap, end_mm=end, kind=kind, radius_mm=shape(end)[1], low_mm=low, high_mm=high)
