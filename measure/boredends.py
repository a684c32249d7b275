"""Where a bore leaves through an end: rows of the end's face, whose rim is no wall."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["MOUTH_MM", "end_rows"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MOUTH_MM = 12.0
"""A bore may open in the rounding of the end that it leaves by, this far from the end."""
STEEPEST = 1.0
"""An outline that falls faster than 45 degrees is nearer to an end's face than to a side."""
HALF_CHORD_MM = 0.5
"""The slope is that of the chord over this much to both sides, since rows carry noise."""


def end_rows(height_mm: FloatArray, outside_mm: FloatArray, bore_mm: FloatArray) -> BoolArray:
    """Return which rows, (n,), belong to the face of an end that a bore leaves through.

    From such an end inward as long as the bore is wider than the outline, or the outline falls
    toward the end faster than 45 degrees: across the axis there is little wood, but beyond it
    lies the mouth that is meant. Rows that were not seen lie between.

    Parameters
    ----------
    height_mm, outside_mm, bore_mm : (n,) heights in order and diameters there, mm; outside NaN
        where not seen, bore 0 where solid.
    """
    ends = np.zeros(len(height_mm), dtype=np.bool_)
    seen = np.isfinite(outside_mm)
    if not seen.any():
        return ends
    h, r = height_mm[seen], 0.5 * outside_mm[seen]
    low, high = (np.clip(height_mm + c, h[0], h[-1]) for c in (-HALF_CHORD_MM, HALF_CHORD_MM))
    rise = np.interp(high, h, r) - np.interp(low, h, r)
    steep = STEEPEST * (high - low)
    gone = np.nan_to_num(outside_mm, nan=np.inf) <= bore_mm
    for at_end, falls, away in (
        (bore_mm[0] > 0.0, rise, height_mm - height_mm[0]),
        (bore_mm[-1] > 0.0, -rise, height_mm[-1] - height_mm),
    ):
        side = seen & ~gone & (falls <= steep)
        if at_end:
            first = float(np.min(away[side], initial=MOUTH_MM))
            ends |= away < first
    return ends
