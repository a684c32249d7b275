"""Fit a chain of lines and arcs to rows: geometric least squares with joined ends.

A row sees only the segment that it lies on, and a tie only two neighbours: the normal equations
are banded, so the time grows with the number of segments and not with its cube.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import LinAlgError, solveh_banded

from measure.chain import Chain, signed_distance

__all__ = ["ChainFit", "Tie", "fit_chain", "tie_value"]

FloatArray = NDArray[np.float64]
Name = tuple[str, int]
Tie = tuple[str, int]
"""('level', segment): equal diameters at both its ends; ('tangent', joint): no corner there;
('straight', segment): no bow."""

TIE_WEIGHT = 1e4
"""A tie is a residual of 1e-4 mm or radian per standard deviation: firm, yet well conditioned."""
MOST_STEPS = 40
GAIN = 1e-4
"""A step that could gain less than this, in squared standard deviations, is the last."""
RIDGE = 1e-10
SLOTS = (("z", 0), ("r", 0), ("z", 1), ("r", 1), ("bulge", 0))
"""The numbers that a segment's distance depends on: of its two nodes, and its bulge."""


@dataclass(frozen=True, slots=True)
class ChainFit:
    """A fitted run.

    Attributes
    ----------
    chain : its nodes and bulges.
    ties : the ties that it obeys.
    chi2 : sum of squared residuals over their variances, ties left out.
    columns : ('z'|'r'|'bulge', index) of each free number, along the chain.
    normal : (band + 1, p) upper diagonals of the normal matrix, as in `solveh_banded`.
    """

    chain: Chain
    ties: tuple[Tie, ...]
    chi2: float
    columns: tuple[Name, ...]
    normal: FloatArray

    @property
    def free(self) -> int:
        """How many free numbers it has, ties taken off."""
        return len(self.columns) - len(self.ties)

    def criterion(self, price: float) -> float:
        """Return the squared residuals and the price of the free numbers; smaller is better."""
        return self.chi2 + self.free * price

    def variances(self, slopes: FloatArray) -> FloatArray:
        """Return the variance of linear forms of the free numbers; slopes (p, m), out (m,)."""
        if not self.columns or not slopes.size:
            return np.zeros(slopes.shape[1])
        band = self.normal.copy()
        band[-1] = band[-1] * (1.0 + RIDGE) + 1e-12
        solved = solveh_banded(band, slopes, check_finite=False)
        return np.asarray(np.sum(slopes * solved, axis=0))


@dataclass(frozen=True, slots=True)
class _Equations:
    """Normal equations about a chain; `chi2` of the rows, `cost` with the ties."""

    chi2: float
    cost: float
    gradient: FloatArray
    normal: FloatArray


def fit_chain(
    z: FloatArray,
    r: FloatArray,
    sigma: FloatArray,
    start: Chain,
    is_arc: NDArray[np.bool_],
    ties: tuple[Tie, ...] = (),
    held: int | None = None,
) -> ChainFit:
    """Return the chain with the least squared normal distances from the rows.

    The first and last node keep their z; all other nodes, all r and the bulges of arcs are
    free. Damped as by Levenberg and Marquardt [Marquardt1963], derivatives by differences.

    Parameters
    ----------
    z, r, sigma : (n,) rows without gap or shoulder, and the standard deviation of their
        distance normal to the outline, mm.
    start : chain to start from.
    is_arc : (segments,) which of them may bend.
    ties : see `Tie`.
    held : a node that keeps its z too, or None.
    """
    count = len(is_arc)
    columns = tuple(
        (what, k)
        for k in range(count + 1)
        for what, free in (
            ("z", 0 < k < count and k != held),
            ("r", True),
            ("bulge", k < count and is_arc[k]),
        )
        if free
    )
    x = np.array([_get(start, name) for name in columns])
    base = Chain(start.z_mm, start.r_mm, np.where(is_arc, start.bulge, 0.0))
    chain = _put(base, columns, x)
    here = _equations(z, r, sigma, chain, columns, ties)
    damping = 1e-3
    for _ in range(MOST_STEPS):
        step = _step(here, damping)
        if step is not None and -float(here.gradient @ step) < GAIN:
            break
        trial = None if step is None else _put(base, columns, x + step)
        if step is None or trial is None or not _sound(trial):
            damping = max(damping * 10.0, 1e-3)
        else:
            there = _equations(z, r, sigma, trial, columns, ties)
            if there.cost <= here.cost:
                x, chain, here = x + step, trial, there
                damping = max(damping * 0.1, 1e-9)
            else:
                damping *= 10.0
        if damping > 1e8:
            break
    return ChainFit(chain, ties, here.chi2, columns, here.normal)


def _step(here: _Equations, damping: float) -> FloatArray | None:
    """Return the damped step, None where the equations cannot be solved."""
    band = here.normal.copy()
    band[-1] = band[-1] * (1.0 + damping) + 1e-12
    try:
        return -np.asarray(solveh_banded(band, here.gradient, check_finite=False))
    except LinAlgError:
        return None


def _get(chain: Chain, name: Name) -> float:
    values = {"z": chain.z_mm, "r": chain.r_mm, "bulge": chain.bulge}[name[0]]
    return float(values[name[1]])


def _put(chain: Chain, columns: tuple[Name, ...], x: FloatArray) -> Chain:
    z, r, bulge = chain.z_mm.copy(), chain.r_mm.copy(), chain.bulge.copy()
    arrays = {"z": z, "r": r, "bulge": bulge}
    for (what, index), value in zip(columns, x, strict=True):
        arrays[what][index] = value
    return Chain(z, r, bulge)


def _sound(chain: Chain) -> bool:
    return bool(
        np.all(np.diff(chain.z_mm) > 0.02)
        and np.all(np.abs(chain.bulge) <= 1.05)
        and np.all(chain.r_mm > -0.5)
    )


def _equations(
    z: FloatArray,
    r: FloatArray,
    sigma: FloatArray,
    chain: Chain,
    columns: tuple[Name, ...],
    ties: tuple[Tie, ...],
) -> _Equations:
    count = len(chain.bulge)
    segment = np.clip(np.searchsorted(chain.z_mm, z, side="right") - 1, 0, count - 1)
    residual, slopes = _residuals(z, r, sigma, chain, segment)
    place = {name: i for i, name in enumerate(columns)}
    column = np.array([[place.get((what, k + o), -1) for k in range(count)] for what, o in SLOTS])
    band = _Band(len(columns))
    for a in range(len(SLOTS)):
        pull = np.bincount(segment, slopes[a] * residual, count)
        free = column[a] >= 0
        np.add.at(band.gradient, column[a][free], pull[free])
        for b in range(a, len(SLOTS)):
            both = free & (column[b] >= 0)
            product = np.bincount(segment, slopes[a] * slopes[b], count)
            band.add(column[a][both], column[b][both], product[both])
    chi2 = float(residual @ residual)
    cost = chi2
    for tie in ties:
        value, own = tie_value(chain, tie)
        own = [(name, slope) for name, slope in own if name in place]
        at = np.array([place[name] for name, _ in own], dtype=np.int64)
        slope = TIE_WEIGHT * np.array([s for _, s in own])
        cost += (value * TIE_WEIGHT) ** 2
        np.add.at(band.gradient, at, slope * value * TIE_WEIGHT)
        i, j = np.triu_indices(len(at))
        band.add(at[i], at[j], slope[i] * slope[j])
    return _Equations(chi2, cost, band.gradient, band.normal)


class _Band:
    """Gradient and upper diagonals of a symmetric matrix, added up entry by entry."""

    WIDTH = 9
    """Numbers of three neighbouring nodes and two bulges between them: 9 in a row."""

    def __init__(self, size: int) -> None:
        self.gradient = np.zeros(size)
        self.normal = np.zeros((min(self.WIDTH, size), size))

    def add(self, a: NDArray[np.int64], b: NDArray[np.int64], value: FloatArray) -> None:
        """Add values at (a, b) of the matrix; off the diagonal each pair is given once."""
        i, j = np.minimum(a, b), np.maximum(a, b)
        np.add.at(self.normal, (len(self.normal) - 1 + i - j, j), value)


def _residuals(
    z: FloatArray, r: FloatArray, sigma: FloatArray, chain: Chain, segment: NDArray[np.int64]
) -> tuple[FloatArray, list[FloatArray]]:
    """Return normal distances over sigma and their derivatives by each of `SLOTS`."""
    local = [
        chain.z_mm[segment],
        chain.r_mm[segment],
        chain.z_mm[segment + 1],
        chain.r_mm[segment + 1],
        chain.bulge[segment],
    ]
    distance = signed_distance(z, r, (local[0], local[1]), (local[2], local[3]), local[4])
    slopes = []
    for slot in range(len(SLOTS)):
        nudged = list(local)
        nudged[slot] = local[slot] + 1e-6
        moved = signed_distance(z, r, (nudged[0], nudged[1]), (nudged[2], nudged[3]), nudged[4])
        slopes.append((moved - distance) / 1e-6 / sigma)
    return distance / sigma, slopes


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
    values = [_get(chain, name) for name in names]
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
