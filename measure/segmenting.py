"""Cut a run of rows into the fewest lines and arcs that its noise supports."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Costs", "Segment", "cut_run", "run_costs"]

FloatArray = NDArray[np.float64]

LINE_ROWS = 3
ARC_ROWS = 5
MOST_STARTS = 800
"""Longer runs offer a cut only at every second, third ... row, and where they bend sharply."""


@dataclass(frozen=True, slots=True)
class Segment:
    """Rows start to stop - 1 of a run lie on one line or one arc."""

    start: int
    stop: int
    is_arc: bool


@dataclass(frozen=True, slots=True)
class Costs:
    """Squared normal residuals over their variances, of every line and arc through a run.

    Attributes
    ----------
    rows : how many the run has.
    starts : rows at which a segment may begin.
    line, arc : for each start i, (rows - i,) cost of rows i..j; infinite where too few.
    """

    rows: int
    starts: NDArray[np.int64]
    line: tuple[FloatArray, ...]
    arc: tuple[FloatArray, ...]


def run_costs(z: FloatArray, r: FloatArray, sigma: FloatArray) -> Costs:
    """Return what each possible segment of a run without gaps and shoulders leaves over.

    Parameters
    ----------
    z, r : (n,) rows, mm; z strictly increasing.
    sigma : (n,) standard deviation of the distance normal to the outline, mm.
    """
    starts = _starts(z, r, sigma)
    pairs = [_costs(z[i:] - z[i], r[i:] - r[i], 1.0 / sigma[i:] ** 2) for i in starts]
    return Costs(len(z), starts, tuple(p[0] for p in pairs), tuple(p[1] for p in pairs))


def cut_run(costs: Costs, price: float) -> list[Segment]:
    """Return the cheapest cutting of a run.

    What is made least is the sum of the squared residuals plus `price` for each free number: a
    line and the place of its cut have 3, an arc and its cut 4. With the logarithm of the
    number of rows as price that is the Bayesian information criterion [Schwarz1978]. The
    optimum over all cuts is found exactly by dynamic programming [BellmanRoth1969].

    Returns
    -------
    segments : in order; together they hold all rows. A run too short for a line is one line.
    """
    n = costs.rows
    if n < LINE_ROWS + 1:
        return [Segment(0, n, False)]
    best = np.full(n + 1, np.inf)
    best[0] = 0.0
    came_from = np.zeros(n + 1, dtype=np.int64)
    by_arc = np.zeros(n + 1, dtype=bool)
    for i, line, arc in zip(costs.starts, costs.line, costs.arc, strict=True):
        if not np.isfinite(best[i]) or n - i < LINE_ROWS:
            continue
        straight, bent = line + 3.0 * price, arc + 4.0 * price
        total = best[i] + np.minimum(straight, bent)
        better = total < best[i + 1 :]
        best[i + 1 :][better] = total[better]
        came_from[i + 1 :][better] = i
        by_arc[i + 1 :][better] = (bent < straight)[better]
    segments: list[Segment] = []
    stop = n
    while stop > 0:
        start = int(came_from[stop])
        segments.append(Segment(start, stop, bool(by_arc[stop])))
        stop = start
    return segments[::-1]


def _starts(z: FloatArray, r: FloatArray, sigma: FloatArray) -> NDArray[np.int64]:
    n = len(z)
    step = int(np.ceil(n / MOST_STARTS))
    chosen = np.zeros(n, dtype=bool)
    chosen[::step] = True
    if step > 1:
        bend = np.zeros(n)
        bend[1:-1] = np.abs(np.diff(r, 2)) / (sigma[1:-1] * np.sqrt(6.0))
        sharp = np.nonzero(bend > 4.0)[0]
        for shift in (-1, 0, 1):
            chosen[np.clip(sharp + shift, 0, n - 1)] = True
    return np.nonzero(chosen)[0]


def _costs(x: FloatArray, y: FloatArray, w: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the squared residuals of a line and of an arc through rows 0..j, for every j.

    The arc is the linear least-squares circle, its residuals divided by the gradient 2 R; the
    steps that follow refine it geometrically. Where a fit is impossible the cost is infinite.
    """
    q = x * x + y * y
    total = np.cumsum(w)
    mx, my, mq = (np.cumsum(w * a) / total for a in (x, y, q))

    def moment(a: FloatArray, b: FloatArray, ma: FloatArray, mb: FloatArray) -> FloatArray:
        return np.asarray(np.cumsum(w * a * b) - total * ma * mb)

    xx, xy, yy = moment(x, x, mx, mx), moment(x, y, mx, my), moment(y, y, my, my)
    xq, yq, qq = moment(x, q, mx, mq), moment(y, q, my, mq), moment(q, q, mq, mq)
    index = np.arange(1, len(x) + 1)
    # Orthogonal line: the smaller eigenvalue of the scatter matrix.
    spread = np.sqrt(np.maximum((0.5 * (xx - yy)) ** 2 + xy**2, 0.0))
    line = np.maximum(0.5 * (xx + yy) - spread, 0.0)
    line[index < LINE_ROWS] = np.inf
    det = xx * yy - xy**2
    with np.errstate(divide="ignore", invalid="ignore"):
        a = 0.5 * (xq * yy - yq * xy) / det
        b = 0.5 * (yq * xx - xq * xy) / det
        radius = np.sqrt((mx - a) ** 2 + (my - b) ** 2 + (xx + yy) / total)
        arc = np.maximum(qq - 2.0 * a * xq - 2.0 * b * yq, 0.0) / (4.0 * radius**2)
        # One value of r for each z: the rows must lie between the circle's two ends.
        slack = 0.3
        inside = (x[0] >= a - radius - slack) & (x <= a + radius + slack)
    good = inside & np.isfinite(arc) & (det > 1e-12 * (xx * xx + yy * yy)) & (index >= ARC_ROWS)
    return line, np.where(good, arc, np.inf)
