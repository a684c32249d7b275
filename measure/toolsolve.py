"""The steps of a tool from its rims and the joint estimate of camera and axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.fit import Estimate
from measure.lineruns import fit_line
from measure.mating import COVERAGE
from measure.profile import GRID_MM, Profile
from measure.reach import SideReach, reach_over
from measure.revolve import Axis
from measure.rimoutline import RimOutline
from measure.steps import Step
from measure.unknowns import rim_bias

__all__ = [
    "LEAST_TAPER",
    "RIM_SD_PX",
    "SolvedStep",
    "solved_profile",
    "solved_rays",
    "solved_steps",
    "step_of",
]

FloatArray = NDArray[np.float64]

RIM_SD_PX = 0.25
"""How far a rim of steel as a whole is off, standard deviation, beside the bias that all share:
it mirrors what happens to lie beside it. Measured on rendered photos."""
LEAST_POINTS = 8
LEAST_NOISE_MM = 0.01
LEAST_SLOPE = 0.15
"""Points of a shoulder's edge that would move by less of z than this tell nothing of z."""
LEAST_TAPER = 3.0
"""A taper is believed when it is this many times its standard deviation, over the step."""
CHAMFER_MM = 1.2
FARTHEST_EDGE_MM = 4.0
EDGE_SD_MM, SEEN_SHARE = 0.3, 0.1
"""How well the plane of a shoulder is found, standard deviation, and the share of the half-length
of its ellipse that it is off besides. Measured on rendered photos."""
LOOSE_EDGE_MM = 0.5
"""Points of a shoulder's edge that scatter more over z belong to something else."""


@dataclass(frozen=True, slots=True)
class SolvedStep:
    """One step, mm; z in the axis' own count, `at_from` and `at_to` its diameters there.

    `sd_mm` is the standard deviation of its diameter apart from the common part; `taper` its
    change of diameter per length in standard deviations, believed or not; `from_sd_mm` and
    `to_sd_mm` are the standard deviations of its ends.
    """

    z_from_mm: float
    z_to_mm: float
    at_from_mm: float
    at_to_mm: float
    sd_mm: float
    common_sd_mm: float
    taper: float
    from_sd_mm: float
    to_sd_mm: float


def step_of(solved: SolvedStep, start_mm: float) -> Step:
    """Return a step as the table has it; `start_mm` is the z that becomes 0."""
    common = COVERAGE * solved.common_sd_mm
    return Step(
        from_mm=solved.z_from_mm - start_mm,
        to_mm=solved.z_to_mm - start_mm,
        from_u95_mm=COVERAGE * solved.from_sd_mm,
        to_u95_mm=COVERAGE * solved.to_sd_mm,
        diameter_mm=max(solved.at_from_mm, solved.at_to_mm),
        u95_mm=float(np.hypot(COVERAGE * solved.sd_mm, common)),
        u95_common_mm=common,
        start_mm=solved.at_from_mm,
        end_mm=solved.at_to_mm,
    )


def solved_rays(
    found: RimOutline, solved: Estimate, x: FloatArray
) -> tuple[list[SideReach], list[SideReach]]:
    """Return the reaches of all rims at a parameter vector, across side and other side."""
    view, axis = solved.layout.view_of(x), solved.layout.axis_of(x)
    bias = solved.layout.bias_of(x)
    sides: list[list[SideReach]] = [[], []]
    for pair in found.on_rims:
        for k, (sign, index) in enumerate(zip((1.0, -1.0), pair, strict=True)):
            clear = index[found.outline.clear[index]]
            side = np.full(len(found.outline.points_px), sign)
            points = rim_bias(found.outline, side, bias)[clear]
            sides[k].append(reach_over(view.camera_centre_mm, view.rays(points), axis))
    return sides[0], sides[1]


def solved_steps(
    found: RimOutline, solved: Estimate, with_common: bool = True
) -> tuple[SolvedStep, ...]:
    """Return the steps both sides of which are seen, in order along the axis.

    Without `with_common` their common standard deviation is 0, and it takes a tenth of the time.
    """
    scale = _scale(solved)
    here = _lines(found, solved, solved.x, scale)
    kept = [k for k, line in enumerate(here) if line is not None]
    if not kept:
        return ()
    gradient = np.zeros((len(kept), len(solved.x)))
    for j, h in enumerate(solved.steps if with_common else ()):
        x = solved.x.copy()
        x[j] += h
        moved = _lines(found, solved, x, scale)
        was = [_level(here[k], 0.0) for k in kept]
        there = [_level(moved[k], level) for k, level in zip(kept, was, strict=True)]
        gradient[:, j] = (np.array(there) - was) / h
    common = np.sqrt(np.sum(gradient @ solved.covariance * gradient, axis=1))
    places, edge_sd = _places(found, solved, here)
    steps = []
    for row, k in enumerate(kept):
        line = here[k]
        assert line is not None
        z_from, z_to = places[k], places[k + 1]
        steps.append(
            SolvedStep(
                z_from,
                z_to,
                line.at(z_from),
                line.at(z_to),
                line.sd,
                float(common[row]),
                line.taper,
                edge_sd[k],
                edge_sd[k + 1],
            )
        )
    return tuple(steps)


def _edge_sd(solved: Estimate, z: float, radius: float, seen: bool) -> float:
    """Return the standard deviation of the place where steps meet or end, mm.

    Seen from aslant the edge of a shoulder is an ellipse that reaches past the ends of both rims.
    Where it was not seen the whole half-length of the ellipse is taken for the limit of a
    rectangular distribution; where it was, a share of that: the rest of the camera's error.
    """
    sight = solved.axis.at(z) - solved.view.camera_centre_mm
    along = float(sight @ solved.axis.direction)
    across = float(np.sqrt(max(float(sight @ sight) - along**2, 1e-9)))
    half = radius * abs(along) / across
    return float(np.hypot(EDGE_SD_MM, half * (SEEN_SHARE if seen else 1.0 / np.sqrt(3.0))))


@dataclass(frozen=True, slots=True)
class _Line:
    """Diameter over z of one step: level at `middle` and slope; `low`, `high` its outermost z."""

    level: float
    slope: float
    middle: float
    low: float
    high: float
    sd: float
    taper: float

    def at(self, z: float) -> float:
        return self.level + self.slope * (z - self.middle)


def _level(line: _Line | None, otherwise: float) -> float:
    return otherwise if line is None else line.level


def _scale(solved: Estimate) -> float:
    """Return the size of a pixel at the axis, mm."""
    away = solved.axis.at(0.0) - solved.view.camera_centre_mm
    return float(np.linalg.norm(away)) / solved.view.lens.focal_px


def _lines(found: RimOutline, solved: Estimate, x: FloatArray, scale: float) -> list[_Line | None]:
    lines: list[_Line | None] = []
    rays = solved_rays(found, solved, x)
    for a, b, step in zip(*rays, found.steps, strict=True):
        if min(len(a.z_mm), len(b.z_mm)) < LEAST_POINTS:
            lines.append(None)
            continue
        low, high = max(a.z_mm.min(), b.z_mm.min()), min(a.z_mm.max(), b.z_mm.max())
        middle = 0.5 * (low + high)
        level, slope, variance, turn = 0.0, 0.0, (2.0 * step.doubt_mm) ** 2, 0.0
        for side in (a, b):
            value, tilt, spread, tilt_variance = _side_line(side, middle)
            level += value
            slope += tilt
            variance += spread + (RIM_SD_PX * scale) ** 2
            turn += tilt_variance
        taper = slope / float(np.sqrt(turn))
        slope = slope if abs(taper) >= LEAST_TAPER else 0.0
        lines.append(_Line(level, slope, middle, low, high, float(np.sqrt(variance)), taper))
    return lines


def _side_line(side: SideReach, middle: float) -> tuple[float, float, float, float]:
    """Return reach at `middle`, its slope, and their variances."""
    z, r = side.z_mm, side.reach_mm
    noise = max(float(np.median(np.abs(np.diff(r)))) / 0.6745 / np.sqrt(2.0), LEAST_NOISE_MM)
    spread = max(float(np.median(np.abs(r - np.median(r)))) / 0.6745, noise)
    value, slope, weights = fit_line(z, r, spread)
    # Points are averaged along the rim: about eight of them count as one.
    count = max(float(weights.sum()) / 8.0, 1.0)
    residual = r - value - slope * (z - z.mean())
    scatter = max(float(np.sqrt(np.mean((weights * residual) ** 2))), noise)
    run = max(float(np.var(z)), 1e-6)
    # A rim that waves is off by its waves: what one end says of the other counts for little.
    tilt_variance = scatter**2 / count / run + (0.5 * scatter / np.sqrt(12.0 * run)) ** 2
    return value + slope * (middle - float(z.mean())), slope, scatter**2 / count, tilt_variance


def _places(
    found: RimOutline, solved: Estimate, lines: Sequence[_Line | None]
) -> tuple[list[float], list[float]]:
    """Return z of each place where steps meet or end, as it was where it is not seen, and the
    standard deviation of its distance from the first."""
    places: list[float] = []
    sds: list[float] = []
    last = len(lines)
    for place in range(last + 1):
        was = found.places_mm[place]
        beside = [lines[k] for k in (place - 1, place) if 0 <= k < last]
        radius = max((0.5 * line.level for line in beside if line is not None), default=0.0)
        seen_at = None
        if radius > 0.0:
            seen_at = _edge_plane(found, solved, place, radius, was, place in (0, last))
        places.append(was if seen_at is None else seen_at)
        own = _edge_sd(solved, places[-1], radius, seen_at is not None)
        # The first place is z = 0: what it is off, all others are.
        sds.append(float(np.hypot(own, sds[0])) if sds else own)
    return list(np.maximum.accumulate(places)), sds


def _edge_plane(
    found: RimOutline, solved: Estimate, place: int, radius: float, guess: float, at_end: bool
) -> float | None:
    """Return z of the plane in which the edge of a shoulder lies; None if it is not seen.

    The edge is a circle of the larger step's radius; each of its points lies where its ray is
    that far from the axis. At an end the edge may be broken by a chamfer, so there the radius
    is found with it.
    """
    index = found.between[place]
    index = index[found.outline.clear[index]]
    if len(index) < LEAST_POINTS:
        return None
    camera, axis = solved.view.camera_centre_mm, solved.axis
    rays = solved.view.rays(found.outline.points_px[index])
    chamfers = np.arange(0.0, CHAMFER_MM + 0.01, 0.1) if at_end else np.zeros(1)
    best: tuple[float, float] | None = None
    for chamfer in chamfers:
        z, slope = _plane_of_each(camera, rays, axis, radius - chamfer, guess)
        good = (np.abs(slope) > LEAST_SLOPE) & (np.abs(z - guess) < FARTHEST_EDGE_MM)
        if good.sum() < LEAST_POINTS:
            continue
        middle = float(np.median(z[good]))
        weights = np.minimum(np.abs(slope[good]), 3.0)
        away = np.minimum(np.abs(z[good] - middle), 1.0)
        spread = float(np.sum(weights * away) / np.sum(weights))
        if best is None or spread < best[0]:
            near = good & (np.abs(z - middle) < 0.8)
            if near.sum() < LEAST_POINTS // 2:
                continue
            square = np.minimum(np.abs(slope[near]), 3.0) ** 2
            best = (spread, float(np.sum(square * z[near]) / np.sum(square)))
    return None if best is None or best[0] > LOOSE_EDGE_MM else best[1]


def _plane_of_each(
    camera: FloatArray, rays: FloatArray, axis: Axis, radius: float, guess: float
) -> tuple[FloatArray, FloatArray]:
    """Return, for each ray, the z at which it is `radius` from the axis, and how fast that is."""
    z, slope = np.full(len(rays), guess), np.ones(len(rays))
    for _ in range(6):
        off = _distance(camera, rays, axis, z) - radius
        slope = (_distance(camera, rays, axis, z + 0.05) - radius - off) / 0.05
        z = z - np.clip(off / np.where(np.abs(slope) < 1e-3, 1e-3, slope), -2.0, 2.0)
    return z, slope


def _distance(camera: FloatArray, rays: FloatArray, axis: Axis, z: FloatArray) -> FloatArray:
    """Return how far from the axis each ray crosses its plane of z, (n,)."""
    foot = axis.at(z)
    s = ((foot - camera) @ axis.direction) / (rays @ axis.direction)
    return np.asarray(np.linalg.norm(camera + s[:, None] * rays - foot, axis=1))


def solved_profile(steps: Sequence[SolvedStep]) -> Profile:
    """Return the profile of the steps, z = 0 at the first one's start.

    Rows stand on the grid; those so near to a shoulder or an end that they may lie past it are
    left out.
    """
    start = steps[0].z_from_mm
    rows: list[tuple[float, float, float, float]] = []
    for step in steps:
        low, high = step.z_from_mm - start, step.z_to_mm - start
        first = np.ceil(low / GRID_MM - 1e-9)
        places = list(np.arange(first, np.floor(high / GRID_MM + 1e-9) + 1.0) * GRID_MM)
        sure = [
            z
            for z in places
            if low + COVERAGE * step.from_sd_mm <= z <= high - COVERAGE * step.to_sd_mm
        ]
        if len(sure) < len(places):
            # What may belong to the neighbour is not a row; the middle stands for a short step.
            places = sure or [min(places, key=lambda z: abs(2.0 * z - low - high))]
        slope = (step.at_to_mm - step.at_from_mm) / max(high - low, 1e-9)
        common = COVERAGE * step.common_sd_mm
        u95 = float(np.hypot(COVERAGE * step.sd_mm, common))
        rows += [(float(z), step.at_from_mm + slope * (z - low), u95, common) for z in places]
    z, d, u95_mm, common_mm = np.array(rows).reshape(-1, 4).T
    return Profile(z, d, u95_mm, common_mm)
