"""Which edges are the rims of a tool's steps: all steps weighed together, about one axis.

Along the whole of a step each side shows several straight edges: the rim, reflections inside it,
the border of a shadow outside. Taken one by one they cannot be told apart; but the two rims of
a step lie about the axis that all steps share, with nothing of the tool outside them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.view import View
from measure.mating import COVERAGE
from measure.revolve import Axis
from measure.rimedges import (
    LEAST_SIGNIFICANCE,
    MOST_OF_DISTANCE,
    STEP_PX,
    SURE_SIGNIFICANCE,
    RimEdges,
    column_mm,
    edges_of_step,
)
from measure.rimoutline import Cylinder

__all__ = ["BESIDE_MM", "MOST_ASIDE_MM", "chosen_rims", "likeliest", "read_anew"]

FloatArray = NDArray[np.float64]

SETTLED_PX = 2.0
"""Edges nearer to each other are told apart when the edge is fitted: within its reach."""

NO_RIMS = 8.0
OUTER_COST, FAINT_COST = 2.5, 3.0
"""What speaks against a reading of a step, in natural logarithms of how rare that is. Where no rim
shows on a side, half of the first: one side in fifty. A sure edge outside a rim: one side in
twelve, the border of a shadow. A rim that hardly stands out: one in twenty. (Estimates.)"""
MISFIT_MM = 0.1
"""How well the middle of a pair of true rims lies on the axis, standard deviation: a pixel of most
photos, half of it from each side."""
BESIDE_MM = 3.0 * MISFIT_MM
"""An edge so near to where a rim has to be is that rim."""
MIDDLE_MM = 0.2 * MISFIT_MM
"""Grid of the axis' places: off by half of that, a pair loses 0.005."""
SHIFT_SD_MM = 1.0
"""How far off the axis may be at its ends, standard deviation, as callers state it. It is looked
for twice as far off, and turned once as far, in steps of half a misfit and of one."""
TRUE_SD_MM, BENT_SD_MM, BENT_COST = 0.1, 0.4, 1.6
"""How far a cutter's head lies beside the axis of its shank, standard deviation: of most, and of
the one in five (ln 5 = 1.6; no source) that is bent or made untrue."""
MOST_ASIDE_MM = 1.5 * BENT_SD_MM
"""So far aside at most a head is looked for: one bent tool in seven is so by more."""


def chosen_rims(
    bgr: NDArray[np.uint8], view: View, axis: Axis, steps: Sequence[Cylinder]
) -> tuple[Cylinder, ...]:
    """Return the steps with the radii of the rims that suit each other best.

    A step whose edges allow of more than one choice carries what they differ by as its doubt.

    Parameters
    ----------
    bgr : (H, W, 3) photo.
    view, axis : right within about a millimetre.
    steps : as rough.
    """
    steps = [step for step in steps if step.is_seen]
    edges = [
        [edges_of_step(bgr, view, axis, steps, k, sign) for sign in (1.0, -1.0)]
        for k in range(len(steps))
    ]
    z = np.array([0.5 * (step.z_from_mm + step.z_to_mm) for step in steps])
    doubts = [_misfit_sd(view, axis, step) for step in steps]
    middles = _common_axis(edges, doubts, z)
    chosen = []
    for step, sides, doubt, middle in zip(steps, edges, doubts, middles, strict=True):
        read = _readings(sides[0], sides[1], np.array([middle]), doubt).about(0)
        best = int(read.cost.argmin()) if len(read.cost) else -1
        if best < 0 or read.cost[best] >= NO_RIMS:
            # Of a gap that shows no rim there is nothing to say.
            chosen += [] if step.overlooked else [replace(step, loss=NO_RIMS)]
            continue
        radius, weight = float(read.radius_mm[best]), np.exp(read.cost[best] - read.cost)
        # Edges nearer than this are told apart when the edge itself is fitted.
        gap = read.radius_mm - radius
        gap = np.where(np.abs(gap) < SETTLED_PX / STEP_PX * column_mm(view, axis, step), 0.0, gap)
        chosen.append(
            replace(
                step,
                radius_mm=radius,
                aside_mm=float(read.middle_mm[best]),
                doubt_mm=_half_width(gap, weight) / COVERAGE,
                loss=float(read.cost[best]),
                overlooked=False,
            )
        )
    return tuple(chosen)


def read_anew(
    bgr: NDArray[np.uint8], view: View, axis: Axis, step: Cylinder, most_mm: float
) -> tuple[Cylinder, float] | None:
    """Return the rims that suit a stretch best, of whatever radius up to a limit, as its step.

    Also what its own radius loses there. None where the stretch shows no rims at all.
    """
    away = float(np.linalg.norm(axis.at(step.z_from_mm) - view.camera_centre_mm))
    wide = replace(step, radius_mm=min(most_mm, MOST_OF_DISTANCE * away), overlooked=True)
    first, second = (edges_of_step(bgr, view, axis, [wide], 0, sign) for sign in (1.0, -1.0))
    doubt = _misfit_sd(view, axis, wide)
    z = np.array([0.5 * (step.z_from_mm + step.z_to_mm)])
    middle = _common_axis([(first, second)], [doubt], z)
    read = _readings(first, second, middle, doubt).about(0)
    if len(read.cost) == 0:
        return None
    best = int(read.cost.argmin())
    own = np.abs(read.radius_mm - step.radius_mm) < 2.0 * column_mm(view, axis, wide)
    found = replace(
        step,
        radius_mm=float(read.radius_mm[best]),
        aside_mm=float(read.middle_mm[best]),
        loss=float(read.cost[best]),
    )
    return found, float(np.min(read.cost[own], initial=NO_RIMS))


def likeliest(
    bgr: NDArray[np.uint8], view: View, axis: Axis, steps: Sequence[Cylinder], k: int
) -> tuple[float, float]:
    """Return (radius, loss) of the rims that suit step k best, its middle where it is said to lie.

    `NO_RIMS` is lost where it shows none.
    """
    step = steps[k]
    first, second = (edges_of_step(bgr, view, axis, steps, k, sign) for sign in (1.0, -1.0))
    doubt = _misfit_sd(view, axis, step)
    read = _readings(first, second, np.array([step.aside_mm]), doubt).about(0)
    if len(read.cost) == 0:
        return step.radius_mm, NO_RIMS
    best = int(read.cost.argmin())
    return float(read.radius_mm[best]), float(read.cost[best])


@dataclass(frozen=True, slots=True)
class _Readings:
    """Ways to read a step: radius, middle toward the first side, and cost, (m, n) or (n,)."""

    radius_mm: FloatArray
    middle_mm: FloatArray
    cost: FloatArray

    def about(self, k: int) -> _Readings:
        """Return those about one axis."""
        return _Readings(self.radius_mm[k], self.middle_mm[k], self.cost[k])


def _readings(a: RimEdges, b: RimEdges, middles_mm: FloatArray, doubt_mm: float) -> _Readings:
    """Return the ways to read a step about each of some axes (m,), whose middles lie there.

    The rims are a pair of edges, or an edge on one side while that on the other does not show.
    """
    first, second, m = a.radius_mm, b.radius_mm, middles_mm[:, None]
    of_first, of_second = _cost_of_one(a), _cost_of_one(b)
    pairs = np.broadcast_to(
        0.5 * (first[:, None] - second).ravel(), (len(m), len(first) * len(second))
    )
    radius = np.broadcast_to(0.5 * (first[:, None] + second).ravel(), pairs.shape)
    of_pairs = (of_first[:, None] + of_second).ravel() + 0.5 * ((pairs - m) / doubt_mm) ** 2
    alone = np.broadcast_to(m, (len(m), len(first) + len(second)))
    return _Readings(
        np.concatenate([radius, first - m, second + m], axis=1),
        np.concatenate([pairs, alone], axis=1),
        np.concatenate(
            [
                of_pairs,
                of_first + _cost_unseen(b, first - 2.0 * m),
                of_second + _cost_unseen(a, second + 2.0 * m),
            ],
            axis=1,
        ),
    )


def _cost_unseen(edges: RimEdges, there_mm: FloatArray) -> FloatArray:
    """Return what readings lose whose rim on this side, at a radius, does not show.

    Nothing of the tool lies outside it.
    """
    return 0.5 * NO_RIMS + OUTER_COST * _surest_beyond(edges, there_mm + BESIDE_MM)


def _cost_of_one(edges: RimEdges) -> FloatArray:
    """Return what each edge of a side loses for edges outside it and for being faint, (n,)."""
    sure = _share(edges.significance)
    # An edge has two crests, a window apart: so the inner one of them loses too.
    outer = _surest_beyond(edges, edges.radius_mm)
    return np.asarray(OUTER_COST * outer + FAINT_COST * (1.0 - sure))


def _surest_beyond(edges: RimEdges, radius_mm: FloatArray) -> FloatArray:
    """Return how sure the surest edge is that lies outside each radius, 0 to 1, of its shape."""
    sure = np.append(_share(edges.significance), 0.0)
    surest = np.maximum.accumulate(sure[::-1])[::-1]
    return np.asarray(surest[np.searchsorted(edges.radius_mm, radius_mm, side="right")])


def _share(significance: FloatArray) -> FloatArray:
    return np.clip(
        (significance - LEAST_SIGNIFICANCE) / (SURE_SIGNIFICANCE - LEAST_SIGNIFICANCE), 0.0, 1.0
    )


def _half_width(gap_mm: FloatArray, weight: FloatArray) -> float:
    """Return how far off the likeliest alternatives are that make up 95 % of all."""
    order = np.argsort(-weight)
    within = np.cumsum(weight[order]) / weight.sum()
    count = int(np.searchsorted(within, 0.95)) + 1
    return float(np.abs(gap_mm[order[:count]]).max())


def _misfit_sd(view: View, axis: Axis, step: Cylinder) -> float:
    """Return how well the middle of a pair of true rims lies on the axis, mm."""
    return float(np.hypot(MISFIT_MM, column_mm(view, axis, step) if step.overlooked else 0.0))


def _common_axis(
    edges: Sequence[Sequence[RimEdges]], doubts_mm: Sequence[float], z: FloatArray
) -> FloatArray:
    """Return where the middle of each step lies beside the axis that suits all best, mm.

    The head of a cutter may lie beside the axis of its shank, which is the first or last step.
    """
    half = max(0.5 * float(np.ptp(z)), 1e-6)
    along = (z - 0.5 * float(z.min() + z.max())) / half
    shifts = _steps_to(2.0 * SHIFT_SD_MM, 0.5 * MISFIT_MM)
    turns = _steps_to(SHIFT_SD_MM, MISFIT_MM) if len(z) > 1 else np.zeros(1)
    offsets = _steps_to(MOST_ASIDE_MM, MISFIT_MM) if len(z) > 1 else np.zeros(1)
    shift, turn, offset = (grid.ravel() for grid in np.meshgrid(shifts, turns, offsets))
    prior = 0.5 * ((shift / SHIFT_SD_MM) ** 2 + (turn / SHIFT_SD_MM) ** 2)
    bent = BENT_COST + 0.5 * (offset / BENT_SD_MM) ** 2
    prior += np.minimum(0.5 * (offset / TRUE_SD_MM) ** 2, bent)
    farthest = float(shifts[-1] + turns[-1] + offsets[-1])
    places = np.arange(-farthest, farthest + MIDDLE_MM, MIDDLE_MM)
    costs = [
        np.min(_readings(sides[0], sides[1], places, doubt).cost, axis=1, initial=NO_RIMS)
        for sides, doubt in zip(edges, doubts_mm, strict=True)
    ]
    best = (np.inf, np.zeros(len(z)))
    for shank in (0, len(z) - 1):
        total = prior.copy()
        middles = [
            shift + turn * along[k] + (0.0 if k == shank else 1.0) * offset for k in range(len(z))
        ]
        for cost, middle in zip(costs, middles, strict=True):
            total += cost[np.rint((middle - places[0]) / MIDDLE_MM).astype(int)]
        at = int(total.argmin())
        if total[at] < best[0]:
            best = (float(total[at]), np.array([middle[at] for middle in middles]))
    return best[1]


def _steps_to(most: float, step: float) -> FloatArray:
    """Return steps from -most to most."""
    count = round(most / step)
    return np.asarray(step * np.arange(-count, count + 1), dtype=np.float64)
