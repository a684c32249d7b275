"""The joint estimate: lens, view, target, axis, from everything the photo and the turner say.

The profile is not among the unknowns. With view and axis given, each outline point gives (z, r)
exactly, and what the two sides disagree on is the residual.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.lens import Lens
from calib.sight import (
    BIAS_SCALE,
    SideSight,
    Sight,
    extras_start,
    extras_steps,
    lens_prior_residuals,
    sight_residuals,
    view_steps,
)
from calib.solve import Solution, solve
from calib.view import VIEW_SIZE, View
from measure.outline import Outline
from measure.revolve import Axis
from measure.sides import SideCurve, contour_values, local_slope

__all__ = ["CORNER_RAD", "Estimate", "Knowledge", "Layout", "estimate", "rim_bias"]

FloatArray = NDArray[np.float64]

RIM_BIAS_PX = -0.14
RIM_BIAS_SD_PX = 0.15
"""Where a fitted rim lies against the true one, outward positive: wood darkens toward grazing,
and a phone's sharpening moves the step. Measured on rendered photos; see DEVELOPERS.md."""
PAIR_SPACING = 5
"""Every fifth outline point enters the comparison of sides: nearer ones are not independent."""
CORNER_RAD = 0.2
"""More than this over the tangent's reach is a corner."""
PAIR_FLOOR_PX = 0.3
"""Standard deviation of one comparison of sides beyond what both points state."""


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


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the unknowns stand in the parameter vector."""

    view: View
    axis: Axis
    first: FloatArray
    second: FloatArray
    extras: int
    foot: bool

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return VIEW_SIZE + self.extras + 4 + 2 + (1 if self.foot else 0)

    def view_of(self, x: FloatArray) -> View:
        """Return the view of a parameter vector."""
        return self.view.with_vector(x[:VIEW_SIZE])

    def axis_of(self, x: FloatArray) -> Axis:
        """Return the axis: two shifts (mm) at the point and two at 100 mm along."""
        a = x[VIEW_SIZE + self.extras :][:4]
        shift = a[0] * self.first + a[1] * self.second
        turn = (a[2] * self.first + a[3] * self.second) / 100.0
        d = self.axis.direction + turn
        return Axis(self.axis.point_mm + shift, d / np.linalg.norm(d))

    def bias_of(self, x: FloatArray) -> FloatArray:
        """Return the rim bias of the two sides (+1, -1), pixels, (2,)."""
        return x[VIEW_SIZE + self.extras + 4 :][:2]


@dataclass(frozen=True, slots=True)
class Estimate:
    """The solution with what is needed to carry its covariance to anything computed from it.

    Attributes
    ----------
    layout, x, covariance : unknowns at the solution.
    steps : (n,) difference steps for derivatives.
    misfit_px : robust rms of the comparison of sides, pixels across the outline.
    kept : share of compared pairs that agree.
    pairs_sd : scale found for the comparisons: 1 when they scatter as stated.
    """

    layout: Layout
    x: FloatArray
    covariance: FloatArray
    steps: FloatArray
    misfit_px: float
    kept: float
    pairs_sd: float

    @property
    def view(self) -> View:
        """The view at the solution, with its covariance."""
        return replace(
            self.layout.view_of(self.x), covariance=self.covariance[:VIEW_SIZE, :VIEW_SIZE]
        )

    @property
    def axis(self) -> Axis:
        """The axis at the solution."""
        return self.layout.axis_of(self.x)


def rim_bias(outline: Outline, side: FloatArray, bias_px: FloatArray) -> FloatArray:
    """Return outline points (n, 2) moved outward by minus the bias of their side."""
    b = np.where(side > 0, bias_px[0], bias_px[1])
    return np.asarray(outline.points_px - b[:, None] * outline.normals())


def _frame(axis: Axis, view: View) -> tuple[FloatArray, FloatArray]:
    # One direction across the line of sight (the photo fixes it), one along it (depth).
    toward = axis.point_mm - view.camera_centre_mm
    first = np.cross(axis.direction, toward)
    first /= np.linalg.norm(first)
    return first, np.cross(axis.direction, first)


class _Values:
    """(z, r) of chosen outline points for parameter vectors, asked for by name.

    All points are computed in one go, and again only when view or axis change: most of a
    Jacobian's columns move neither the points nor each other.
    """

    def __init__(self, layout: Layout, outline: Outline) -> None:
        self.layout, self.outline = layout, outline
        self.index: NDArray[np.int64] = np.zeros(0, dtype=np.int64)
        self.places: dict[str, slice] = {}
        self.cache: dict[bytes, tuple[FloatArray, FloatArray]] = {}

    def add(self, name: str, index: NDArray[np.int64]) -> None:
        """Let `name` stand for outline points (k,)."""
        self.places[name] = slice(len(self.index), len(self.index) + len(index))
        self.index = np.concatenate([self.index, index.astype(np.int64)])

    def at(self, x: FloatArray, name: str) -> tuple[FloatArray, FloatArray]:
        """Return (z, r) of the points of a name."""
        start = VIEW_SIZE + self.layout.extras
        key = x[:VIEW_SIZE].tobytes() + x[start : start + 6].tobytes()
        if key not in self.cache:
            if len(self.cache) > 4:
                self.cache.clear()
            self.cache[key] = values_at(self.layout, x, self.outline, self.index)
        z, r = self.cache[key]
        return z[self.places[name]], r[self.places[name]]


def values_at(
    layout: Layout, x: FloatArray, outline: Outline, index: NDArray[np.int64]
) -> tuple[FloatArray, FloatArray]:
    """Return (z, r) of chosen outline points for a parameter vector."""
    points, tangents = outline.points_px[index], outline.tangents[index]
    view, axis = layout.view_of(x), layout.axis_of(x)
    z, r, _, side = contour_values(points, tangents, view, axis)
    # A shift outward by b pixels changes r by b over the scale at the contact.
    b = layout.bias_of(x)
    depth = np.linalg.norm(axis.at(z) - view.camera_centre_mm, axis=1)
    r = r - np.where(side > 0, b[0], b[1]) * depth / view.lens.focal_px
    return z, r


def estimate(
    outline: Outline,
    sight: Sight,
    lens: Lens,
    view: View,
    axis: Axis,
    knowledge: Knowledge,
    curves: tuple[SideCurve, SideCurve],
    scatter: float = 1.0,
    iterations: int = 10,
) -> Estimate:
    """Solve for everything at once.

    Parameters
    ----------
    outline, sight : what the photo shows of the piece and of the target.
    lens : prior of the lens.
    view, axis : first guess.
    knowledge : what fixes the depth of the axis.
    curves : the sides at the first guess; which points are compared is decided from them.
    scatter : how much more the sides differ than stated, from an earlier estimate; what is not
        noise (grain, a shadow followed for a while) must not pull at the lens.
    """
    first, second = _frame(axis, view)
    foot = knowledge.foot is not None
    layout = Layout(view, axis, first, second, len(extras_start(sight)), foot)
    scale = float(np.linalg.norm(axis.point_mm - view.camera_centre_mm)) / view.lens.focal_px
    pairs = _pairs(curves, outline, scale)
    unit = max(scatter, 1.0)
    values = _Values(layout, outline)
    values.add("a", pairs.a)
    values.add("b", pairs.b)

    def compare(x: FloatArray) -> FloatArray:
        (za, ra), (zb, rb) = values.at(x, "a"), values.at(x, "b")
        gap = ra - np.interp(za, np.maximum.accumulate(zb), rb)
        return np.asarray(gap * pairs.cosine / (unit * pairs.sd_mm))

    known = _knowledge_residuals(layout, outline, knowledge, curves, scale, values)

    def residuals(x: FloatArray) -> FloatArray:
        bias = (layout.bias_of(x) - RIM_BIAS_PX) / RIM_BIAS_SD_PX
        parts = [
            compare(x),
            sight_residuals(layout.view_of(x), x[VIEW_SIZE : VIEW_SIZE + layout.extras], sight),
            lens_prior_residuals(x, lens),
            bias,
            known(x),
        ]
        return np.concatenate(parts)

    start = [view.vector(), extras_start(sight), np.zeros(4), np.full(2, RIM_BIAS_PX)]
    steps = [view_steps(view), extras_steps(sight), np.full(4, 0.02), np.full(2, 0.02)]
    if foot:
        start.append(np.array([_foot_start(layout, outline, knowledge, curves)]))
        steps.append(np.array([0.02]))
    x0, h = np.concatenate(start), np.concatenate(steps)
    robust = np.full(len(residuals(x0)), np.inf)
    robust[: len(pairs.a)] = 2.5
    targets = len(sight.points_px) * (2 if len(extras_start(sight)) == 2 else 1)
    robust[len(pairs.a) : len(pairs.a) + targets] = 3.0
    if isinstance(sight, SideSight):
        robust[len(pairs.a) + targets + 2 :][:4] = BIAS_SCALE
    solution = solve(residuals, x0, h, robust, iterations=iterations, tolerance=0.02)
    return _finished(layout, solution, h, unit * compare(solution.x), pairs, scale)


@dataclass(frozen=True, slots=True)
class _Pairs:
    a: NDArray[np.int64]
    b: NDArray[np.int64]
    cosine: FloatArray
    sd_mm: FloatArray


def _pairs(curves: tuple[SideCurve, SideCurve], outline: Outline, scale: float) -> _Pairs:
    a, b = curves
    if len(a.index) < 20 or len(b.index) < 20:
        raise ValueError(f"sides have {len(a.index)} and {len(b.index)} points, need 20")
    inside = (a.z_mm > b.z_mm[0]) & (a.z_mm < b.z_mm[-1])
    gap = np.diff(b.z_mm)
    where = np.clip(np.searchsorted(b.z_mm, a.z_mm) - 1, 0, len(gap) - 1)
    # Where the other side has a hole there is nothing to compare with.
    inside &= gap[where] < 1.5
    slope = local_slope(a.z_mm, a.r_mm)
    inside &= np.abs(slope) < 3.0
    # At a corner neither tangent nor slope is one.
    bend_b = np.abs(outline.bend[b.index])
    inside &= np.abs(outline.bend[a.index]) < CORNER_RAD
    inside &= np.maximum(bend_b[where], bend_b[where + 1]) < CORNER_RAD
    chosen = np.flatnonzero(inside)[::PAIR_SPACING]
    if len(chosen) < 10:
        raise ValueError(f"only {len(chosen)} points of the two sides face each other, need 10")
    cosine = 1.0 / np.sqrt(1.0 + slope[chosen] ** 2)
    sd_a = outline.sd_px[a.index[chosen]]
    sd_b = np.interp(a.z_mm[chosen], b.z_mm, outline.sd_px[b.index])
    sd = np.sqrt(sd_a**2 + sd_b**2 + PAIR_FLOOR_PX**2) * scale
    # Every other point of the far side is enough to interpolate in.
    return _Pairs(a.index[chosen], b.index[::2], cosine, sd)


def _knowledge_residuals(
    layout: Layout,
    outline: Outline,
    knowledge: Knowledge,
    curves: tuple[SideCurve, SideCurve],
    scale: float,
    values: _Values,
) -> Callable[[FloatArray], FloatArray]:
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
        values.add(f"foot {k}", curve.index[curve.z_mm < curve.z_mm[0] + 3.0])

    def radius(x: FloatArray) -> FloatArray:
        """Return the mean radius of both sides at each asked z, at the given unknowns."""
        radii = []
        for k, (curve, picks) in enumerate(zip(curves, near, strict=True)):
            z, r = (v.reshape(picks.shape) for v in values.at(x, f"near {k}"))
            before = curve.z_mm[picks]
            drift = np.mean(z - before, axis=1)
            # The point moves along the profile as well: keep the z that was asked.
            slope = _slope(before, curve.r_mm[picks])
            radii.append(
                np.mean(r, axis=1) - slope * drift + slope * (np.array(asked) - before.mean(axis=1))
            )
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
            parts.append((reach - x[-1]) / np.maximum(sd, 2.0 * scale))
            foot_r = float(np.mean([np.median(values.at(x, f"foot {k}")[1]) for k in (0, 1)]))
            parts.append(np.array([(x[-1] - foot_r) / 0.2]))
        return np.concatenate(parts) if parts else np.zeros(0)

    return residuals


def _foot_start(
    layout: Layout, outline: Outline, knowledge: Knowledge, curves: tuple[SideCurve, SideCurve]
) -> float:
    return float(np.mean([np.median(c.r_mm[c.z_mm < c.z_mm[0] + 3.0]) for c in curves]))


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


SAME_MM, OTHER_PART = 0.3, 10.0


def _slope(z: FloatArray, r: FloatArray) -> FloatArray:
    dz = z - z.mean(axis=1, keepdims=True)
    spread = np.sum(dz * dz, axis=1)
    slope = np.sum(dz * (r - r.mean(axis=1, keepdims=True)), axis=1) / np.maximum(spread, 1e-6)
    return np.asarray(np.clip(slope, -1.0, 1.0))


def _finished(
    layout: Layout,
    solution: Solution,
    steps: FloatArray,
    compared: FloatArray,
    pairs: _Pairs,
    scale: float,
) -> Estimate:
    good = np.abs(compared) < 3.5
    spread = 1.4826 * float(np.median(np.abs(compared)))
    misfit = float(np.median(np.abs(compared * pairs.sd_mm))) * 1.4826 / scale
    covariance = solution.covariance
    return Estimate(layout, solution.x, covariance, steps, misfit, float(np.mean(good)), spread)
