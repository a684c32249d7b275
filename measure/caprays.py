"""Rays of the arc at one end, and how deep each goes into a solid of revolution.

About the axis a ray is a hyperbola, of which the solid lies below. How far a place of its surface
stands out beyond that, square to it, is how far the ray would have to move aside to touch it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from measure.revolve import Axis

__all__ = ["EndRays", "Radius", "depth_mm", "end_rays"]

FloatArray = NDArray[np.float64]
Radius = Callable[[FloatArray], FloatArray]

SAMPLES, OWN = 25, 17
"""Places of a cap that every ray is compared with, and places at which each ray itself runs."""
LEVEL = 1e-6
"""A ray that keeps its place along the axis is taken to leave it by this share of its way."""


@dataclass(frozen=True, slots=True)
class _Against:
    """What places of a solid say of rays, (n, m) or, of most places together, (n,); mm.

    Attributes
    ----------
    across : how far they stand out beyond a ray, square to the axis.
    deep : how far a ray lies below them, on its inner way: -inf where it does not.
    off : by how much a ray passes by, negative; 0 where it does not.
    """

    across: FloatArray
    deep: FloatArray
    off: FloatArray

    def most(self) -> _Against:
        """Return what the places say together."""
        return _Against(self.across.max(axis=1), self.deep.max(axis=1), self.off.max(axis=1))

    def from_each_on(self) -> _Against:
        """Return, for every place, what it and all after it say together."""
        parts = (self.across, self.deep, self.off)
        back = [np.maximum.accumulate(p[:, ::-1], axis=1)[:, ::-1] for p in parts]
        return _Against(*back)

    def at(self, k: int) -> _Against:
        """Return what it says at one place."""
        return _Against(self.across[:, k], self.deep[:, k], self.off[:, k])

    def and_of(self, other: _Against) -> _Against:
        """Return what both say together."""
        return _Against(
            np.maximum(self.across, other.across),
            np.maximum(self.deep, other.deep),
            np.maximum(self.off, other.off),
        )


@dataclass(frozen=True, slots=True)
class EndRays:
    """Rays in the frame of an end: the last circle seen is at 0, inward is positive, mm.

    Attributes
    ----------
    start, pace : (n,) at the length s along a ray it is start + pace s inward.
    a, b, c : (n,) and a s^2 + 2 b s + c is the square of its distance from the axis.
    own, own_mm : (n, OWN) places on each ray's inner way, from where it is nearest to the axis
        inward, and how far from the axis it is there.
    places : (m,) where the sides were seen, ascending.
    behind : (n, m) what lies there and farther inward says.
    """

    start: FloatArray
    pace: FloatArray
    a: FloatArray
    b: FloatArray
    c: FloatArray
    own: FloatArray
    own_mm: FloatArray
    places: FloatArray
    behind: _Against


def end_rays(
    rays: FloatArray,
    camera: FloatArray,
    axis: Axis,
    z0: float,
    sign: float,
    x_mm: FloatArray,
    r_mm: FloatArray,
) -> EndRays:
    """Return the rays in the frame of one end.

    Parameters
    ----------
    rays, camera : (n, 3) in the target frame and (3,) camera centre.
    z0 : the outermost z at which both sides are seen; `sign` 1 for the end at small z, else -1.
    x_mm, r_mm : (m,) the sides, from there inward.
    """
    v = rays / np.linalg.norm(rays, axis=1, keepdims=True)
    base = camera - axis.at(z0)
    z, pace = base @ axis.direction, v @ axis.direction
    p, q = base - z * axis.direction, v - pace[:, None] * axis.direction
    a = np.maximum(np.sum(q * q, axis=1), 1e-12)
    b = q @ p
    c = np.full(len(v), float(p @ p))
    inward = sign * pace
    inward = np.where(np.abs(inward) < LEVEL, LEVEL, inward)
    start = np.full(len(v), sign * z)
    least = np.maximum(c - b * b / a, 0.0)
    wide = np.maximum(float(r_mm.max()) ** 2 - least, 0.0)
    s = np.sqrt(wide[:, None] / a[:, None]) * np.linspace(0.0, 1.0, OWN)
    own = (start - inward * b / a)[:, None] + np.abs(inward)[:, None] * s
    own_mm = np.sqrt(least[:, None] + a[:, None] * s * s)
    none = np.zeros((len(v), 0))
    lines = EndRays(start, inward, a, b, c, own, own_mm, x_mm, _Against(none, none, none))
    return replace(lines, behind=_against(lines, x_mm, r_mm).from_each_on())


def depth_mm(rays: EndRays, radius: Radius, end: float, end_radius: float) -> FloatArray:
    """Return how deep each ray goes into the solid, (n,) mm; negative where it passes by.

    Parameters
    ----------
    radius : of the solid at places from its end inward, mm.
    end, end_radius : where the solid is cut, outward of the last circle seen, and the cut's radius.
    """
    # A dome bends most at its end.
    places = -end + max(end, 0.0) * np.linspace(0.0, 1.0, SAMPLES if end > 0.0 else 1) ** 2
    r = radius(places)
    r[0] = end_radius
    own = np.maximum(rays.own, -end)
    x = [np.broadcast_to(places, (len(own), len(places))), own]
    surface = [np.broadcast_to(r, x[0].shape), np.where(own > -end, radius(own), end_radius)]
    if end > 0.0:
        # A ray that runs along a low dome or a face meets it between two of these places.
        rising = np.maximum.accumulate(r) + 1e-9 * np.arange(len(r))
        surface.append(np.clip(rays.own_mm, rising[0], rising[-1]))
        x.append(np.interp(surface[2], rising, places))
    told = _against(rays, np.hstack(x), np.hstack(surface)).most()
    first = int(np.searchsorted(rays.places, -end))
    if first < len(rays.places):
        told = told.and_of(rays.behind.at(first))
    # A ray that goes in leaves again across the axis or along it, by whichever is less.
    return np.where(told.across > 0.0, np.minimum(told.deep, told.across), told.off)


def _against(rays: EndRays, x_mm: FloatArray, r_mm: FloatArray) -> _Against:
    """Return what places (m,) or (n, m) of a surface of radii (m,) or (n, m) say of rays.

    What stands out by p across the axis and by q along it does so by p q / sqrt(p^2 + q^2) square
    to the ray.
    """
    a, b, c = rays.a[:, None], rays.b[:, None], rays.c[:, None]
    start, pace = rays.start[:, None], rays.pace[:, None]
    s = (x_mm - start) / pace
    across = r_mm - np.sqrt(np.maximum((a * s + 2.0 * b) * s + c, 0.0))
    root = b * b - a * (c - r_mm**2)
    way = np.sqrt(np.maximum(root, 0.0)) * np.abs(pace) / a
    # From the place where the ray is nearest to the axis: its inner way runs inward, its outer
    # way outward.
    beyond = start - pace * b / a - x_mm
    inner = beyond + way
    reached = root > 0.0
    deep = np.where(reached & (inner > 0.0), inner, -np.inf)
    out = np.where(reached, _square(across, inner), across)
    nearest = np.minimum(np.abs(inner), np.abs(beyond - way))
    off = np.where(reached, -_square(across, nearest), across)
    stands = across > 0.0
    return _Against(across, np.where(stands, out, deep), np.where(stands, 0.0, off))


def _square(across: FloatArray, along: FloatArray) -> FloatArray:
    apart = np.hypot(across, along)
    return np.asarray(np.abs(across * along) / np.where(apart > 0.0, apart, 1.0))
