"""How oval a piece is at each place, from its diameters seen from several sides.

Wood moves: a round that has dried is an oval. Seen from the side turned by phi, an ellipse with
largest and smallest diameters a and b is w wide, w^2 = (a^2 + b^2) / 2 + (a^2 - b^2) / 2 *
cos 2 (phi - alpha) [Feret1930]: a second harmonic in w^2, exactly, with three unknowns. Three
sides fix it; two give no more than a lower bound of a - b.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

__all__ = ["FEWEST_SIDES", "LEAST_APART_RAD", "Ovality", "at_least", "fit_ovality", "sides_seen"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

FEWEST_SIDES = 3
LEAST_APART_RAD = np.deg2rad(8.0)
"""Sides nearer than this, half a turn being none, count as one."""
CHANCE = 0.05
"""How often a round piece may be called oval."""


@dataclass(frozen=True, slots=True)
class Ovality:
    """Ovals at n places, mm and radians; arrays of shape (n,).

    Attributes
    ----------
    largest_mm, smallest_mm : diameters of the oval.
    mean_mm, mean_u95_mm : half their sum, and the half-width of its 95 % interval.
    size_mm, size_u95_mm : largest less smallest, and the half-width of its 95 % interval.
    widest_rad : turn, 0 to pi, at which the photo sees the largest diameter.
    widest_u95_rad : half-width of its 95 % interval, at most pi / 2: nothing is known.
    found : whether the oval stands out of the noise at 95 %; else size and turn mean nothing.
    """

    largest_mm: FloatArray
    smallest_mm: FloatArray
    mean_mm: FloatArray
    mean_u95_mm: FloatArray
    size_mm: FloatArray
    size_u95_mm: FloatArray
    widest_rad: FloatArray
    widest_u95_rad: FloatArray
    found: BoolArray


def sides_seen(turned_rad: FloatArray) -> int:
    """Return how many sides the turns (m,) show that differ; half a turn shows the same again."""
    kept: list[float] = []
    for turn in np.asarray(turned_rad, dtype=np.float64):
        away = [abs((turn - other + np.pi / 2.0) % np.pi - np.pi / 2.0) for other in kept]
        if all(a >= LEAST_APART_RAD for a in away):
            kept.append(float(turn))
    return len(kept)


def fit_ovality(
    turned_rad: FloatArray, diameter_mm: FloatArray, u95_mm: FloatArray, chance: float = CHANCE
) -> Ovality:
    """Return the ovals that least squares of the second harmonic give.

    Parameters
    ----------
    turned_rad : (m,) how far the piece was turned before each photo, all the same way round.
    diameter_mm, u95_mm : (m, n) what each photo saw at each of n places, and the half-width of
        its 95 % interval; errors of different photos are taken as independent.
    chance : how often noise alone may be `found`, at one place.

    Raises
    ------
    ValueError
        If the shapes do not fit, or fewer than three sides were seen.

    References
    ----------
    [Feret1930] for the width of a section; [ISO4291] for the second harmonic as ovality.
    """
    turned = np.asarray(turned_rad, dtype=np.float64)
    width, u95 = np.asarray(diameter_mm, dtype=np.float64), np.asarray(u95_mm, dtype=np.float64)
    if width.ndim != 2 or width.shape != u95.shape or len(turned) != len(width):
        raise ValueError(
            f"got shapes {turned.shape}, {width.shape}, {u95.shape}; need (m,), (m, n)"
        )
    if sides_seen(turned) < FEWEST_SIDES:
        raise ValueError(f"{sides_seen(turned)} sides were seen; an oval takes three")
    model = np.column_stack([np.ones_like(turned), np.cos(2.0 * turned), np.sin(2.0 * turned)])
    weight = 1.0 / (2.0 * width * np.maximum(u95, 1e-6) / 1.96) ** 2
    normal = np.einsum("mi,mn,mj->nij", model, weight, model)
    covariance = np.linalg.inv(normal)
    right = np.einsum("mi,mn->ni", model, weight * width**2)
    level, c, s = np.einsum("nij,nj->ni", covariance, right).T
    return _ovals(level, c, s, covariance, chance)


def _ovals(
    level: FloatArray, c: FloatArray, s: FloatArray, covariance: FloatArray, chance: float
) -> Ovality:
    swing = np.minimum(np.hypot(c, s), 0.999 * level)
    largest, smallest = np.sqrt(level + swing), np.sqrt(level - swing)
    safe = np.maximum(np.hypot(c, s), 1e-12)
    by_swing = np.column_stack([np.zeros_like(c), c / safe, s / safe])
    by_level = np.broadcast_to(np.array([1.0, 0.0, 0.0]), by_swing.shape)
    big, small = (0.5 / v[:, None] for v in (largest, smallest))
    size_way = (big - small) * by_level + (big + small) * by_swing
    mean_way = 0.5 * ((big + small) * by_level + (big - small) * by_swing)
    across = np.column_stack([np.zeros_like(c), -s, c]) / safe[:, None] ** 2
    both = np.stack([c, s], axis=1)
    surprise = np.einsum("ni,nij,nj->n", both, np.linalg.inv(covariance[:, 1:, 1:]), both)
    turn_u95 = np.minimum(0.5 * 1.96 * _sd(across, covariance), np.pi / 2.0)
    return Ovality(
        largest_mm=largest,
        smallest_mm=smallest,
        mean_mm=0.5 * (largest + smallest),
        mean_u95_mm=1.96 * _sd(mean_way, covariance),
        size_mm=largest - smallest,
        size_u95_mm=1.96 * _sd(size_way, covariance),
        widest_rad=(0.5 * np.arctan2(s, c)) % np.pi,
        widest_u95_rad=turn_u95,
        # Chi-square with two degrees of freedom exceeds -2 ln p with probability p.
        found=np.asarray(surprise > -2.0 * np.log(chance)),
    )


def _sd(way: FloatArray, covariance: FloatArray) -> FloatArray:
    return np.asarray(np.sqrt(np.maximum(np.einsum("ni,nij,nj->n", way, covariance, way), 0.0)))


def at_least(diameter_mm: FloatArray, u95_mm: FloatArray, chance: float = CHANCE) -> FloatArray:
    """Return a lower bound, (n,), of largest less smallest diameter, one-sided.

    It holds for any section, oval or not: some two of its diameters differ by so much.

    Parameters
    ----------
    diameter_mm, u95_mm : (m, n) as in `fit_ovality`, two photos or more.
    chance : how often it may claim too much, for any one pair of photos.
    """
    width, sd = np.asarray(diameter_mm), np.asarray(u95_mm) / 1.96
    if len(width) < 2:
        raise ValueError(f"got {len(width)} photo, need two or more to compare")
    high, low = width.argmax(axis=0), width.argmin(axis=0)
    at = np.arange(width.shape[1])
    # The two farthest apart of several are picked: each pair has had its chance.
    pairs = 0.5 * len(width) * (len(width) - 1)
    sigmas = -float(ndtri(chance / (2.0 * pairs)))
    noise = np.hypot(sd[high, at], sd[low, at])
    return np.asarray(np.maximum(width[high, at] - width[low, at] - sigmas * noise, 0.0))
