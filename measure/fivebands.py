"""Symmetric equations whose matrix has five bands, solved one unknown after the other.

scipy has this, but takes longer to be imported than a trace takes to use it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["solved_bands"]

FloatArray = NDArray[np.float64]


def solved_bands(
    diagonal: FloatArray, first: FloatArray, second: FloatArray, right: FloatArray
) -> FloatArray:
    """Return x (n,) of A x = right for a positive definite A with five bands.

    A is made L D L', L with ones on its diagonal and two bands below [GolubVanLoan2013].

    Parameters
    ----------
    diagonal : (n,). `first`, `second` : (n - 1,) and (n - 2,) next to it, on both sides.
    """
    n = len(diagonal)
    a, b, c = diagonal.tolist(), [*first.tolist(), 0.0], [*second.tolist(), 0.0, 0.0]
    y = right.tolist()
    d, near, far = [0.0] * n, [0.0] * n, [0.0] * n
    # Of the one before and the one before that: pivot, and what it leaves on the two below it.
    d1 = d2 = near1 = far1 = far2 = y1 = y2 = 0.0
    for i in range(n):
        pivot = a[i] - d1 * near1 * near1 - d2 * far2 * far2
        below = (b[i] - d1 * near1 * far1) / pivot
        value = y[i] - near1 * y1 - far2 * y2
        d[i], near[i], far[i], y[i] = pivot, below, c[i] / pivot, value
        d2, d1, far2, far1, near1, y2, y1 = d1, pivot, far1, far[i], below, y1, value
    x1 = x2 = 0.0
    for i in range(n - 1, -1, -1):
        x = y[i] / d[i] - near[i] * x1 - far[i] * x2
        y[i], x2, x1 = x, x1, x
    return np.array(y, dtype=np.float64)
