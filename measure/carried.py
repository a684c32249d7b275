"""The covariance of the joint estimate carried to what is computed from it: rows and ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.view import View
from measure.fit import Estimate
from measure.outline import Outline
from measure.revolve import Axis
from measure.sides import SideCurve, local_slope
from measure.unknowns import values_at

__all__ = ["Carried", "EndRay", "carried", "directions"]

FloatArray = NDArray[np.float64]

STEEPEST = 3.0
"""At steeper places a little z is much r: there the distance normal to the curve counts."""


@dataclass(frozen=True, slots=True)
class EndRay:
    """The outline point that shows an end: nearest to the axis of the end's arc.

    Attributes
    ----------
    index : into the outline; None where no arc shows the end: then the sides' last points do.
    z_mm : of the end, in the axis' own count.
    """

    index: int | None
    z_mm: float


@dataclass(frozen=True, slots=True)
class Carried:
    """Changes for one standard deviation of each of p independent unknowns.

    Attributes
    ----------
    rows : per side (n, p), of r at fixed z from the start end.
    length : (p,) of the length.
    """

    rows: tuple[FloatArray, FloatArray]
    length: FloatArray


def carried(
    solved: Estimate,
    outline: Outline,
    curves: tuple[SideCurve, SideCurve],
    ends: tuple[EndRay, EndRay],
) -> Carried:
    """Return how rows and length change with the unknowns (first order [JCGM100], 5.1.2).

    Parameters
    ----------
    curves : both sides, z in the axis' own count.
    ends : of the piece, start end first.
    """
    index = np.concatenate([c.index for c in curves])
    count = len(curves[0].index)
    outer = [np.array([k, count + k]) for k in (0, -1)]
    outer[1] = np.array([count - 1, len(index) - 1])
    columns = directions(solved)
    rows, ends_moved = [], []
    for name, h in enumerate(solved.steps):
        sides, tips = [], []
        for sign in (1.0, -1.0):
            x = solved.x.copy()
            x[name] += sign * h
            z, r = values_at(solved.layout, x, outline, index)
            sides.append(np.stack([z, r]))
            tips.append(
                [
                    _end_z(solved, outline, x, e, z, r, o, curves)
                    for e, o in zip(ends, outer, strict=True)
                ]
            )
        rows.append((sides[0] - sides[1]) / (2.0 * h))
        ends_moved.append((np.array(tips[0]) - np.array(tips[1])) / (2.0 * h))
    change = np.stack(rows, axis=2) @ columns
    ends_change = np.stack(ends_moved, axis=1) @ columns
    parts = []
    for part, curve in zip((slice(0, count), slice(count, None)), curves, strict=True):
        slope = np.clip(local_slope(curve.z_mm, curve.r_mm), -STEEPEST, STEEPEST)
        parts.append(change[1, part] - slope[:, None] * (change[0, part] - ends_change[0]))
    return Carried((parts[0], parts[1]), ends_change[1] - ends_change[0])


def directions(solved: Estimate) -> FloatArray:
    """Return (n, p) columns: one standard deviation along each independent unknown."""
    # Scale first: the unknowns differ by many powers of ten.
    sd = np.sqrt(np.diag(solved.covariance))
    correlation = solved.covariance / np.outer(sd, sd)
    values, vectors = np.linalg.eigh(correlation)
    return np.asarray(sd[:, None] * vectors * np.sqrt(np.maximum(values, 0.0)))


def _end_z(
    solved: Estimate,
    outline: Outline,
    x: FloatArray,
    end: EndRay,
    z: FloatArray,
    r: FloatArray,
    outer: NDArray[np.int64],
    curves: tuple[SideCurve, SideCurve],
) -> float:
    """Return z of an end for a parameter vector.

    The ray of the arc's middle meets the rim's circle; the circle's radius moves as the sides do.
    """
    if end.index is None:
        return float(np.mean(z[outer]))
    place = 0 if outer[0] == 0 else -1
    before = float(np.mean([c.r_mm[place] for c in curves]))
    point = outline.points_px[[end.index]]
    here = _along(point, solved.view, solved.axis)
    radius = here.reach(end.z_mm) + float(np.mean(r[outer])) - before
    there = _along(point, solved.layout.view_of(x), solved.layout.axis_of(x))
    return there.place(radius, end.z_mm)


@dataclass(frozen=True, slots=True)
class _Ray:
    # Distance from the axis, squared, is a z'^2 + 2 b z' + c along the ray, z' from `origin`.
    origin: float
    a: float
    b: float
    c: float

    def reach(self, z: float) -> float:
        """Return the distance from the axis where the ray passes z."""
        at = z - self.origin
        return float(np.sqrt(max(self.a * at * at + 2.0 * self.b * at + self.c, 0.0)))

    def place(self, radius: float, near: float) -> float:
        """Return the z at which the ray is so far from the axis, the one nearer to `near`."""
        square = self.b * self.b - self.a * (self.c - radius * radius)
        root = np.sqrt(max(square, 0.0)) / self.a
        both = self.origin - self.b / self.a + np.array([root, -root])
        return float(both[np.argmin(np.abs(both - near))])


def _along(point: FloatArray, view: View, axis: Axis) -> _Ray:
    v = view.rays(point)[0]
    camera = view.camera_centre_mm - axis.point_mm
    d = axis.direction
    pace = v @ d
    # By z instead of along the ray: a ray square to the axis has no z to go by.
    pace = pace if abs(pace) > 1e-9 else 1e-9
    way = (v - (v @ d) * d) / pace
    base = camera - (camera @ d) * d
    return _Ray(float(camera @ d), float(way @ way), float(way @ base), float(base @ base))
