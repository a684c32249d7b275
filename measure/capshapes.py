"""Shapes that an end may have, each with one unknown: how far out it ends.

All are in the frame of an end: x = 0 at the last circle seen on both sides, positive inward.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.caprays import Radius
from measure.sides import SideCurve

__all__ = ["EASED_MOST_MM", "Conic", "NearEnd", "Shape", "near_end", "shapes"]

FloatArray = NDArray[np.float64]

INSIDE_MM = 40.0
NEAR_MM, NEAR_PX = 0.8, 9.0
"""How far inward of the last circle the sides say what slope they end with."""
CONES = (0.3, 0.6, 1.0, 2.0)
"""Slopes of chamfers and eased edges that are tried."""
CONE_MOST_MM = 4.0
STRAIGHT_MOST_MM = 10.0
GAP_MM = 1.5
"""Points of a side farther apart have something hidden between them."""
ROUNDING_MM = 4.0
"""But over no more, and where the side rises by less than the gap is long, it may be a rounded
end's own arc, whose points have no side to them."""
FALLEN_MM = 0.15
RISE_REACH, RISEN = 4, 0.25
"""Where the slope over so many samples, or over `reach_mm`, is so much steeper than before, another
part begins."""
EASED_MOST_MM = 0.5
"""An edge that closes in by no more than this is an eased one, not a dome (common practice, no
source)."""
STRETCHES = (0.25, 0.5, 0.9)
"""Shares of the last radius over which the sides are taken for a conic."""


@dataclass(frozen=True, slots=True)
class NearEnd:
    """The mean of both sides near one end.

    Attributes
    ----------
    x_mm, r_mm : (n,) places inward of the last circle seen, and radii there.
    slope, radius_mm : dr/dx and r at the last circle, of a line through most points near it.
    reach_mm : how far inward these points lie.
    """

    x_mm: FloatArray
    r_mm: FloatArray
    slope: float
    radius_mm: float
    reach_mm: float

    @property
    def broadest_mm(self) -> float:
        """The radius of the broadest circle that the sides close in from."""
        # A dome grows ever less steep inward; where the sides rise anew, another part begins.
        apart = float(self.x_mm[1] - self.x_mm[0])
        reach = max(RISE_REACH, round(self.reach_mm / apart))
        slope = np.convolve(np.diff(self.r_mm), np.ones(reach) / reach, mode="valid") / apart
        anew = np.flatnonzero(slope > np.minimum.accumulate(slope) + RISEN)
        own = self.r_mm[: int(anew[0]) + 1] if len(anew) else self.r_mm
        # Most of the broadest part, not its proudest speck.
        return float(np.median(own[own > own.max() - FALLEN_MM]))

    @property
    def lost_mm(self) -> float:
        """By how much the sides have closed in at the last circle seen."""
        return max(self.broadest_mm - self.radius_mm, 0.0)

    def inside(self, x: FloatArray) -> FloatArray:
        """Return the radius as seen at places x >= 0."""
        return np.interp(x, self.x_mm, self.r_mm)

    def slope_at(self, begin_mm: float) -> float:
        """Return the slope inward of a place."""
        there = (self.x_mm >= begin_mm) & (self.x_mm < begin_mm + self.reach_mm)
        if there.sum() <= 3:
            return self.slope
        return _robust_line(self.x_mm[there], self.r_mm[there])[0]


def near_end(
    curves: tuple[SideCurve, SideCurve], z0: float, sign: float, scale_mm: float
) -> NearEnd:
    """Return both sides near one end; `z0` and `sign` as in `measure.caprays.end_rays`."""
    x = np.arange(0.0, INSIDE_MM, 0.2)
    both = []
    for c in curves:
        u = sign * (c.z_mm - z0)
        order = np.argsort(u, kind="stable")
        at, r = _held_over_gaps(u[order], c.r_mm[order])
        both.append(np.interp(x, at + 1e-9 * np.arange(len(at)), r))
    r = 0.5 * (both[0] + both[1])
    reach = max(NEAR_MM, NEAR_PX * scale_mm)
    slope, radius = _robust_line(x[x < reach], r[x < reach])
    return NearEnd(x, r, slope, radius, reach)


def _held_over_gaps(u: FloatArray, r: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return places and radii with those before a gap held to its far side.

    What is not seen between a tenon's rim and the next shoulder is no taper between the two.
    """
    apart, rise = np.diff(u), np.diff(r)
    rounding = (apart < ROUNDING_MM) & (rise > 0.0) & (rise < apart)
    gap = np.flatnonzero((apart > GAP_MM) & ~rounding)
    return np.insert(u, gap + 1, u[gap + 1] - 1e-6), np.insert(r, gap + 1, r[gap])


def _robust_line(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Return (slope, level at 0) of the line through most points: strays lie near rims."""
    i, j = np.triu_indices(len(x), 1)
    slope = float(np.median((y[j] - y[i]) / (x[j] - x[i])))
    return slope, float(np.median(y - slope * x))


def _carried_on(near: NearEnd, beyond: Radius) -> Radius:
    """Return the radius as seen where it was seen, and as `beyond` says further out."""
    return lambda x: np.where(x >= 0.0, near.inside(x), beyond(x))


@dataclass(frozen=True, slots=True)
class Straight:
    """The sides carried straight on and cut flat."""

    near: NearEnd
    most_mm: float = STRAIGHT_MOST_MM
    kind: str = "flat"

    def solid(self, end: float) -> tuple[Radius, float]:
        """Return the radius at each x of the cap that ends at -end, and the cut's radius."""
        r0, slope = self.near.radius_mm, self.near.slope
        cone = _carried_on(self.near, lambda x: np.maximum(r0 + slope * x, 0.0))
        return cone, max(r0 - slope * end, 0.0)


@dataclass(frozen=True, slots=True)
class Coned:
    """A chamfer or an eased edge of a given slope, cut flat."""

    near: NearEnd
    slope: float
    most_mm: float
    kind: str = "flat"

    def solid(self, end: float) -> tuple[Radius, float]:
        """Return the radius at each x of the cap that ends at -end, and the cut's radius."""
        r0, slope = self.near.radius_mm, self.slope
        cone = _carried_on(self.near, lambda x: np.maximum(r0 + slope * x, 0.0))
        return cone, max(r0 - slope * max(end, 0.0), 0.0)


@dataclass(frozen=True, slots=True)
class Closing:
    """A dome: the conic that takes over the sides' radius and slope and closes on the axis."""

    near: NearEnd
    most_mm: float
    kind: str = "dome"

    def solid(self, end: float) -> tuple[Radius, float]:
        """Return the radius at each x of the cap that ends at -end, and the cut's radius: 0."""
        r0, slope = self.near.radius_mm, self.near.slope
        end = max(end, 1e-3)
        q = (r0 * r0 - 2.0 * r0 * slope * end) / (end * end)

        def dome(x: FloatArray) -> FloatArray:
            return np.sqrt(np.maximum(r0 * r0 + 2.0 * r0 * slope * x - q * x * x, 0.0))

        return _carried_on(self.near, dome), 0.0


@dataclass(frozen=True, slots=True)
class Rounded:
    """A ball or a rounded end: the half ellipse on the broadest circle near the end.

    It goes through the last circle seen, so that how far it closes is the only unknown; the slope
    there, which noise and blur spoil first, is not asked.
    """

    near: NearEnd
    most_mm: float
    kind: str = "dome"

    def solid(self, end: float) -> tuple[Radius, float]:
        """Return the radius at each x of the cap that ends at -end, and the cut's radius: 0."""
        broad = self.near.broadest_mm
        closed = float(np.sqrt(1.0 - min(self.near.radius_mm / broad, 1.0 - 1e-6) ** 2))
        half = max(end, 1e-3) / (1.0 - closed)

        def ball(x: FloatArray) -> FloatArray:
            return broad * np.sqrt(np.maximum(1.0 - ((closed * half - x) / half) ** 2, 0.0))

        return _carried_on(self.near, ball), 0.0


@dataclass(frozen=True, slots=True)
class Conic:
    """The conic of the sides carried on and cut flat, or, at `most_mm`, closed on the axis.

    `squared` are the coefficients (3,) of r squared, highest power first.
    """

    near: NearEnd
    squared: FloatArray
    most_mm: float
    kind: str = "flat"

    def solid(self, end: float) -> tuple[Radius, float]:
        """Return the radius at each x of the cap that ends at -end, and the cut's radius."""
        rim = float(np.sqrt(max(float(np.polyval(self.squared, -end)), 0.0)))

        def beyond(x: FloatArray) -> FloatArray:
            return np.asarray(np.sqrt(np.maximum(np.polyval(self.squared, x), 0.0)))

        return _carried_on(self.near, beyond), rim


Shape = Straight | Closing | Coned | Rounded | Conic


def shapes(near: NearEnd) -> Iterator[Shape]:
    """Yield every family of caps that these sides may end with."""
    longest = 1.5 * near.radius_mm + 2.0
    yield Straight(near)
    yield Closing(near, longest)
    if near.lost_mm > EASED_MOST_MM:
        yield Rounded(near, longest)
    for slope in CONES:
        if slope > near.slope + 0.1:
            yield Coned(near, slope, min(CONE_MOST_MM, near.radius_mm / slope))
    for share in STRETCHES:
        squared = _conic(near, share * near.radius_mm)
        yield Conic(near, squared, min(_apex(squared, 1.5 * near.radius_mm), longest))


def _conic(near: NearEnd, stretch_mm: float) -> FloatArray:
    """Return the coefficients (3,) of r squared over the outermost stretch of the sides."""
    far = near.x_mm < max(stretch_mm, 2.0)
    r = near.r_mm[far]
    return np.asarray(np.polyfit(near.x_mm[far], r**2, 2, w=1.0 / np.maximum(r, 0.5)))


def _apex(squared: FloatArray, otherwise: float) -> float:
    """Return how far out a conic closes on the axis; `otherwise` where it never does."""
    roots = np.roots(squared)
    outward = -roots[np.isreal(roots)].real
    outward = outward[outward > 0.0]
    return float(outward.min()) if len(outward) else otherwise
