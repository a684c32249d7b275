"""Cut a row of values into the fewest straight runs that its noise supports."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = ["LineRun", "fit_line", "line_runs", "scatter"]

FloatArray = NDArray[np.float64]

HUBER = 1.345
"""Huber's constant, in standard deviations: 95 % efficient on normal noise [Huber1981]."""


@dataclass(frozen=True, slots=True)
class LineRun:
    """Rows start to stop - 1 lie on y = value + slope (x - middle)."""

    start: int
    stop: int
    middle: float
    value: float
    slope: float

    def at(self, x: float) -> float:
        """Return the line's value at x."""
        return self.value + self.slope * (x - self.middle)


def scatter(y: FloatArray) -> float:
    """Return the standard deviation of white noise on y, blind to lines and to single steps.

    Median absolute second difference, scaled for normal noise; y has shape (n,), n >= 3.
    """
    if len(y) < 3:
        raise ValueError(f"need at least 3 values, got {len(y)}")
    return float(np.median(np.abs(np.diff(y, 2))) / (0.6745 * np.sqrt(6.0)))


def line_runs(
    x: FloatArray, y: FloatArray, sigma: float, joints: NDArray[np.int64]
) -> list[LineRun]:
    """Return the cheapest cutting of the rows into straight runs, not joined to each other.

    The price is the sum of squared residuals over sigma squared plus 3 log n for each run
    (Bayesian information criterion [Schwarz1978]: two numbers of the line and its end);
    the optimum over all cuttings is found exactly by dynamic programming [BellmanRoth1969].

    Parameters
    ----------
    x, y : (n,) rows; x does not decrease.
    sigma : standard deviation of the noise of y, positive.
    joints : (m,) rows, as indices, at which a run must begin (a gap, a shoulder).

    Returns
    -------
    runs : in order; together they hold all rows.
    """
    n = len(x)
    if len(y) != n or n == 0 or not sigma > 0.0:
        raise ValueError(f"need n > 0 rows and sigma > 0, got {n}, {len(y)} rows, sigma {sigma}")
    price_of_run = 3.0 * np.log(max(n, 2))
    sums = _Sums(x - x.mean(), y - y.mean())
    best = np.full(n + 1, np.inf)
    best[0] = 0.0
    came_from = np.zeros(n + 1, dtype=np.int64)
    first = 0
    forced = {int(j) for j in joints}
    for stop in range(1, n + 1):
        starts = np.arange(first, stop)
        price = best[starts] + sums.residual(starts, stop) / sigma**2 + price_of_run
        k = int(np.argmin(price))
        best[stop], came_from[stop] = price[k], starts[k]
        if stop in forced:
            first = stop
    cuts = [n]
    while cuts[-1] > 0:
        cuts.append(int(came_from[cuts[-1]]))
    cuts.reverse()
    return [_run(x, y, a, b) for a, b in pairwise(cuts)]


def fit_line(x: FloatArray, y: FloatArray, sigma: float) -> tuple[float, float, FloatArray]:
    """Fit y = value + slope (x - mean of x), outliers weighted down (Huber).

    Returns
    -------
    value, slope : of the line; the slope is 0 if all x are equal.
    weights : (n,) final weights, 1 for rows that agree, below for those that do not.
    """
    u = x - x.mean()
    level = float(np.median(y))
    weights = np.minimum(1.0, HUBER * sigma / np.maximum(np.abs(y - level), 1e-12))
    if np.ptp(u) > 0.0 and len(x) >= 4:
        weights = np.ones_like(y)
    value, slope = level, 0.0
    for _ in range(30):
        w = weights / weights.sum()
        centre = float(w @ u)
        spread = float(w @ (u - centre) ** 2)
        tilt = float(w @ ((u - centre) * y)) / spread if spread > 1e-12 and len(x) >= 2 else 0.0
        level = float(w @ y) - tilt * centre
        if abs(level - value) < 1e-9 and abs(tilt - slope) < 1e-9:
            break
        value, slope = level, tilt
        residual = np.abs(y - value - slope * u)
        weights = np.minimum(1.0, HUBER * sigma / np.maximum(residual, 1e-12))
    return value, slope, weights


class _Sums:
    """Running sums that give the residual of a line over any rows at once."""

    def __init__(self, x: FloatArray, y: FloatArray) -> None:
        def running(v: FloatArray) -> FloatArray:
            return np.concatenate([[0.0], np.cumsum(v)])

        self.x, self.y = running(x), running(y)
        self.xx, self.xy, self.yy = running(x * x), running(x * y), running(y * y)

    def residual(self, starts: NDArray[np.int64], stop: int) -> FloatArray:
        """Return the sum of squared residuals of rows start to stop - 1, for each start."""
        n = (stop - starts).astype(np.float64)
        x, y = self.x[stop] - self.x[starts], self.y[stop] - self.y[starts]
        xx = self.xx[stop] - self.xx[starts] - x * x / n
        xy = self.xy[stop] - self.xy[starts] - x * y / n
        yy = self.yy[stop] - self.yy[starts] - y * y / n
        steep = np.divide(xy * xy, xx, out=np.zeros_like(xx), where=xx > 1e-9)
        return np.asarray(np.maximum(yy - steep, 0.0))


def _run(x: FloatArray, y: FloatArray, start: int, stop: int) -> LineRun:
    part, values = x[start:stop], y[start:stop]
    middle = float(part.mean())
    spread = float(np.sum((part - middle) ** 2))
    slope = float(np.sum((part - middle) * values)) / spread if spread > 1e-9 else 0.0
    return LineRun(start, stop, middle, float(values.mean()), slope)
