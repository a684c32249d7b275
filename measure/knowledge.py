"""What is known of the axis beside the photo, and how far given unknowns contradict it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.outline import Outline
from measure.revolve import Axis
from measure.sides import SideCurve
from measure.unknowns import Layout, Values

__all__ = ["Knowledge", "foot_start", "knowledge_residuals"]

FloatArray = NDArray[np.float64]


FOOT_SD_MM, FOOT_MM, SPREADS = 0.2, 3.0, 0.5
"""How well the sides close above the bench say the radius of the foot's rim; what is close; and how
much of the way from farther up to the bench a foot may spread, or draw in (no source)."""
SAME_MM, OTHER_PART = 0.3, 10.0
"""Within this of the expected r a point is of the same part; beyond it, r counts this often."""
SPREAD_MM2 = 0.05
"""Sum of the squares by which five points differ in z that say a slope: on sides a third of a
millimetre apart it is 1."""


@dataclass(frozen=True, slots=True)
class Knowledge:
    """What is known of the axis beside the photo; each is used when it is not None.

    Attributes
    ----------
    contacts : (k, 2) of (z, r) of circles that touch the bench, in the axis' own z.
    contact_plane_mm : Z of the bench; `contact_sd_mm` how flat and clean it is.
    heights : (k, 3) of (z, Z, sd): the axis lies at height Z of the target frame at z.
    upright_sd_rad : the axis is square to the target within this.
    foot : indices of outline points on the rim that stands on the bench, for `upright`.
    readings : (k, 3) of (z, diameter, sd) by calipers.
    """

    contacts: FloatArray | None = None
    contact_plane_mm: float = 0.0
    contact_sd_mm: float = 0.05
    heights: FloatArray | None = None
    upright_sd_rad: float | None = None
    foot: NDArray[np.int64] | None = None
    readings: FloatArray | None = None


def knowledge_residuals(
    layout: Layout,
    outline: Outline,
    knowledge: Knowledge,
    curves: tuple[SideCurve, SideCurve],
    scale: float,
    values: Values,
) -> Callable[[FloatArray], FloatArray]:
    """Return the function from unknowns to residuals in standard deviations, (k,).

    The points it asks for are added to `values`; `scale` is mm per pixel at the piece.
    """
    asked, expected = [], []
    if knowledge.contacts is not None:
        asked += list(knowledge.contacts[:, 0])
        expected += list(knowledge.contacts[:, 1])
    if knowledge.readings is not None:
        asked += list(knowledge.readings[:, 0])
        expected += [np.nan] * len(knowledge.readings)
    near = [_near(curve, np.array(asked), np.array(expected)) for curve in curves]
    for k, (curve, picks) in enumerate(zip(curves, near, strict=True)):
        values.add(f"near {k}", curve.index[picks.ravel()])
        values.add(f"foot {k}", curve.index[curve.z_mm < curve.z_mm[0] + FOOT_MM])

    befores = [curve.z_mm[picks] for curve, picks in zip(curves, near, strict=True)]
    slopes = [_slope(z, c.r_mm[picks]) for z, c, picks in zip(befores, curves, near, strict=True)]
    aside = [
        slope * (np.array(asked) - before.mean(axis=1))
        for slope, before in zip(slopes, befores, strict=True)
    ]

    own = layout.size - 1
    foot_sd = _foot_sd(curves, layout.axis, knowledge.contact_plane_mm)

    def radius(x: FloatArray) -> FloatArray:
        """Return the mean radius of both sides at each asked z, at the given unknowns."""
        radii = []
        for k, before in enumerate(befores):
            z, r = (v.reshape(before.shape) for v in values.at(x, f"near {k}"))
            drift = np.mean(z - before, axis=1)
            # The point moves along the profile as well: keep the z that was asked.
            radii.append(np.mean(r, axis=1) - slopes[k] * drift + aside[k])
        return np.asarray(np.mean(radii, axis=0))

    def residuals(x: FloatArray) -> FloatArray:
        parts = []
        axis = layout.axis_of(x)
        r = radius(x) if asked else np.zeros(0)
        k = 0
        if knowledge.contacts is not None:
            k = len(knowledge.contacts)
            height = axis.at(knowledge.contacts[:, 0])[:, 2]
            lowest = height - r[:k] * np.sqrt(1.0 - axis.direction[2] ** 2)
            parts.append((lowest - knowledge.contact_plane_mm) / knowledge.contact_sd_mm)
        if knowledge.readings is not None:
            parts.append((2.0 * r[k:] - knowledge.readings[:, 1]) / knowledge.readings[:, 2])
        if knowledge.heights is not None:
            z, height, sd = knowledge.heights.T
            parts.append((axis.at(z)[:, 2] - height) / sd)
        if knowledge.upright_sd_rad is not None:
            parts.append(axis.direction[:2] / knowledge.upright_sd_rad)
        if knowledge.foot is not None:
            points = layout.view_of(x).on_plane(
                outline.points_px[knowledge.foot], knowledge.contact_plane_mm
            )
            d = axis.direction
            centre = axis.point_mm + (knowledge.contact_plane_mm - axis.point_mm[2]) / d[2] * d
            reach = np.linalg.norm(points - centre[:2], axis=1)
            # Grain, a chamfer and dirt at the foot are common to its whole arc.
            sd = np.sqrt(len(points)) * 0.15
            parts.append((reach - x[own]) / np.maximum(sd, 2.0 * scale))
            foot_r = float(np.mean([np.median(values.at(x, f"foot {k}")[1]) for k in (0, 1)]))
            parts.append(np.array([(x[own] - foot_r) / foot_sd]))
        return np.concatenate(parts) if parts else np.zeros(0)

    return residuals


def foot_start(curves: tuple[SideCurve, SideCurve]) -> float:
    """Return a first value for the radius of the rim that stands on the bench, mm."""
    return float(np.mean(_lowest_radii(curves)))


def _lowest_radii(curves: tuple[SideCurve, SideCurve]) -> list[float]:
    """Return the radius of each side where it is seen nearest to the bench, mm."""
    return [float(np.median(c.r_mm[c.z_mm < c.z_mm[0] + FOOT_MM])) for c in curves]


def _foot_sd(curves: tuple[SideCurve, SideCurve], axis: Axis, bench_mm: float) -> float:
    """Return how well the sides say the radius of the foot's rim, standard deviation, mm.

    Where they differ one may follow the rim, one something else; what is seen far above the bench
    says little of the foot.
    """
    one, other = _lowest_radii(curves)
    starts = axis.at(np.array([float(c.z_mm[0]) for c in curves]))[:, 2] - bench_mm
    unseen = max(float(starts.max()) - FOOT_MM, 0.0)
    return float(np.linalg.norm([FOOT_SD_MM, 0.5 * (one - other), SPREADS * unseen]))


def _near(curve: SideCurve, asked: FloatArray, expected: FloatArray) -> NDArray[np.int64]:
    """Return positions (k, 5) in a curve of the points nearest to each asked z.

    Points farther than `SAME_MM` from the expected r, where there is one, are of another part, or
    strays at a corner.
    """
    if len(asked) == 0:
        return np.zeros((0, 5), dtype=np.int64)
    off = np.abs(curve.r_mm[None, :] - np.where(np.isnan(expected), 0.0, expected)[:, None])
    other = np.where(np.isnan(expected)[:, None], 0.0, np.maximum(off - SAME_MM, 0.0))
    distance = np.abs(curve.z_mm[None, :] - asked[:, None]) + OTHER_PART * other
    return np.asarray(distance.argsort(axis=1)[:, :5])


def _slope(z: FloatArray, r: FloatArray) -> FloatArray:
    """Return dr/dz (k,) of points (k, 5); 0 where they lie at one z, as at a corner."""
    dz = z - z.mean(axis=1, keepdims=True)
    spread = np.sum(dz * dz, axis=1)
    slope = np.sum(dz * (r - r.mean(axis=1, keepdims=True)), axis=1) / np.maximum(spread, 1e-6)
    return np.where(spread > SPREAD_MM2, np.clip(slope, -1.0, 1.0), 0.0)
