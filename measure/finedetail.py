"""Details of a plan that are too fine for a photo: burnt lines, V-cuts, narrow fillets."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import grey_closing, grey_opening

from measure.landmarks import FINE_MM, HARDLY_MORE
from measure.landmarks import NARROW_MM as NARROW_HOLLOW_MM
from measure.plan import Plan

__all__ = ["NARROW_MM", "bottom_hidden", "too_fine"]

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
    if plan.source == "trace":
        return np.zeros(len(z_mm), dtype=np.bool_)

    def fine(d: FloatArray, doubt: FloatArray) -> NDArray[np.bool_]:
        narrow, wide = _stands_out(d, NARROW_MM), _stands_out(d, 2.0 * NARROW_MM)
        return (narrow > np.maximum(_LEAST_MM, doubt)) & (wide < _HARDLY_MORE * narrow)

    return _on_or_beside(plan, z_mm, fine)


def bottom_hidden(plan: Plan, z_mm: FloatArray) -> NDArray[np.bool_]:
    """Return which places, (n,), lie in or beside a planned cut that may be deeper than it shows.

    A line of sight that slants along the piece by an angle t clears the edges of a cut of width w
    only down to r with R² - r² = (w / (2 tan t))², R being the radius beside it: of one 2.5 mm
    wide in a piece of 44 mm, 0.3 mm at 20 degrees, however deep it is. So a trace calls the bottom
    of such a hollow "or less", by the rule of `measure.landmarks`, which is the rule here. What the
    piece measures there is the most that it can be, and so is what a traced plan says.
    """

    def cut(d: FloatArray, doubt: FloatArray) -> NDArray[np.bool_]:
        narrow, wide = _filled(d, NARROW_HOLLOW_MM), _filled(d, 2.0 * NARROW_HOLLOW_MM)
        return (narrow > np.maximum(FINE_MM, doubt)) & (wide < HARDLY_MORE * narrow)

    return _on_or_beside(plan, z_mm, cut)


def _on_or_beside(
    plan: Plan,
    z_mm: FloatArray,
    holds: Callable[[FloatArray, FloatArray], NDArray[np.bool_]],
) -> NDArray[np.bool_]:
    """Return which places, (n,), lie where a rule holds of the planned diameters, or beside it.

    The rule is given the diameters at even steps, gaps bridged, and how well they are known.
    """
    z = np.asarray(z_mm, dtype=np.float64)
    places = np.arange(plan.z_mm[0], plan.z_mm[-1] + _STEP_MM / 2.0, _STEP_MM)
    planned = plan.at(places)
    known = np.isfinite(planned)
    if not np.any(known):
        return np.zeros(len(z), dtype=np.bool_)
    d = np.interp(places, places[known], planned[known])
    where = places[known & holds(d, np.nan_to_num(plan.u95_at(places)[0]))]
    first = np.searchsorted(where, z - _MARGIN_MM)
    return np.asarray(first < np.searchsorted(where, z + _MARGIN_MM))


def _stands_out(d: FloatArray, width_mm: float) -> FloatArray:
    """Return what closing fills up or opening takes away; a shoulder stays as it is in both."""
    flattened = d - grey_opening(d, _steps(width_mm), mode="nearest")
    return np.asarray(np.maximum(_filled(d, width_mm), flattened))


def _filled(d: FloatArray, width_mm: float) -> FloatArray:
    """Return what closing fills up."""
    return np.asarray(grey_closing(d, _steps(width_mm), mode="nearest") - d)


def _steps(width_mm: float) -> int:
    return 2 * round(width_mm / _STEP_MM / 2.0) + 1
