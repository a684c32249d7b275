"""Rays of the arc at one end, and how deep each goes into a solid of revolution."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.revolve import Axis

__all__ = ["EndRays", "Radius", "depth_mm", "end_rays"]

FloatArray = NDArray[np.float64]
Radius = Callable[[FloatArray], FloatArray]

SAMPLES = 90
"""Places along each ray at which it is compared with the solid."""


@dataclass(frozen=True, slots=True)
class EndRays:
    """Rays in the frame of an end: the last circle seen is at 0, inward is positive, mm.

    Attributes
    ----------
    inward, reach : (n, SAMPLES) along each ray: how far inward, and how far from the axis.
    start, pace : (n,) at the length s along a ray it is start + pace s inward.
    a, b, c : (n,) and a s^2 + 2 b s + c is the square of its distance from the axis.
    across : (n,) sine of the angle between ray and axis.
    """

    inward: FloatArray
    reach: FloatArray
    start: FloatArray
    pace: FloatArray
    a: FloatArray
    b: FloatArray
    c: FloatArray
    across: FloatArray


def end_rays(
    rays: FloatArray, camera: FloatArray, axis: Axis, z0: float, sign: float, widest: float
) -> EndRays:
    """Return the rays in the frame of one end.

    Parameters
    ----------
    rays, camera : (n, 3) in the target frame and (3,) camera centre.
    z0 : the outermost z at which both sides are seen; `sign` 1 for the end at small z, else -1.
    widest : radius, mm, beyond which no ray needs to be followed.
    """
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
    return EndRays(inward, reach, np.full(len(v), sign * z), sign * pace, a, b, c, np.sqrt(a))


def depth_mm(rays: EndRays, radius: Radius, end: float, end_radius: float) -> FloatArray:
    """Return how deep each ray goes into the solid, (n,) mm; negative where it passes by.

    Parameters
    ----------
    radius : of the solid at places inward of the last circle seen, mm.
    end, end_radius : where the solid is cut, outward of that circle, and the cut's radius.
    """
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
