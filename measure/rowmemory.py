"""How the noise of a row goes on in the next rows, learnt from what a fit leaves over."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["LONGEST_ROWS", "Memory", "memory_of"]

FloatArray = NDArray[np.float64]

LONGEST_ROWS = 24
"""6 mm: what a row remembers longer is the shape of the piece."""
ROWS_A_WEIGHT = 20
"""So many rows at least for each weight that is learnt."""
LEAST_VARIANCE = 0.01
"""No row is believed more than ten times better than it claims."""
OWN_SHARE = 0.05
"""At least this share of a row's variance is its own: a lens blurs corners that a chain draws
sharp, and rows that seemed to foretell each other exactly would hang on that alone."""


@dataclass(frozen=True, slots=True)
class Memory:
    """Each row foretold from those before it.

    Attributes
    ----------
    predictors : for 0, 1, 2 ... rows that lie before it, their weights, the nearest first.
    sd : (as many,) what is then left of a row, in the row's own standard deviations.
    """

    predictors: tuple[FloatArray, ...]
    sd: FloatArray

    def whitened(self, rows: FloatArray) -> FloatArray:
        """Return what is new in each row over its standard deviation, along the first axis.

        Of rows (n, m) that are slopes this is what independent rows would have for slopes.
        """
        last = self.predictors[-1]
        new = np.array(rows, dtype=np.float64)
        for lag, weight in enumerate(last[: len(rows)], start=1):
            new[lag:] -= weight * rows[:-lag]
        new /= self.sd[-1]
        for i in range(min(len(last), len(rows))):
            told = self.predictors[i] @ rows[:i][::-1]
            new[i] = (rows[i] - told) / self.sd[i]
        return new


def memory_of(runs: list[FloatArray]) -> Memory:
    """Return the memory of the residuals of runs, each over its row's standard deviation.

    Autoregression by the recursion of Levinson and Durbin [BoxJenkins], as long as
    [Schwarz1978] finds the further weight worth it.
    """
    n = max(sum(len(e) for e in runs), 1)
    most = min(LONGEST_ROWS, n // ROWS_A_WEIGHT)
    products = [
        sum(float(e[lag:] @ e[: len(e) - lag]) for e in runs if len(e) > lag) / n
        for lag in range(most + 1)
    ]
    together = np.array(products)
    together[0] = max(together[0], LEAST_VARIANCE) * (1.0 + OWN_SHARE)
    weights, left = np.zeros(0), float(together[0])
    steps = [(weights, left)]
    for k in range(1, most + 1):
        new = float(together[k] - weights @ together[1:k][::-1]) / left
        weights = np.concatenate([weights - new * weights[::-1], [new]])
        left *= 1.0 - new**2
        steps.append((weights, left))
    prices = [n * np.log(v) + k * np.log(n) for k, (_, v) in enumerate(steps)]
    kept = steps[: int(np.argmin(prices)) + 1]
    return Memory(tuple(w for w, _ in kept), np.sqrt([v for _, v in kept]))
