"""A bead, cove or shoulder that is told of one piece only: does the other lack it?"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from measure.judge import OUTSIDE, WITHIN, agreed, verdicts
from measure.landmarks import EDGE_MM, row_slopes
from measure.profile import LONGEST_BRIDGE_MM, Profile

__all__ = ["AS_HERE", "LACKING", "OPEN", "UNSEEN", "answer"]

FloatArray = NDArray[np.float64]

UNSEEN, AS_HERE, LACKING, OPEN = "unseen", "as here", "lacking", "open"
"""The other piece does not show that stretch; has the same outline there, whatever it is called;
has another outline; has one that may be the same or not."""

_BESIDE_A_SHOULDER_MM = 1.0
_LEVEL = 0.25
"""Slope |dr/dz| up to which diameters of two pieces can be held against each other."""


def answer(
    own: Profile,
    other: Profile,
    to_other: Callable[[FloatArray], FloatArray],
    to_own: Callable[[FloatArray], FloatArray],
    top: int,
    least_mm: float,
    shoulder: bool,
    place_u95_mm: float,
    parts: tuple[float, float],
    limit_mm: float,
) -> str:
    """Return what the other piece shows where `own` has a feature.

    Parameters
    ----------
    own, other : both profiles; `to_other` takes z of the one to z of the other, `to_own` back.
    top : row of `own` of the crest, hollow or shoulder.
    least_mm : on the diameter; what stands out by less is no feature. The stretch that must be
        seen to tell reaches as far as the feature stands out by it.
    place_u95_mm : how well the two are laid on each other.
    parts : what part of u95 counts in a difference, for each.
    limit_mm : differences of diameter up to this are alike.
    """
    rows = _stretch(own, top, least_mm, shoulder)
    z = to_other(own.z_mm[rows])
    if _hidden(other, float(np.min(z)), float(np.max(z))):
        return UNSEEN
    diameter = np.interp(z, other.z_mm, other.diameter_mm)
    difference = diameter - own.diameter_mm[rows]
    slope = np.maximum(row_slopes(own)[rows], np.interp(z, other.z_mm, row_slopes(other)))
    u95 = np.sqrt(
        (parts[0] * own.u95_mm[rows]) ** 2
        + (parts[1] * np.interp(z, other.z_mm, other.u95_mm)) ** 2
        + (2.0 * slope * place_u95_mm) ** 2
    )
    limit = np.full(len(rows), limit_mm)
    beyond = (np.abs(difference) - limit) / np.maximum(u95, 1e-9)
    found = agreed(verdicts(difference, u95, limit, limit), difference, own.z_mm[rows], beyond)
    # Beside a step the rows of one may be of its other side on the other.
    steps = np.concatenate([_steps(own, own.z_mm), _steps(other, to_own(other.z_mm))])
    apart = np.min(np.abs(own.z_mm[rows][:, None] - steps), axis=1, initial=np.inf)
    judged = apart > place_u95_mm + EDGE_MM
    if np.any(found[judged] == OUTSIDE):
        return LACKING
    # On a slope a diameter depends on how well the two are laid on each other.
    level = judged & (slope <= _LEVEL)
    return AS_HERE if np.any(level) and np.all(found[level] == WITHIN) else OPEN


def _stretch(own: Profile, top: int, least_mm: float, shoulder: bool) -> NDArray[np.int64]:
    """Return the rows, of one run without a gap, on which the feature is told by."""
    run = next(piece for piece in own.pieces() if piece.start <= top < piece.stop)
    if shoulder:
        rows = np.arange(run.start, run.stop)
        near = np.abs(own.z_mm[rows] - own.z_mm[top]) <= _BESIDE_A_SHOULDER_MM
        return np.asarray(rows[near])
    low = high = top
    level = own.diameter_mm[top]
    while low > run.start and abs(own.diameter_mm[low] - level) < least_mm:
        low -= 1
    while high < run.stop - 1 and abs(own.diameter_mm[high] - level) < least_mm:
        high += 1
    return np.arange(low, high + 1)


def _steps(profile: Profile, z_mm: FloatArray) -> FloatArray:
    """Return z, as given for its rows, of the shoulders of a profile."""
    return np.asarray(z_mm[:-1][np.diff(profile.z_mm) == 0.0])


def _hidden(other: Profile, low_mm: float, high_mm: float) -> bool:
    """Return whether some of the stretch was not seen, wider than readers bridge."""
    inside = other.z_mm[(other.z_mm > low_mm) & (other.z_mm < high_mm)]
    steps = np.diff(np.concatenate([[low_mm], inside, [high_mm]]))
    ends = low_mm < other.z_mm[0] - LONGEST_BRIDGE_MM, high_mm > other.z_mm[-1] + LONGEST_BRIDGE_MM
    return any(ends) or bool(np.any(steps > LONGEST_BRIDGE_MM + 1e-9))
