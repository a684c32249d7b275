"""The joint estimate: lens, view, target, axis, from everything the photo and the turner say.

The profile is not among the unknowns. With view and axis given, each outline point gives (z, r)
exactly, and what the two sides disagree on is the residual.
"""

from __future__ import annotations

from collections.abc import Sequence
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
    lens_prior,
    residuals_of,
    view_steps,
)
from calib.solve import Remembered, Solution, solve
from calib.view import VIEW_SIZE, View
from measure.endrimsight import STRAY_SDS, RimSight, rim_residuals, rims_start
from measure.knowledge import Knowledge, foot_start, knowledge_residuals
from measure.outline import Outline
from measure.revolve import Axis
from measure.rimbias import RIM_BIAS_PX, rim_bias_sd
from measure.sidepairs import Pairs, pairs_of
from measure.sides import SideCurve
from measure.unknowns import Layout, Values, across_and_deep

__all__ = ["Estimate", "estimate"]

FloatArray = NDArray[np.float64]

CORRELATED = 5.0
"""Where a rim is seen goes wrong over long stretches together (grain, shading, a soft shadow):
compared pairs are worth as many fewer as this squared. Else the small difference that the focal
length makes between the sides would seem to tell it (measured on rendered photos)."""


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
    rim_sd_px : (2,) standard deviation that the sides' rim bias was given beforehand.
    """

    layout: Layout
    x: FloatArray
    covariance: FloatArray
    steps: FloatArray
    misfit_px: float
    kept: float
    pairs_sd: float
    rim_sd_px: FloatArray

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
    rims: Sequence[RimSight] = (),
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
    rims : of the ends, where they are seen as circles.
    """
    first, second = across_and_deep(axis, view)
    foot = knowledge.foot is not None
    layout = Layout(view, axis, first, second, len(extras_start(sight)), foot)
    scale = float(np.linalg.norm(axis.point_mm - view.camera_centre_mm)) / view.lens.focal_px
    pairs = pairs_of(curves, outline, scale)
    unit = CORRELATED * max(scatter, 1.0)
    values = Values(layout, outline)
    values.add("a", pairs.a)
    values.add("b", pairs.b)

    def compare(x: FloatArray) -> FloatArray:
        (za, ra), (zb, rb) = values.at(x, "a"), values.at(x, "b")
        gap = ra - np.interp(za, np.maximum.accumulate(zb), rb)
        return np.asarray(gap * pairs.cosine / (unit * pairs.sd_mm))

    prior, rim_sd = lens_prior(lens), rim_bias_sd(outline, curves)
    known = knowledge_residuals(layout, outline, knowledge, curves, scale, values)
    of_target, own = residuals_of(sight), VIEW_SIZE + layout.extras
    of_sight = Remembered(lambda x: of_target(layout.view_of(x), x[VIEW_SIZE:own]), slice(own))
    others = np.r_[:VIEW_SIZE, own : layout.size]
    of_sides, of_known = Remembered(compare, others), Remembered(known, others)
    of_rims = rim_residuals(layout, outline, rims, scale)

    def residuals(x: FloatArray) -> FloatArray:
        bias = (layout.bias_of(x) - RIM_BIAS_PX) / rim_sd
        return np.concatenate([of_sides(x), of_sight(x), prior(x), bias, of_known(x), of_rims(x)])

    start = [view.vector(), extras_start(sight), np.zeros(4), np.full(2, RIM_BIAS_PX)]
    steps = [view_steps(view), extras_steps(sight), np.full(4, 0.02), np.full(2, 0.02)]
    if foot:
        start.append(np.array([foot_start(curves)]))
        steps.append(np.array([0.02]))
    start.append(rims_start(rims, axis))
    steps.append(np.full(2 * len(rims), 0.02))
    x0, h = np.concatenate(start), np.concatenate(steps)
    robust = np.full(len(residuals(x0)), np.inf)
    robust[: len(pairs.a)] = 2.5 / CORRELATED * 1.5
    targets = len(sight.points_px) * (2 if len(extras_start(sight)) == 2 else 1)
    robust[len(pairs.a) : len(pairs.a) + targets] = 3.0
    if isinstance(sight, SideSight):
        robust[len(pairs.a) + targets + 2 :][:4] = BIAS_SCALE
    robust[len(robust) - sum(len(rim.index) for rim in rims) :] = STRAY_SDS
    solution = solve(residuals, x0, h, robust, iterations=iterations, tolerance=0.02)
    return _finished(layout, solution, h, unit * compare(solution.x), pairs, scale, rim_sd)


def _finished(
    layout: Layout,
    solution: Solution,
    steps: FloatArray,
    compared: FloatArray,
    pairs: Pairs,
    scale: float,
    rim_sd: FloatArray,
) -> Estimate:
    good = np.abs(compared) < 3.5
    spread = 1.4826 * float(np.median(np.abs(compared)))
    misfit = float(np.median(np.abs(compared * pairs.sd_mm))) * 1.4826 / scale
    # The rims' own unknowns have done their part.
    own = slice(layout.size)
    x, covariance = solution.x[own], solution.covariance[own, own]
    kept = float(np.mean(good))
    return Estimate(layout, x, covariance, steps[own], misfit, kept, spread, rim_sd)
