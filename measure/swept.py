"""What a rotating cutter cuts: twice its largest reach from the axis of its shank.

Lengths in millimetres, angles in radians. The section of a step is looked at square to the
shank's axis; x is across the first photo (toward side a), y toward its camera. A photo of the
tool turned about its shank by t sees the direction at angle p where the first saw p - t.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

__all__ = ["TURN_SD_RAD", "Reading", "Swept", "swept_of"]

FloatArray = NDArray[np.float64]

TURN_SD_RAD = math.radians(5.0)
"""How well a tool is turned by hand to a stated angle, standard deviation (no source)."""
LEAST_SPREAD = 0.25
"""Two photos must look at the offset from directions that differ by at least 15 degrees (this
is its sine) or the component between them is not determined."""
COVERAGE = 1.96
CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Reading:
    """The two reaches of one step in one photo.

    Attributes
    ----------
    turned_rad : how far the tool was turned since the first photo.
    reach_a_mm, reach_b_mm : from the shank's axis, side a and side b.
    lean_rad : of the sides' normals toward the camera, as in `SideReach`.
    own_sd_mm : standard deviation of each reach, apart from what follows.
    axis_sd_mm : standard deviation of the shank's axis across the picture at this step; adds
        to one side what it takes from the other.
    scale_sd_mm : standard deviation that both sides share (scale, depth).
    """

    turned_rad: float
    reach_a_mm: float
    reach_b_mm: float
    lean_rad: float
    own_sd_mm: float
    axis_sd_mm: float
    scale_sd_mm: float


@dataclass(frozen=True, slots=True)
class Swept:
    """What a step cuts.

    Attributes
    ----------
    diameter_mm, u95_mm : the swept diameter and its 95 % half-width.
    is_lower_bound : whether a part of the offset could not be seen, so that it may cut more.
    offset_mm, offset_u95_mm : of the step's middle from the shank's axis, as far as seen.
    direction_rad : of the offset, in the section's frame; 0 if there is none.
    at_most_mm : most that it could cut where the photos show that its section is not round;
        `diameter_mm` is then the farthest reach seen. None where it shows itself round, and
        where one photo alone gives no upper limit.
    """

    diameter_mm: float
    u95_mm: float
    is_lower_bound: bool
    offset_mm: float
    offset_u95_mm: float
    direction_rad: float
    at_most_mm: float | None


def swept_of(readings: Sequence[Reading]) -> Swept:
    """Return what a step cuts, from one photo or from several of the tool turned.

    The reach in the direction n of a round section of radius r, offset by e, is r + e.n. Two
    directions that are not opposite fix r and both components of e (weighted least squares).
    Noise makes the length of an offset come out too long on average by its variance, which is
    taken off its square.

    Raises
    ------
    ValueError
        If there is no reading.
    """
    if not readings:
        raise ValueError("need at least one reading, got none")
    return _best_sense(readings) if _sees_both(readings) else _from_one_direction(readings)


def _sees_both(readings: Sequence[Reading]) -> bool:
    turns = [reading.turned_rad for reading in readings]
    spread = max(abs(math.sin(a - b)) for a in turns for b in turns)
    return spread >= LEAST_SPREAD


def _from_one_direction(readings: Sequence[Reading]) -> Swept:
    """Lower bound from photos that all look the same way: the offset across the picture."""
    design, reach, covariance = _system(readings)
    # Toward the camera there may be any offset; least squares without that column.
    solved, cov = _solve(design[:, :2], reach, covariance)
    radius, across = float(solved[0]), float(solved[1])
    offset = _unbiased(across**2, float(cov[1, 1]))
    slope = np.array([1.0, math.copysign(1.0, across)]) if offset > 0.0 else np.array([1.0, 0.0])
    offset_sd = math.sqrt(cov[1, 1])
    sd = math.sqrt(float(slope @ cov @ slope) + (0.0 if offset > 0.0 else cov[1, 1]))
    return Swept(
        diameter_mm=2.0 * (radius + offset),
        u95_mm=2.0 * COVERAGE * sd,
        is_lower_bound=True,
        offset_mm=offset,
        offset_u95_mm=COVERAGE * offset_sd,
        direction_rad=0.0 if across >= 0.0 else math.pi,
        at_most_mm=None,
    )


def _best_sense(readings: Sequence[Reading]) -> Swept:
    """Solve for both senses of turning and keep the one that fits.

    The turner says by how much the tool was turned, not which way; with two photos it makes no
    difference to the length of the offset, with more the photos decide.
    """
    senses = [
        [replace(reading, turned_rad=sense * reading.turned_rad) for reading in readings]
        for sense in (1.0, -1.0)
    ]
    fits = [_fit(turned) for turned in senses]
    best = 0 if fits[0][0] <= fits[1][0] else 1
    misfit, solved, cov, noise = fits[best]
    e = solved[1:]
    offset = _unbiased(float(e @ e), noise)
    direction = math.atan2(e[1], e[0])
    toward = np.array([math.cos(direction), math.sin(direction)])
    slope = np.concatenate([[1.0], toward])
    if misfit > chdtri(2 * len(readings) - 3, 1.0 - CONFIDENCE):
        return _not_round(senses[best])
    return Swept(
        diameter_mm=2.0 * (float(solved[0]) + offset),
        u95_mm=2.0 * COVERAGE * math.sqrt(float(slope @ cov @ slope)),
        is_lower_bound=False,
        offset_mm=offset,
        offset_u95_mm=COVERAGE * math.sqrt(float(toward @ cov[1:, 1:] @ toward)),
        direction_rad=direction if offset > 0.0 else 0.0,
        at_most_mm=None,
    )


def _fit(readings: Sequence[Reading]) -> tuple[float, FloatArray, FloatArray, float]:
    """Return the misfit (chi squared), the solution (r, ex, ey) and its covariance (3, 3).

    Last the variance of (ex, ey) from noise alone, mm squared: errors of the turning do not
    lengthen an offset on average, noise does.
    """
    design, reach, covariance = _system(readings)
    solved, of_noise = _solve(design, reach, covariance)
    # A hand's error in turning moves the reaches by e x n, opposite on the two sides.
    swing = TURN_SD_RAD * (design[:, 1] * solved[2] - design[:, 2] * solved[1])
    for i in range(1, len(readings)):
        pair = slice(2 * i, 2 * i + 2)
        covariance[pair, pair] += np.outer(swing[pair], swing[pair])
    solved, cov = _solve(design, reach, covariance)
    miss = reach - design @ solved
    return (
        float(miss @ np.linalg.solve(covariance, miss)),
        solved,
        cov,
        float(np.trace(of_noise[1:, 1:])),
    )


def _system(readings: Sequence[Reading]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return design (2k, 3) for (r, ex, ey), reaches (2k,) and their covariance (2k, 2k)."""
    rows, reach = [], []
    covariance = np.zeros((2 * len(readings), 2 * len(readings)))
    for i, reading in enumerate(readings):
        for side, lean in ((1.0, reading.lean_rad), (-1.0, reading.lean_rad)):
            angle = math.atan2(math.sin(lean), side * math.cos(lean))
            angle -= reading.turned_rad
            rows.append((1.0, math.cos(angle), math.sin(angle)))
        reach += [reading.reach_a_mm, reading.reach_b_mm]
        block = np.eye(2) * reading.own_sd_mm**2
        block += reading.scale_sd_mm**2
        block += np.array([[1.0, -1.0], [-1.0, 1.0]]) * reading.axis_sd_mm**2
        covariance[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] = block
    # Some noise of its own keeps exactly known readings solvable.
    return np.array(rows), np.array(reach), covariance + np.eye(len(reach)) * 1e-12


def _solve(
    design: FloatArray, reach: FloatArray, covariance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    weighted = np.linalg.solve(covariance, design)
    normal = np.linalg.inv(design.T @ weighted)
    return normal @ (weighted.T @ reach), normal


def _unbiased(square: float, variance: float) -> float:
    return math.sqrt(max(0.0, square - variance))


def _not_round(readings: Sequence[Reading]) -> Swept:
    """Return the farthest reach that was seen, and the most that the section could hide."""
    reaches = [
        (reach, reading, turn)
        for reading in readings
        for reach, turn in ((reading.reach_a_mm, 0.0), (reading.reach_b_mm, math.pi))
    ]
    reach, reading, turn = max(reaches, key=lambda item: item[0])
    sd = math.hypot(reading.own_sd_mm, reading.axis_sd_mm, reading.scale_sd_mm)
    return Swept(
        diameter_mm=2.0 * reach,
        u95_mm=2.0 * COVERAGE * sd,
        is_lower_bound=True,
        offset_mm=0.5 * abs(reading.reach_a_mm - reading.reach_b_mm),
        offset_u95_mm=COVERAGE * math.hypot(math.sqrt(0.5) * reading.own_sd_mm, reading.axis_sd_mm),
        direction_rad=turn - reading.turned_rad,
        at_most_mm=_at_most(readings),
    )


def _at_most(readings: Sequence[Reading]) -> float | None:
    """Return the most that a section which is not round could cut.

    The section lies within the strips that the photos show; no point of it is farther from the
    axis than the farthest corner of what is left.
    """
    corners = [
        corner
        for i, first in enumerate(readings)
        for second in readings[:i]
        for corner in _corners(first, second)
    ]
    inside = [corner for corner in corners if _inside(corner, readings)]
    return 2.0 * max(float(np.hypot(*corner)) for corner in inside) if inside else None


def _edges(reading: Reading) -> list[tuple[FloatArray, float]]:
    t = reading.turned_rad
    n = np.array([math.cos(t), -math.sin(t)])
    return [(n, reading.reach_a_mm), (-n, reading.reach_b_mm)]


def _corners(first: Reading, second: Reading) -> list[FloatArray]:
    found = []
    for n1, h1 in _edges(first):
        for n2, h2 in _edges(second):
            normals = np.array([n1, n2])
            if abs(np.linalg.det(normals)) >= LEAST_SPREAD:
                found.append(np.linalg.solve(normals, np.array([h1, h2])))
    return found


def _inside(corner: FloatArray, readings: Sequence[Reading]) -> bool:
    return all(n @ corner <= h + 1e-6 for reading in readings for n, h in _edges(reading))
