"""What the error of z means beside a step: the row may be of the step's other side."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["steps_within"]

FloatArray = NDArray[np.float64]


def steps_within(diameter_mm: FloatArray, reach_mm: FloatArray, grid_mm: float) -> FloatArray:
    """Return by how much the diameter changes within reach of each row, (n,) mm.

    Parameters
    ----------
    diameter_mm : (n,) of evenly spaced rows, NaN where nothing was seen. Such a stretch may step
        anywhere from the diameter on one side of it to that on the other.
    reach_mm : (n,) how far along the axis each row may really be.
    grid_mm : spacing of the rows.

    Returns
    -------
    (n,), 0 where a row was not seen or nothing changes within its reach.
    """
    n = len(diameter_mm)
    seen = np.flatnonzero(np.isfinite(diameter_mm))
    most = np.zeros(n)
    if len(seen) == 0:
        return most
    rows = np.arange(n)
    before = seen[np.clip(np.searchsorted(seen, rows, side="right") - 1, 0, None)]
    after = seen[np.clip(np.searchsorted(seen, rows), None, len(seen) - 1)]
    sides = np.stack([diameter_mm[before], diameter_mm[after]])
    for k in range(1, int(reach_mm.max() / grid_mm) + 1):
        within = reach_mm >= k * grid_mm
        for way in (k, -k):
            there = sides[:, np.clip(rows + way, 0, n - 1)]
            change = np.max(np.abs(there - diameter_mm), axis=0)
            most = np.where(within, np.maximum(most, np.nan_to_num(change)), most)
    return most
