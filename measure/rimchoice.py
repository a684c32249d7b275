"""Which edges are the rims of a tool's steps: all steps weighed together, about one axis.

Along the whole of a step each side shows several straight edges: the rim, reflections inside it,
the border of a shadow outside. Taken one by one they cannot be told apart; but the two rims of
a step lie about the axis that all steps share, with nothing of the tool outside them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from calib.view import View
from measure.mating import COVERAGE
from measure.revolve import Axis
from measure.rimoutline import Cylinder
from measure.rimpixels import rim_pixels, rim_points

__all__ = ["RimEdges", "chosen_rims", "edges_of_step", "in_sight", "onset_kernel"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

STEP_PX = 0.5
INSIDE_SHARE, INSIDE_MM = 0.3, 1.0
OUTSIDE_SHARE, OUTSIDE_MM = 0.25, 2.0
"""Edges are looked for so far inside and outside the radius that was found; of a step that was
overlooked as far outside the largest."""
SETTLED_PX = 2.0
NO_RIMS = 8.0
"""Loss of a step that shows no pair of edges."""
LEAST_RADIUS_MM = 1.0
BEYOND_PX = 20
"""Columns beyond, for the bench's texture."""
BLOCK_MM, ROW_MM, END_MM = 1.0, 0.25, 0.8
WINDOW = 3
"""Columns over which inside and outside of an edge are averaged; the outside is carried on by
twice as many."""
NEAR = 12
"""Columns to each side whose noise is taken for usual."""
LEAST_SIGNIFICANCE, SURE_SIGNIFICANCE = 4.0, 8.0
LEAST_LIGHT = 0.3
"""Standard deviation of a block's mean, grey levels, that no texture falls below."""
MISFIT_MM, MOST_MISFIT = 0.1, 12.0
"""How well the middle of a pair of true rims lies on the axis, and the most that a pair loses
for not doing so."""
OUTER_COST, FAINT_COST = 2.5, 3.0
"""What a pair loses on each side for a sure edge outside it, and for an edge of its own that hardly
shows."""
SHIFT_SD_MM = 1.0
"""How far off the axis may be at its ends, standard deviation."""
TRUE_SD_MM, BENT_SD_MM, BENT_COST = 0.1, 0.4, 1.6
"""How far a cutter's head lies beside the axis of its shank, standard deviation: of most, and of
the one in five (no source) that is bent or made untrue."""


@dataclass(frozen=True, slots=True)
class RimEdges:
    """Edges on one side of a step: their radii, mm, and significances, from inside out."""

    radius_mm: FloatArray
    significance: FloatArray


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
    pairs = [_pairs(*sides) for sides in edges]
    z = np.array([0.5 * (step.z_from_mm + step.z_to_mm) for step in steps])
    middles = _common_axis(pairs, z)
    chosen = []
    for step, pair, middle in zip(steps, pairs, middles, strict=True):
        if len(pair.radius_mm) == 0:
            # Of a gap that shows no rim there is nothing to say.
            chosen += [] if step.overlooked else [replace(step, loss=NO_RIMS)]
            continue
        cost = pair.cost + _misfit(pair.middle_mm - middle)
        best = int(cost.argmin())
        radius, weight = float(pair.radius_mm[best]), np.exp(cost[best] - cost)
        # Edges nearer than this are told apart when the edge itself is fitted.
        gap = pair.radius_mm - radius
        gap = np.where(np.abs(gap) < SETTLED_PX * _column(view, axis, step) / STEP_PX, 0.0, gap)
        doubt = _half_width(gap, weight) / COVERAGE
        chosen.append(
            replace(
                step,
                radius_mm=radius,
                aside_mm=float(pair.middle_mm[best]),
                doubt_mm=doubt,
                loss=float(cost[best]),
                overlooked=False,
            )
        )
    return tuple(chosen)


@dataclass(frozen=True, slots=True)
class _Pairs:
    """Pairs of edges of one step: radius, middle toward the first side, and cost, (n,)."""

    radius_mm: FloatArray
    middle_mm: FloatArray
    cost: FloatArray


def edges_of_step(
    bgr: NDArray[np.uint8],
    view: View,
    axis: Axis,
    steps: Sequence[Cylinder],
    k: int,
    sign: float,
) -> RimEdges:
    """Return the straight edges along one side of step k, where no other step hides it."""
    step = steps[k]
    about = step.radius_mm + sign * step.aside_mm
    z = in_sight(view, axis, steps, k, sign)
    rows = round(BLOCK_MM / ROW_MM)
    blocks = len(z) // rows
    if blocks < 2:
        return RimEdges(np.zeros(0), np.zeros(0))
    column = _column(view, axis, step)
    low = about - INSIDE_SHARE * about - INSIDE_MM
    low = max(0.0 if step.overlooked else low, LEAST_RADIUS_MM)
    largest = max(other.radius_mm for other in steps) if step.overlooked else about
    high = largest + max(OUTSIDE_SHARE * largest, OUTSIDE_MM)
    radii = np.arange(low, high + BEYOND_PX * 2 * column, column)
    x, y = rim_pixels(view, axis, z[: blocks * rows], radii, sign)
    laid = cv2.remap(bgr, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    laid = np.asarray(laid, dtype=np.float32)
    means = laid.reshape(blocks, rows, len(radii), 3).mean(axis=1)
    significance = _significance(means)
    inner = significance[2:-2]
    crest = np.max([significance[k : k + len(inner)] for k in range(5)], axis=0)
    at = 2 + np.flatnonzero((inner >= crest) & (inner >= LEAST_SIGNIFICANCE))
    at = at[radii[at] < high]
    return RimEdges(radii[at], significance[at].astype(np.float64))


def _column(view: View, axis: Axis, step: Cylinder) -> float:
    """Return the width of a column at a step, mm."""
    away = axis.at(0.5 * (step.z_from_mm + step.z_to_mm)) - view.camera_centre_mm
    return STEP_PX * float(np.linalg.norm(away)) / view.lens.focal_px


def in_sight(view: View, axis: Axis, steps: Sequence[Cylinder], k: int, sign: float) -> FloatArray:
    """Return z of rows of a rim, away from its ends, that no other step hides."""
    step, camera = steps[k], view.camera_centre_mm
    z = np.arange(step.z_from_mm, step.z_to_mm + 1e-9, ROW_MM)
    radius = np.full(len(z), step.radius_mm + sign * step.aside_mm)
    ahead = rim_points(camera, axis, z, radius, sign) - camera
    from_z = float((camera - axis.point_mm) @ axis.direction)
    free = np.ones(len(z), dtype=bool)
    for other in (*steps[:k], *steps[k + 1 :]):
        for face in (other.z_from_mm, other.z_to_mm):
            share = (face - from_z) / np.where(z == from_z, 1e-9, z - from_z)
            crossing = camera + share[:, None] * ahead - axis.at(face)
            inside = np.linalg.norm(crossing, axis=1) < other.radius_mm
            free &= ~(inside & (share > 0.0) & (share < 1.0))
    z = z[free]
    return z[(z >= z.min() + END_MM) & (z <= z.max() - END_MM)] if len(z) else z


def _significance(means: Float32Array) -> Float32Array:
    """Return, per column, how far the inside departs from what the outside leads to expect.

    In standard deviations of the mean of the blocks (blocks, columns, 3).
    """
    onset = cv2.filter2D(means, -1, onset_kernel()[None, :], borderType=cv2.BORDER_REPLICATE)
    blocks = len(onset)
    size = np.linalg.norm(onset.mean(axis=0), axis=-1)
    spread = np.sqrt(np.sum(onset.var(axis=0, ddof=1), axis=-1))
    # What an edge itself changes along the step is no noise: that of most columns about it counts.
    usual = median_filter(spread, size=2 * NEAR + 1, mode="nearest")
    bench = max(float(np.median(spread[-2 * BEYOND_PX :])), LEAST_LIGHT)
    return np.asarray(size / np.maximum(usual, bench) * np.sqrt(blocks), dtype=np.float32)


def onset_kernel() -> Float32Array:
    """Return weights of columns `STEP_PX` apart, from inside out: the inside, less the outside
    carried on as a straight line, so that soft borders and even shading are no onset."""
    kernel = np.zeros(4 * WINDOW + 3, dtype=np.float32)
    middle = len(kernel) // 2
    kernel[middle - WINDOW : middle] = 1.0 / WINDOW
    kernel[middle + 1 : middle + 1 + WINDOW] = -2.0 / WINDOW
    kernel[middle + 1 + WINDOW : middle + 1 + 2 * WINDOW] = 1.0 / WINDOW
    return kernel


def _pairs(a: RimEdges, b: RimEdges) -> _Pairs:
    n, m = len(a.radius_mm), len(b.radius_mm)
    if n == 0 or m == 0:
        return _Pairs(np.zeros(0), np.zeros(0), np.zeros(0))
    cost = _cost_of_one(a)[:, None] + _cost_of_one(b)[None, :]
    radius = 0.5 * (a.radius_mm[:, None] + b.radius_mm[None, :])
    middle = 0.5 * (a.radius_mm[:, None] - b.radius_mm[None, :])
    return _Pairs(radius.ravel(), middle.ravel(), cost.ravel())


def _cost_of_one(edges: RimEdges) -> FloatArray:
    """Return what each edge of a side loses for edges outside it and for being faint, (n,)."""
    sure = _share(edges.significance)
    # An edge has two crests, a window apart: so the inner one of them loses too.
    beyond = edges.radius_mm[None, :] > edges.radius_mm[:, None]
    outer = np.max(np.where(beyond, sure[None, :], 0.0), axis=1)
    return np.asarray(OUTER_COST * outer + FAINT_COST * (1.0 - sure))


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


def _misfit(away_mm: FloatArray) -> FloatArray:
    return np.minimum(0.5 * (away_mm / MISFIT_MM) ** 2, MOST_MISFIT)


def _common_axis(pairs: Sequence[_Pairs], z: FloatArray) -> FloatArray:
    """Return where the middle of each step lies beside the axis that suits all best, mm.

    The head of a cutter may lie beside the axis of its shank, which is the first or last step.
    """
    half = max(0.5 * float(np.ptp(z)), 1e-6)
    along = (z - 0.5 * float(z.min() + z.max())) / half
    shifts = np.arange(-2.0, 2.01, 0.05)
    turns = np.arange(-1.0, 1.01, 0.1) if len(z) > 1 else np.zeros(1)
    offsets = np.arange(-0.6, 0.61, 0.1) if len(z) > 1 else np.zeros(1)
    shift, turn, offset = (grid.ravel() for grid in np.meshgrid(shifts, turns, offsets))
    prior = 0.5 * ((shift / SHIFT_SD_MM) ** 2 + (turn / SHIFT_SD_MM) ** 2)
    bent = BENT_COST + 0.5 * (offset / BENT_SD_MM) ** 2
    prior += np.minimum(0.5 * (offset / TRUE_SD_MM) ** 2, bent)
    best = (np.inf, np.zeros(len(z)))
    for shank in (0, len(z) - 1):
        total = prior.copy()
        middles = [
            shift + turn * along[k] + (0.0 if k == shank else 1.0) * offset for k in range(len(z))
        ]
        for pair, middle in zip(pairs, middles, strict=True):
            if len(pair.cost):
                gaps = pair.middle_mm[None, :] - middle[:, None]
                total += np.min(pair.cost[None, :] + _misfit(gaps), axis=1)
        at = int(total.argmin())
        if total[at] < best[0]:
            best = (float(total[at]), np.array([middle[at] for middle in middles]))
    return best[1]
