"""Cut a run of rows into the fewest lines and arcs that its noise supports."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Segment", "cut_run"]

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


def cut_run(z: FloatArray, r: FloatArray, sigma: FloatArray, log_rows: float) -> list[Segment]:
    """Return the cheapest cutting of a run without gaps and shoulders.

    The price is the sum of squared normal residuals over their variances, plus `log_rows` for
    each free number (Bayesian information criterion [Schwarz1978]): a line and the place of
    its cut cost 3, an arc and its cut 4. The optimum over all cuts is found exactly by
    dynamic programming [BellmanRoth1969].

    Parameters
    ----------
    z, r : (n,) rows, mm; z strictly increasing.
    sigma : (n,) standard deviation of the distance normal to the outline, mm.
    log_rows : natural logarithm of the number of rows that are fitted.

    Returns
    -------
    segments : in order; together they hold all rows. A run too short for a line is one line.
    """
    n = len(z)
    if n < LINE_ROWS + 1:
        return [Segment(0, n, False)]
    best = np.full(n + 1, np.inf)
    best[0] = 0.0
    came_from = np.zeros(n + 1, dtype=np.int64)
    by_arc = np.zeros(n + 1, dtype=bool)
    for i in _starts(z, r, sigma):
        if not np.isfinite(best[i]) or n - i < LINE_ROWS:
            continue
        line, arc = _costs(z[i:] - z[i], r[i:] - r[i], 1.0 / sigma[i:] ** 2)
        line = line + 3.0 * log_rows
        arc = arc + 4.0 * log_rows
        price = best[i] + np.minimum(line, arc)
        stops = np.arange(i + 1, n + 1)
        better = price < best[stops]
        best[stops[better]] = price[better]
        came_from[stops[better]] = i
        by_arc[stops[better]] = (arc < line)[better]
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
