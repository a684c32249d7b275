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
from measure.rimoutline import RimOutline
from measure.shoulders import shoulders_of
from measure.steps import Step
from measure.unknowns import rim_bias

__all__ = [
    "LEAST_TAPER",
    "SIDE_SD_PX",
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
SIDE_SD_PX = 0.65
"""How far the rim of one side is off at one end of a step, standard deviation, by itself: what
moves the middle between two rims, and turns it. Of 28 photos of tools whose rims left no choice
the middles of steps lay off the shank's axis as by 0.67, of 12 others as by 1.06 (rendered)."""
ASIDE_SD_MM = 0.2
"""How far a step may lie beside the common axis, standard deviation: `TRUE_SD_MM` of most and
`BENT_SD_MM` of one in five, as rims are chosen."""
LEAST_POINTS = 8
LEAST_NOISE_MM = 0.01
LEAST_TAPER = 3.0
"""A taper is believed when it is this many times its standard deviation, over the step."""


@dataclass(frozen=True, slots=True)
class SolvedStep:
    """One step, mm; z in the axis' own count, `at_from` and `at_to` its diameters there.

    `sd_mm` is the standard deviation of its diameter apart from the common part; `taper` its
    change of diameter per length in standard deviations, believed or not; `from_sd_mm` and
    `to_sd_mm` are the standard deviations of its ends; `of` says which step of the outline.
    """

    of: int
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
    """Return the steps a side of which is seen, in order along the axis.

    Without `with_common` their common standard deviation is 0, and it takes a tenth of the time.
    """
    scale = _scale(solved)
    here = _lines(found, solved, solved.x, scale)
    kept = [k for k, line in enumerate(here) if line is not None]
    if not kept:
        return ()
    gradient = np.zeros((len(kept), len(solved.x)))
    moved_radii = []
    for j, h in enumerate(solved.steps if with_common else ()):
        x = solved.x.copy()
        x[j] += h
        moved = _lines(found, solved, x, scale)
        moved = [line if there is None else there for line, there in zip(here, moved, strict=True)]
        gradient[:, j] = [(_level(moved[k]) - _level(here[k])) / h for k in kept]
        moved_radii.append(_larger_radii(moved))
    common = np.sqrt(np.sum(gradient @ solved.covariance * gradient, axis=1))
    places = shoulders_of(found, solved, _larger_radii(here), _outward(here), moved_radii)
    steps = []
    for row, k in enumerate(kept):
        line = here[k]
        assert line is not None
        z_from, z_to = places.z_mm[k], places.z_mm[k + 1]
        steps.append(
            SolvedStep(
                k,
                z_from,
                z_to,
                line.at(z_from),
                line.at(z_to),
                line.sd,
                float(common[row]),
                line.taper,
                places.sd_mm[k],
                places.sd_mm[k + 1],
            )
        )
    return tuple(steps)


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


def _level(line: _Line | None) -> float:
    return 0.0 if line is None else line.level


def _larger_radii(lines: Sequence[_Line | None]) -> FloatArray:
    """Return the radius of the larger of the steps that meet at each place, (n + 1,) mm."""
    radii = [0.5 * _level(line) for line in lines]
    return np.maximum([0.0, *radii], [*radii, 0.0])


def _scale(solved: Estimate) -> float:
    """Return the size of a pixel at the axis, mm."""
    away = solved.axis.at(0.0) - solved.view.camera_centre_mm
    return float(np.linalg.norm(away)) / solved.view.lens.focal_px


def _outward(lines: Sequence[_Line | None]) -> list[float]:
    """Return on which side of each place the smaller step lies, +1 that of rising z, else -1."""
    levels = [_level(line) for line in lines]
    return [
        1.0 if before > after else -1.0
        for before, after in zip([0.0, *levels], [*levels, 0.0], strict=True)
    ]


def _lines(found: RimOutline, solved: Estimate, x: FloatArray, scale: float) -> list[_Line | None]:
    lines: list[_Line | None] = []
    rays = solved_rays(found, solved, x)
    for a, b, step in zip(*rays, found.steps, strict=True):
        seen = [side for side in (a, b) if len(side.z_mm) >= LEAST_POINTS]
        if not seen:
            lines.append(None)
            continue
        low = max(float(side.z_mm.min()) for side in seen)
        high = min(float(side.z_mm.max()) for side in seen)
        middle = 0.5 * (low + high)
        level, slope, variance, turn = 0.0, 0.0, (2.0 * step.doubt_mm) ** 2, 0.0
        share = 2.0 / len(seen)
        if len(seen) == 1:
            # One side alone says as much of what the step is off the axis as of its radius.
            variance += (2.0 * ASIDE_SD_MM) ** 2
        for side in seen:
            value, tilt, spread, tilt_variance = _side_line(side, middle)
            level += share * value
            slope += share * tilt
            variance += share**2 * (spread + (RIM_SD_PX * scale) ** 2)
            turn += share**2 * tilt_variance
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
