"""Fit a chain of lines and arcs to rows: geometric least squares with joined ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.chain import Chain, directions, signed_distance

__all__ = ["ChainFit", "Tie", "fit_chain"]

FloatArray = NDArray[np.float64]
Tie = tuple[str, int]
"""('level', segment): equal diameters at both its ends; ('tangent', joint): no corner there."""

TIE_WEIGHT = 1e4
"""A tie is a residual of 1e-4 mm or radian per standard deviation: firm, yet well conditioned."""
MOST_STEPS = 40


@dataclass(frozen=True, slots=True)
class ChainFit:
    """A fitted run.

    Attributes
    ----------
    chain : its nodes and bulges.
    ties : the ties that it obeys.
    chi2 : sum of squared residuals over their variances, ties left out.
    free : how many free numbers it has, ties taken off.
    covariance : (p, p) of the free numbers, in the order of `columns`.
    columns : ('z'|'r'|'bulge', index) of each free number.
    """

    chain: Chain
    ties: tuple[Tie, ...]
    chi2: float
    free: int
    covariance: FloatArray
    columns: tuple[tuple[str, int], ...]

    def criterion(self, log_rows: float) -> float:
        """Return the Bayesian information criterion; smaller is better supported."""
        return self.chi2 + self.free * log_rows


def fit_chain(
    z: FloatArray,
    r: FloatArray,
    sigma: FloatArray,
    start: Chain,
    is_arc: NDArray[np.bool_],
    ties: tuple[Tie, ...] = (),
) -> ChainFit:
    """Return the chain with the least squared normal distances from the rows.

    The first and last node keep their z; all other nodes, all r and the bulges of arcs are
    free. Levenberg's and Marquardt's damping, derivatives by differences (five suffice, since
    a row sees only the segment that it lies on).

    Parameters
    ----------
    z, r, sigma : (n,) rows without gap or shoulder, and the standard deviation of their
        distance normal to the outline, mm.
    start : chain to start from.
    is_arc : (segments,) which of them may bend.
    ties : see `Tie`.
    """
    count = len(is_arc)
    columns = (
        *(("z", k) for k in range(1, count)),
        *(("r", k) for k in range(count + 1)),
        *(("bulge", k) for k in range(count) if is_arc[k]),
    )
    place = {name: i for i, name in enumerate(columns)}
    x = np.array([_get(start, name) for name in columns])
    base = Chain(start.z_mm, start.r_mm, np.where(is_arc, start.bulge, 0.0))
    chain = _put(base, columns, x)
    residual, jacobian = _linearise(z, r, sigma, chain, place, ties)
    cost, damping = float(residual @ residual), 1e-3
    for _ in range(MOST_STEPS):
        normal = jacobian.T @ jacobian
        gradient = jacobian.T @ residual
        scale = np.diag(normal) + 1e-12
        step = -np.linalg.solve(normal + damping * np.diag(scale), gradient)
        if -float(gradient @ step) < 1e-4:  # what the step could still gain, in variances
            break
        trial = _put(base, columns, x + step)
        if not _sound(trial):
            damping = max(damping * 10.0, 1e-3)
        else:
            new_residual, new_jacobian = _linearise(z, r, sigma, trial, place, ties)
            new_cost = float(new_residual @ new_residual)
            if new_cost <= cost:
                x, chain, residual, jacobian, cost = (
                    x + step,
                    trial,
                    new_residual,
                    new_jacobian,
                    new_cost,
                )
                damping = max(damping * 0.1, 1e-9)
            else:
                damping *= 10.0
        if damping > 1e8:
            break
    normal = jacobian.T @ jacobian
    ridge = 1e-10 * np.diag(np.diag(normal) + 1e-12)
    rows = residual[: len(z)]
    return ChainFit(
        chain,
        ties,
        float(rows @ rows),
        len(columns) - len(ties),
        np.asarray(np.linalg.inv(normal + ridge)),
        columns,
    )


def _get(chain: Chain, name: tuple[str, int]) -> float:
    values = {"z": chain.z_mm, "r": chain.r_mm, "bulge": chain.bulge}[name[0]]
    return float(values[name[1]])


def _put(chain: Chain, columns: tuple[tuple[str, int], ...], x: FloatArray) -> Chain:
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


def _linearise(
    z: FloatArray,
    r: FloatArray,
    sigma: FloatArray,
    chain: Chain,
    place: dict[tuple[str, int], int],
    ties: tuple[Tie, ...],
) -> tuple[FloatArray, FloatArray]:
    segment = np.clip(np.searchsorted(chain.z_mm, z, side="right") - 1, 0, len(chain.bulge) - 1)
    local = [
        chain.z_mm[segment],
        chain.r_mm[segment],
        chain.z_mm[segment + 1],
        chain.r_mm[segment + 1],
        chain.bulge[segment],
    ]
    distance = signed_distance(z, r, (local[0], local[1]), (local[2], local[3]), local[4])
    residual = np.concatenate([distance / sigma, np.zeros(len(ties))])
    jacobian = np.zeros((len(residual), len(place)))
    rows = np.arange(len(z))
    width = len(place)
    for slot, (what, offset) in enumerate((("z", 0), ("r", 0), ("z", 1), ("r", 1), ("bulge", 0))):
        nudged = list(local)
        nudged[slot] = local[slot] + 1e-6
        moved = signed_distance(z, r, (nudged[0], nudged[1]), (nudged[2], nudged[3]), nudged[4])
        column = np.array([place.get((what, k + offset), width) for k in range(len(chain.bulge))])[
            segment
        ]
        free = column < width
        slope = (moved - distance) / 1e-6 / sigma
        jacobian[rows[free], column[free]] += slope[free]
    for row, tie in enumerate(ties, start=len(z)):
        value, slopes = tie_value(chain, tie)
        residual[row] = value * TIE_WEIGHT
        for name, slope_of in slopes:
            if name in place:
                jacobian[row, place[name]] = slope_of * TIE_WEIGHT
    return residual, jacobian


def tie_value(chain: Chain, tie: Tie) -> tuple[float, list[tuple[tuple[str, int], float]]]:
    """Return how far a chain is from obeying a tie, and its derivatives."""
    kind, k = tie
    if kind == "level":
        return float(chain.r_mm[k + 1] - chain.r_mm[k]), [(("r", k + 1), 1.0), (("r", k), -1.0)]
    if kind == "straight":
        return float(chain.bulge[k]), [(("bulge", k), 1.0)]
    value = _corner(chain, k)
    slopes = []
    for name in (
        ("z", k - 1),
        ("z", k),
        ("z", k + 1),
        ("r", k - 1),
        ("r", k),
        ("r", k + 1),
        ("bulge", k - 1),
        ("bulge", k),
    ):
        moved = _put(chain, (name,), np.array([_get(chain, name) + 1e-6]))
        slopes.append((name, (_corner(moved, k) - value) / 1e-6))
    return value, slopes


def _corner(chain: Chain, k: int) -> float:
    """Return the angle by which the outline turns at joint k, radians."""
    part = slice(k - 1, k + 2)
    starts, ends = directions(chain.z_mm[part], chain.r_mm[part], chain.bulge[k - 1 : k + 1])
    return float(starts[1] - ends[0])
