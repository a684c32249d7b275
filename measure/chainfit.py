"""Fit a chain of lines and arcs to rows: geometric least squares with joined ends.

A row sees only the segment that it lies on, and a tie only two neighbours: the normal equations
are banded, so the time grows with the number of segments and not with its cube.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import LinAlgError, solveh_banded

from measure.chain import Chain
from measure.chainequations import ChainProblem, Equations, Name, Tie

__all__ = ["ChainFit", "fit_chain", "is_sound", "put_numbers"]

FloatArray = NDArray[np.float64]

MOST_STEPS = 40
GAIN = 1e-2
"""A tenth of a standard deviation: nearer to the best fit no row can tell."""
RIDGE = 1e-10


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


def fit_chain(
    z: FloatArray,
    r: FloatArray,
    sigma: FloatArray,
    start: Chain,
    is_arc: NDArray[np.bool_],
    ties: tuple[Tie, ...] = (),
    held: int | None = None,
    gain: float = GAIN,
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
    gain : a step that could gain less, in squared standard deviations, is the last.
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
    numbers = {"z": start.z_mm, "r": start.r_mm, "bulge": start.bulge}
    x = np.array([numbers[what][k] for what, k in columns])
    problem = ChainProblem((z, r, sigma), columns, ties, count)
    base = Chain(start.z_mm, start.r_mm, np.where(is_arc, start.bulge, 0.0))
    chain = put_numbers(base, columns, x)
    here = problem.at(chain)
    damping = 1e-3
    for _ in range(MOST_STEPS):
        step = _step(here, damping)
        if step is not None and -float(here.gradient @ step) < gain:
            break
        trial = None if step is None else put_numbers(base, columns, x + step)
        if step is None or trial is None or not is_sound(trial):
            damping = max(damping * 10.0, 1e-3)
        else:
            there = problem.at(trial)
            if there.cost <= here.cost:
                x, chain, here = x + step, trial, there
                damping = max(damping * 0.1, 1e-9)
            else:
                damping *= 10.0
        if damping > 1e8:
            break
    return ChainFit(chain, ties, here.chi2, columns, here.normal)


def _step(here: Equations, damping: float) -> FloatArray | None:
    """Return the damped step, None where the equations cannot be solved."""
    band = here.normal.copy()
    band[-1] = band[-1] * (1.0 + damping) + 1e-12
    try:
        return -np.asarray(solveh_banded(band, here.gradient, check_finite=False))
    except LinAlgError:
        return None


def put_numbers(chain: Chain, columns: tuple[Name, ...], x: FloatArray) -> Chain:
    """Return the chain with the named numbers replaced; x (p,) as the columns say."""
    z, r, bulge = chain.z_mm.copy(), chain.r_mm.copy(), chain.bulge.copy()
    arrays = {"z": z, "r": r, "bulge": bulge}
    for (what, index), value in zip(columns, x, strict=True):
        arrays[what][index] = value
    return Chain(z, r, bulge)


def is_sound(chain: Chain) -> bool:
    """Say whether nodes are in order, no arc over half a circle and none across the axis."""
    return bool(
        np.all(np.diff(chain.z_mm) > 0.02)
        and np.all(np.abs(chain.bulge) <= 1.05)
        and np.all(chain.r_mm > -0.5)
    )
