"""The normal equations of a chain of lines and arcs: banded, summed segment by segment."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from measure.chain import Chain, signed_distance

__all__ = ["ChainProblem", "Equations", "Name", "Tie", "tie_value"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Name = tuple[str, int]
Tie = tuple[str, int]
"""('level', segment): equal diameters at both its ends; ('tangent', joint): no corner there;
('straight', segment): no bow."""

TIE_WEIGHT = 1e4
"""A tie is a residual of 1e-4 mm or radian per standard deviation: firm, yet well conditioned."""
SLOTS = (("z", 0), ("r", 0), ("z", 1), ("r", 1), ("bulge", 0))
"""The numbers that a segment's distance depends on: of its two nodes, and its bulge."""
FIRST, SECOND = np.triu_indices(len(SLOTS))
NUDGE = 1e-6
WIDEST = 9
"""Numbers of three neighbouring nodes and two bulges between them: so wide is a tie's band."""


@dataclass(frozen=True, slots=True)
class Equations:
    """Normal equations about a chain.

    Attributes
    ----------
    chi2, cost : squared residuals over their variances, without and with the ties.
    gradient : (p,) half the slope of the cost.
    normal : (band + 1, p) upper diagonals, as in `scipy.linalg.solveh_banded`.
    """

    chi2: float
    cost: float
    gradient: FloatArray
    normal: FloatArray


class ChainProblem:
    """Rows, free numbers and ties; where each sum goes is worked out once.

    Parameters
    ----------
    rows : z, r, sigma (n,) each, z increasing; the standard deviation of their distance, mm.
    columns : the free numbers, in the order along the chain.
    ties : see `Tie`.
    count : of segments.
    """

    def __init__(
        self,
        rows: tuple[FloatArray, FloatArray, FloatArray],
        columns: tuple[Name, ...],
        ties: tuple[Tie, ...],
        count: int,
    ) -> None:
        """Work out where the sums of each segment go."""
        self.z, self.r, self.sigma = rows
        self.columns, self.ties, self.count = columns, ties, count
        size = len(columns)
        self._place = {name: i for i, name in enumerate(columns)}
        self._shape = (min(WIDEST, size), size)
        column = np.array(
            [[self._place.get((what, k + o), -1) for k in range(count)] for what, o in SLOTS]
        )
        # What belongs to no free number is summed into one cell more, and dropped.
        self._pull_at = np.where(column >= 0, column, size).ravel()
        free = (column[FIRST] >= 0) & (column[SECOND] >= 0)
        cells = self._cell(column[FIRST], column[SECOND])
        self._pair_at = np.where(free, cells, size * self._shape[0]).ravel()

    def _cell(self, a: IntArray, b: IntArray) -> IntArray:
        low, high = np.minimum(a, b), np.maximum(a, b)
        return np.asarray((self._shape[0] - 1 + low - high) * self._shape[1] + high)

    def at(self, chain: Chain) -> Equations:
        """Return the equations about a chain."""
        residual, slopes, starts = self._residuals(chain)
        both = np.vstack([slopes, residual])
        sums = np.empty((len(SLOTS) + 1, len(SLOTS) + 1, self.count))
        for k, (a, b) in enumerate(pairwise([*starts.tolist(), len(self.z)])):
            part = both[:, a:b]
            sums[:, :, k] = part @ part.T
        size = self._shape[0] * self._shape[1]
        pairs, pulls = sums[FIRST, SECOND].ravel(), sums[:-1, -1].ravel()
        cells = np.bincount(self._pair_at, pairs, size + 1)[:-1]
        normal = np.asarray(cells.reshape(self._shape), dtype=np.float64)
        gradient = np.bincount(self._pull_at, pulls, self._shape[1] + 1)[:-1].astype(np.float64)
        chi2 = float(residual @ residual)
        return Equations(chi2, chi2 + self._tie(chain, gradient, normal), gradient, normal)

    def _tie(self, chain: Chain, gradient: FloatArray, normal: FloatArray) -> float:
        """Add the ties to gradient and matrix, in place; return what they cost."""
        cost = 0.0
        for tie in self.ties:
            value, slopes = tie_value(chain, tie)
            own = [(self._place[name], slope) for name, slope in slopes if name in self._place]
            at = np.array([i for i, _ in own], dtype=np.int64)
            slope = TIE_WEIGHT * np.array([s for _, s in own])
            cost += (value * TIE_WEIGHT) ** 2
            gradient[at] += slope * value * TIE_WEIGHT
            i, j = np.triu_indices(len(at))
            normal.ravel()[self._cell(at[i], at[j])] += slope[i] * slope[j]
        return cost

    def dense(self, chain: Chain) -> tuple[FloatArray, FloatArray]:
        """Return distances over sigma (n,) and their slopes by the free numbers (n, p)."""
        value, slopes, starts = self._residuals(chain)
        matrix = np.zeros((len(value), len(self.columns)))
        for k, (a, b) in enumerate(pairwise([*starts.tolist(), len(self.z)])):
            for (what, o), own in zip(SLOTS, slopes, strict=True):
                place = self._place.get((what, k + o))
                if place is not None:
                    matrix[a:b, place] = own[a:b]
        return value, matrix

    def dense_ties(self, chain: Chain) -> tuple[FloatArray, FloatArray]:
        """Return what the ties are off over their sigma (t,) and its slopes (t, p)."""
        values, slopes = np.zeros(len(self.ties)), np.zeros((len(self.ties), len(self.columns)))
        for i, tie in enumerate(self.ties):
            value, own = tie_value(chain, tie)
            values[i] = TIE_WEIGHT * value
            for name, slope in own:
                if name in self._place:
                    slopes[i, self._place[name]] = TIE_WEIGHT * slope
        return values, slopes

    def _residuals(self, chain: Chain) -> tuple[FloatArray, FloatArray, IntArray]:
        """Return distances over sigma (n,), their slopes (5, n), first row of each segment."""
        starts = np.concatenate([[0], np.searchsorted(self.z, chain.z_mm[1:-1])])
        segment = np.repeat(np.arange(self.count), np.diff(starts, append=len(self.z)))
        local = np.array(
            [
                chain.z_mm[segment],
                chain.r_mm[segment],
                chain.z_mm[segment + 1],
                chain.r_mm[segment + 1],
                chain.bulge[segment],
            ]
        )
        # The first of six rows as it is, in each other one number nudged.
        z0, r0, z1, r1, bulge = local[:, None, :] + NUDGE * np.eye(len(SLOTS), 6, 1)[:, :, None]
        distance = signed_distance(self.z, self.r, (z0, r0), (z1, r1), bulge)
        slopes = (distance[1:] - distance[0]) / (NUDGE * self.sigma)
        return distance[0] / self.sigma, slopes, starts


def tie_value(chain: Chain, tie: Tie) -> tuple[float, list[tuple[Name, float]]]:
    """Return how far a chain is from obeying a tie, and its derivatives."""
    kind, k = tie
    if kind == "level":
        return float(chain.r_mm[k + 1] - chain.r_mm[k]), [(("r", k + 1), 1.0), (("r", k), -1.0)]
    if kind == "straight":
        return float(chain.bulge[k]), [(("bulge", k), 1.0)]
    names: list[Name] = [
        ("z", k - 1), ("z", k), ("z", k + 1), ("r", k - 1), ("r", k), ("r", k + 1),
        ("bulge", k - 1), ("bulge", k),
    ]  # fmt: skip
    numbers = {"z": chain.z_mm, "r": chain.r_mm, "bulge": chain.bulge}
    values = [float(numbers[what][i]) for what, i in names]
    value = _corner(values)
    slopes = []
    for i, name in enumerate(names):
        moved = [v + 1e-6 if j == i else v for j, v in enumerate(values)]
        slopes.append((name, (_corner(moved) - value) / 1e-6))
    return value, slopes


def _corner(values: list[float]) -> float:
    """Return the angle by which the outline turns at the middle one of three nodes, radians."""
    z0, z1, z2, r0, r1, r2, b0, b1 = values
    before = math.atan2(r1 - r0, z1 - z0) - 2.0 * math.atan(b0)
    return math.atan2(r2 - r1, z2 - z1) + 2.0 * math.atan(b1) - before
