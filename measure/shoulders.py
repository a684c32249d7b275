"""Where the shoulders and the ends of a tool lie along its axis, and how surely.

The edge of a shoulder is a circle about the axis, of the radius of the larger step: each of its
points lies where its ray is that far from the axis. Lengths in mm, z in the axis' own count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.fit import Estimate
from measure.revolve import Axis
from measure.rimoutline import RimOutline

__all__ = ["Shoulders", "shoulders_of"]

FloatArray = NDArray[np.float64]
MaskArray = NDArray[np.bool_]

LEAST_POINTS = 8
LEAST_SLOPE, MOST_SLOPE = 0.15, 3.0
"""Points of an edge that would move by less of r for a step of z tell nothing of z; what they tell
counts by that, up to a limit."""
CHAMFER_MM, CHAMFER_STEP_MM = 1.2, 0.1
"""An end's edge may be broken so far."""
FARTHEST_MM, NEAR_MM = 4.0, 0.8
"""An edge is looked for so far from where its arc was seen in the picture, and its points lie so
near to each other."""
LOOSE_MM = 0.5
"""Points that scatter more over z belong to something else."""
EDGE_SD_MM, END_SD_MM = 0.1, 0.3
"""What the arc of a shoulder is off along the axis, standard deviation, beside what camera and axis
are: it is the border of a shadow in part. And that of an end, whose broken edge shows two arcs or
one of either. Measured on rendered photos."""
ALONG = 8.0
"""Neighbouring points of an arc share their errors: so many count as one."""


@dataclass(frozen=True, slots=True)
class Shoulders:
    """Places where steps meet or end, the first step's start first, (n,) each.

    `sd_mm` is the standard deviation of the distance from the first place; at the first, of that
    place itself.
    """

    z_mm: tuple[float, ...]
    sd_mm: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class _Edge:
    """An edge that is seen.

    `points_px` (m, 2) with their weights; `each_mm` z of each by itself, `slope` its change of
    radius per z, (m,); `radius_mm` of the edge, `z_mm` and `sd_mm` of its plane.
    """

    points_px: FloatArray
    weight: FloatArray
    each_mm: FloatArray
    slope: FloatArray
    radius_mm: float
    z_mm: float
    sd_mm: float


def shoulders_of(
    found: RimOutline,
    solved: Estimate,
    radii_mm: FloatArray,
    outward: Sequence[float],
    moved_radii_mm: Sequence[FloatArray] = (),
) -> Shoulders:
    """Return the places where steps meet or end: as they were drawn where no edge is seen.

    Parameters
    ----------
    radii_mm : (n,) of the larger step at each place; 0 where neither is known.
    outward : (n,) +1 where the smaller step, or nothing, lies on the side of rising z, else -1.
    moved_radii_mm : the radii with each unknown of the estimate moved by its difference step;
        without them the estimate's covariance is not carried.
    """
    last = len(radii_mm) - 1
    edges = [
        _edge(found, solved, k, float(radii_mm[k]), outward[k], k in (0, last))
        if radii_mm[k] > 0.0
        else None
        for k in range(last + 1)
    ]
    z = [found.places_mm[k] if edge is None else edge.z_mm for k, edge in enumerate(edges)]
    own = [
        _unseen_sd(solved, z[k], float(radii_mm[k]))
        if edge is None
        else float(np.hypot(edge.sd_mm, END_SD_MM if k in (0, last) else EDGE_SD_MM))
        for k, edge in enumerate(edges)
    ]
    carried = _carried(solved, edges, [moved - radii_mm for moved in moved_radii_mm])
    # The first place is z = 0: what it is off, all others are.
    sds = [own[0], *(float(np.sqrt(own[0] ** 2 + sd**2 + c)) for sd, c in
                     zip(own[1:], carried[1:], strict=True))]  # fmt: skip
    return Shoulders(tuple(float(v) for v in np.maximum.accumulate(z)), tuple(sds))


def _unseen_sd(solved: Estimate, z: float, radius: float) -> float:
    """Return the standard deviation of a place whose edge is not seen, mm.

    Seen from aslant it is an ellipse that reaches past the ends of both rims; its half-length is
    taken for the limit of a rectangular distribution.
    """
    sight = solved.axis.at(z) - solved.view.camera_centre_mm
    along = float(sight @ solved.axis.direction)
    across = float(np.sqrt(max(float(sight @ sight) - along**2, 1e-9)))
    return float(np.hypot(END_SD_MM, radius * abs(along) / across / np.sqrt(3.0)))


def _carried(
    solved: Estimate, edges: Sequence[_Edge | None], grown_mm: Sequence[FloatArray]
) -> FloatArray:
    """Return what the estimate's covariance makes of the distances from the first place, mm^2.

    An edge's point moves along the axis by what its ray comes nearer to it than the radius, over
    its slope.
    """
    gradient = np.zeros((len(edges), len(solved.x)))
    for j, grown in enumerate(grown_mm):
        x = solved.x.copy()
        x[j] += solved.steps[j]
        for k, edge in enumerate(edges):
            if edge is not None:
                off = _off(solved, x, edge) - _off(solved, solved.x, edge) - grown[k]
                gradient[k, j] = -float(edge.weight @ (off / edge.slope)) / solved.steps[j]
    gradient -= gradient[0] if edges[0] is not None else 0.0
    return np.asarray(np.sum(gradient @ solved.covariance * gradient, axis=1))


def _edge(
    found: RimOutline, solved: Estimate, place: int, radius: float, out: float, at_end: bool
) -> _Edge | None:
    """Return the edge of a shoulder or an end; None if it is not seen.

    At an end the edge may be broken by a chamfer, so there the radius is found with it.
    """
    index = found.between[place]
    index = index[found.outline.clear[index]]
    if len(index) < LEAST_POINTS:
        return None
    points = found.outline.points_px[index]
    camera, axis, guess = solved.view.camera_centre_mm, solved.axis, found.places_mm[place]
    rays = solved.view.rays(points)
    best: tuple[float, _Edge] | None = None
    for chamfer in np.arange(0.0, (CHAMFER_MM if at_end else 0.0) + 0.01, CHAMFER_STEP_MM):
        z, slope = _plane_of_each(camera, rays, axis, radius - chamfer, out)
        good = (np.abs(slope) > LEAST_SLOPE) & (np.abs(z - guess) < FARTHEST_MM)
        if good.sum() < LEAST_POINTS:
            continue
        middle = float(np.median(z[good]))
        counts = np.minimum(np.abs(slope[good]), MOST_SLOPE)
        away = np.minimum(np.abs(z[good] - middle), 1.0)
        spread = float(np.sum(counts * away) / np.sum(counts))
        near = good & (np.abs(z - middle) < NEAR_MM)
        if near.sum() < LEAST_POINTS // 2 or (best is not None and spread >= best[0]):
            continue
        weight = np.minimum(np.abs(slope[near]), MOST_SLOPE) ** 2
        weight /= weight.sum()
        level = float(weight @ z[near])
        scatter = float(weight @ (z[near] - level) ** 2) * float(np.sum(weight**2))
        sd = float(np.sqrt(ALONG * scatter))
        best = (
            spread,
            _Edge(points[near], weight, z[near], slope[near], radius - chamfer, level, sd),
        )
    return None if best is None or best[0] > LOOSE_MM else best[1]


def _off(solved: Estimate, x: FloatArray, edge: _Edge) -> FloatArray:
    """Return how far the rays of an edge pass from the axis at their own z, (m,) mm."""
    view, axis = solved.layout.view_of(x), solved.layout.axis_of(x)
    return _distance(view.camera_centre_mm, view.rays(edge.points_px), axis, edge.each_mm)


def _plane_of_each(
    camera: FloatArray, rays: FloatArray, axis: Axis, radius: float, out: float
) -> tuple[FloatArray, FloatArray]:
    """Return, for each ray, the z at which it is `radius` from the axis, and how fast that is.

    A ray is as far from the axis at two places. Where an edge bounds the picture, the plane of
    sight and tangent points out of the step (`limb`): its normal has along the axis the sign of the
    ray's course outward over that along the axis, which is the slope's, reversed. So of the two
    places that counts where the distance falls toward the smaller step (`out`, +1 to rising z). Of
    a ray that stays farther away, its nearest place, which has no slope.
    """
    across, drift = _courses(camera, rays, axis)
    a, b = np.sum(drift * drift, axis=1), np.sum(across * drift, axis=1)
    c = np.sum(across * across, axis=1) - radius**2
    z = (-b - out * np.sqrt(np.maximum(b * b - a * c, 0.0))) / a
    away = across + z[:, None] * drift
    return z, np.sum(away * drift, axis=1) / np.maximum(np.linalg.norm(away, axis=1), 1e-12)


def _distance(camera: FloatArray, rays: FloatArray, axis: Axis, z: FloatArray) -> FloatArray:
    """Return how far from the axis each ray crosses its plane of z, (n,)."""
    across, drift = _courses(camera, rays, axis)
    return np.asarray(np.linalg.norm(across + z[:, None] * drift, axis=1))


def _courses(camera: FloatArray, rays: FloatArray, axis: Axis) -> tuple[FloatArray, FloatArray]:
    """Return where rays cross the plane of z = 0, from the axis, and how that moves with z."""
    share = rays / (rays @ axis.direction)[:, None]
    back = camera - axis.point_mm
    across = back - (back @ axis.direction) * share
    return across, share - axis.direction
