"""Details of a plan that are too fine for a photo: burnt lines, V-cuts, narrow fillets."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import grey_closing, grey_opening

from measure.plan import Plan

__all__ = ["NARROW_MM", "too_fine"]

FloatArray = NDArray[np.float64]

NARROW_MM = 1.5
"""A trace draws its edge through about a millimetre at a time, and a deep cut hides its bottom
from every line of sight that is not square to the axis: rule of thumb, no source."""
_HARDLY_MORE = 1.5
"""Over twice the breadth an open valley stands out twice as much, a rounded crest four times."""
_MARGIN_MM = 0.5
_LEAST_MM = 0.2
_STEP_MM = 0.05


def too_fine(plan: Plan, z_mm: FloatArray) -> NDArray[np.bool_]:
    """Return which places, (n,), lie on or beside a cut or ridge that is too fine to judge.

    Fine is what stands out of the planned diameters over 1.5 mm, by more than 0.2 mm or the plan's
    own doubt, and by hardly more over 3 mm: of an open valley twice as much would. What a
    traced plan shows was seen, so that none of it is too fine.
    """
    z = np.asarray(z_mm, dtype=np.float64)
    if plan.source == "trace":
        return np.zeros(len(z), dtype=np.bool_)
    places = np.arange(plan.z_mm[0], plan.z_mm[-1] + _STEP_MM / 2.0, _STEP_MM)
    planned = plan.at(places)
    known = np.isfinite(planned)
    if not np.any(known):
        return np.zeros(len(z), dtype=np.bool_)
    d = np.interp(places, places[known], planned[known])
    narrow, wide = _stands_out(d, NARROW_MM), _stands_out(d, 2.0 * NARROW_MM)
    doubt = np.nan_to_num(plan.u95_at(places)[0])
    fine = (narrow > np.maximum(_LEAST_MM, doubt)) & (wide < _HARDLY_MORE * narrow)
    where = places[known & fine]
    first = np.searchsorted(where, z - _MARGIN_MM)
    return np.asarray(first < np.searchsorted(where, z + _MARGIN_MM))


def _stands_out(d: FloatArray, width_mm: float) -> FloatArray:
    """Return what closing fills up or opening takes away; a shoulder stays as it is in both."""
    size = 2 * round(width_mm / _STEP_MM / 2.0) + 1
    filled = grey_closing(d, size, mode="nearest") - d
    return np.asarray(np.maximum(filled, d - grey_opening(d, size, mode="nearest")))
