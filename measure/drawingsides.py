"""How far the two sides of a full profile differ, and when they are no one shape's."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from measure.profile import GRID_MM

__all__ = ["LOPSIDED_MM", "unlike", "worst_difference"]

FloatArray = NDArray[np.float64]

LOPSIDED_MM = 0.3
"""Sides that differ by more are worth a word, mm on the radius of the drawing."""
_LONG_MM = 1.25
"""One row may stray beside a corner: the sides differ where so much of them does."""
_UNLIKE_LONG_MM = 3.0
"""A shoulder drawn askew makes the sides differ by its height over less."""
_UNLIKE_SHARE, _UNLIKE_U95 = 0.1, 10.0
"""Sides that differ by more of the largest radius, and by so many times their uncertainty, are
those of no flat outline of a turned shape: hand and knife stray by a millimetre, whatever the
size, while the photo of a round piece shows two rims in space and a shadow."""


def worst_difference(differ_mm: FloatArray, times: float) -> int:
    """Return the row at which the sides differ most, over a stretch worth the name.

    Parameters
    ----------
    differ_mm : (n,) radius of one side less that of the other, n at least 1.
    times : true size over drawn size; rows lie `GRID_MM` apart at true size.
    """
    return _exceeded_over(differ_mm, _LONG_MM * times)


def unlike(differ_mm: FloatArray, u95_mm: float, largest_mm: float, times: float) -> bool:
    """Return whether the sides differ too much to be those of one shape.

    Parameters
    ----------
    differ_mm : (n,) at true size, as above; u95_mm : half-width of their 95 % interval.
    largest_mm : largest radius of the profile.
    """
    if not len(differ_mm):
        return False
    much = abs(float(differ_mm[_exceeded_over(differ_mm, _UNLIKE_LONG_MM * times)]))
    return much > max(_UNLIKE_SHARE * largest_mm, _UNLIKE_U95 * u95_mm)


def _exceeded_over(differ_mm: FloatArray, length_mm: float) -> int:
    count = int(np.clip(round(length_mm / GRID_MM), 1, len(differ_mm)))
    return int(np.argsort(np.abs(differ_mm), kind="stable")[-count])
