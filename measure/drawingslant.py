"""Flanks of a drawn outline that are steep but not square to the axis."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["slanted"]

FloatArray = NDArray[np.float64]

_LEAST_MM = 0.15
"""A flank that goes by less along the axis is a shoulder drawn by hand."""
_MOST_MM = 1.5
_LEAST_POINTS = 4
_SURE = 3.0
"""Standard uncertainties by which a slant must be told from a square shoulder."""


def slanted(z_mm: FloatArray, r_mm: FloatArray, rise_mm: float) -> tuple[float, float]:
    """Return (z, slant): where a flank is half way up, and how far it goes along the axis.

    The median of the slopes between all points is the flank's, however a few of them stray
    [Theil1950]. A slant that cannot be told from 0, or that would be an undercut, is 0.

    Parameters
    ----------
    z_mm, r_mm : (n,) points of the middle of the stroke.
    rise_mm : change of radius over the whole flank, from small z to large.

    References
    ----------
    [Theil1950]
    """
    middle = float(np.median(z_mm))
    if len(z_mm) < _LEAST_POINTS:
        return middle, 0.0
    i, j = np.triu_indices(len(z_mm), 1)
    apart = r_mm[j] - r_mm[i]
    far = np.abs(apart) > 0.1
    if np.count_nonzero(far) < _LEAST_POINTS:
        return middle, 0.0
    slope = float(np.median((z_mm[j] - z_mm[i])[far] / apart[far]))
    centre = float(np.median(r_mm))
    at = float(np.median(z_mm - slope * (r_mm - centre)))
    left = z_mm - at - slope * (r_mm - centre)
    spread = max(1.4826 * float(np.median(np.abs(left))), 0.02)
    sd = spread / (float(np.std(r_mm)) * np.sqrt(len(r_mm)))
    slant = slope * rise_mm
    if slant < max(_LEAST_MM, _SURE * sd * abs(rise_mm)):
        return middle, 0.0
    return at, min(slant, _MOST_MM)
