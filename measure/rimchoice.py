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

__all__ = ["RimEdges", "chosen_rims", "edges_of_step", "in_sight", "onset_kernel", "read_anew"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

STEP_PX, COARSE_PX = 0.5, 2.0
"""Width of a column: half a pixel loses nothing of a sharp edge; and, of a step that was
overlooked, so wide that a rim counts over which the steel shades from the bench's own tone to
another, as a mirror does at grazing sight."""
WINDOW = 3
"""Columns over which inside and outside of an edge are averaged: 1.5 px, about what blurs it. The
outside is carried on by twice as many."""
NEAR = 4 * WINDOW
"""Columns to each side whose noise is taken for usual: the edge itself, two windows to each side,
is the lesser part of them and does not move their median."""
BEYOND_PX = 20
"""Beyond the last radius so many pixels show the bench, for its texture."""
BLOCK_MM, ROW_MM = 1.0, 0.25
"""Rows are averaged to blocks that are longer than a thread of cloth, so that neighbours are
independent; four rows to one."""
END_MM = 0.8
"""Near its ends a rim runs into the shoulders' edges or a chamfer."""
LEAST_LIGHT = 0.3
"""Standard deviation of a block's mean, grey levels, that no texture falls below: rounding to whole
levels makes 1 / sqrt(12)."""
LEAST_SIGNIFICANCE, SURE_SIGNIFICANCE = 4.0, 8.0
"""Some hundred columns are looked at: white noise passes four standard deviations in one step of
a hundred. Texture is not white, so that twice as many are beyond doubt."""

MIRROR_SHARE, INSIDE_MM = 0.3, 1.0
"""Edges are looked for so far inside the radius that was found. A round mirror on the bench, seen
from above, shows the bench in its outermost 1 - cos 45 degrees: there is the innermost edge that is
taken for a rim, or a rim for it."""
OUTSIDE_SHARE, OUTSIDE_MM = 0.25, 2.0
"""And so far outside (no source: as far as rims were missed in rendered photos); of a step that
was overlooked as far outside the largest."""
LEAST_RADIUS_MM, MOST_OF_DISTANCE = 1.0, 0.4
"""A radius below that is a scratch's; a tool so thick for its distance fills the picture."""
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
        gap = np.where(np.abs(gap) < SETTLED_PX / STEP_PX * _column(view, axis, step), 0.0, gap)
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
    own = np.abs(read.radius_mm - step.radius_mm) < 2.0 * _column(view, axis, wide)
    found = replace(
        step,
        radius_mm=float(read.radius_mm[best]),
        aside_mm=float(read.middle_mm[best]),
        loss=float(read.cost[best]),
    )
    return found, float(np.min(read.cost[own], initial=NO_RIMS))


@dataclass(frozen=True, slots=True)
class _Readings:
    """Ways to read a step: radius, middle toward the first side, and cost, (m, n) or (n,)."""

    radius_mm: FloatArray
    middle_mm: FloatArray
    cost: FloatArray

    def about(self, k: int) -> _Readings:
        """Return those about one axis."""
        return _Readings(self.radius_mm[k], self.middle_mm[k], self.cost[k])


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
    low = about - MIRROR_SHARE * about - INSIDE_MM
    low = max(0.0 if step.overlooked else low, LEAST_RADIUS_MM)
    largest = max(other.radius_mm for other in steps) if step.overlooked else about
    high = largest + max(OUTSIDE_SHARE * largest, OUTSIDE_MM)
    high = min(
        high, MOST_OF_DISTANCE * float(np.linalg.norm(axis.at(z[0]) - view.camera_centre_mm))
    )
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
    step_px = COARSE_PX if step.overlooked else STEP_PX
    return step_px * float(np.linalg.norm(away)) / view.lens.focal_px


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
    return float(np.hypot(MISFIT_MM, _column(view, axis, step) if step.overlooked else 0.0))


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
