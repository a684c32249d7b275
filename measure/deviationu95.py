"""How sure a deviation is: the piece, the plan and their placement together."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from measure.plan import Plan
from measure.profile import Profile, relative_scale
from measure.register import Placement

__all__ = ["deviation_uncertainty", "own_uncertainty", "plan_uncertainty", "reference_z"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_NEIGHBOURHOOD_MM = 3.0


def own_uncertainty(
    profile: Profile, rows: NDArray[np.int64], same_photo: bool
) -> tuple[FloatArray, FloatArray]:
    """Return the piece's (u95, common part); in one photo the common parts cancel."""
    own, common = profile.u95_mm[rows], profile.u95_common_mm[rows]
    if not same_photo:
        return own, common
    return np.sqrt(np.maximum(own**2 - common**2, 0.0)), np.zeros_like(common)


def plan_uncertainty(plan: Plan, z: FloatArray, same_photo: bool) -> tuple[FloatArray, FloatArray]:
    """Return the plan's (u95, common part) at z, likewise."""
    u95, common = plan.u95_at(z)
    if not same_photo:
        return u95, common
    return np.sqrt(np.maximum(u95**2 - common**2, 0.0)), np.zeros_like(common)


def deviation_uncertainty(
    own: tuple[FloatArray, FloatArray],
    measured: FloatArray,
    plan: Plan,
    placement: Placement,
    z: FloatArray,
    slope: FloatArray,
    normal: BoolArray,
    same_photo: bool,
) -> tuple[FloatArray, FloatArray]:
    """Return (u95, its common part) of each deviation, mm.

    A diameter: the row's own, the plan's own, and the placement's through the slope. Square to
    the curve: the error of the edge is the same in every direction, so a steep row has that of
    the flat rows near it; the row's own, which holds its error of z, counts by the cosine of
    the slope. The scale's error also moves a shoulder along the axis, in proportion to its
    distance from where piece and plan were brought together.
    """
    plan_u, plan_common = plan_uncertainty(plan, z, same_photo)
    total = np.hypot(own[0], plan_u)
    shared = np.hypot(own[1], plan_common)
    finite = np.minimum(slope, 1e6)
    cosine = 1.0 / np.hypot(1.0, finite)
    sine = finite * cosine
    along = 2.0 * sine * relative_scale(measured, shared) * np.abs(z - reference_z(placement, z))
    square = np.maximum(total * cosine, np.hypot(_of_flat_neighbours(z, total, ~normal), along))
    moved = 2.0 * placement.u95_mm
    u95 = np.where(normal, np.hypot(square, moved * sine), np.hypot(total, moved * finite))
    square_common = np.minimum(np.maximum(shared * cosine, along), u95)
    return u95, np.where(normal, square_common, shared)


def reference_z(placement: Placement, z: FloatArray) -> float:
    """Return the z at which piece and plan were brought together."""
    if placement.datum == "start":
        return float(np.min(z))
    if placement.datum == "end":
        return float(np.max(z))
    if isinstance(placement.datum, (int, float)):
        return float(placement.datum)
    return float(np.mean(z))


def _of_flat_neighbours(z: FloatArray, u95: FloatArray, flat: BoolArray) -> FloatArray:
    """Return the median u95 of the flat rows within 3 mm, of all flat rows where there are none."""
    if not np.any(flat):
        return u95
    flat_z, flat_u = z[flat], u95[flat]
    everywhere = float(np.median(flat_u))
    result = np.full(len(z), everywhere)
    for row in np.nonzero(~flat)[0]:
        a, b = np.searchsorted(flat_z, [z[row] - _NEIGHBOURHOOD_MM, z[row] + _NEIGHBOURHOOD_MM])
        if b > a:
            result[row] = float(np.median(flat_u[a:b]))
    return result
