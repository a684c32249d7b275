"""Rows picked from a profile at round distances along the axis."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from measure.profile import Profile

__all__ = ["stations"]

FloatArray = NDArray[np.float64]

SAME_PLACE_MM = 1e-6
"""Rows closer than this to a station stand at it: multiples of a decimal do not meet exactly."""


def stations(profile: Profile, every_mm: float) -> Profile:
    """Return the rows of a profile at multiples of `every_mm` from z = 0.

    Between rows it interpolates linearly, but only inside an unbroken piece; a station in a gap
    is left out. A station at a shoulder gives both of its rows. `u95_mm` is interpolated like
    the diameter, since neighbouring rows err together.

    Raises
    ------
    ValueError
        If `every_mm` is not above 0.
    """
    if not every_mm > 0.0:
        raise ValueError(f"every_mm is {every_mm}, need a distance above 0")
    rows: list[FloatArray] = []
    columns = [profile.z_mm, profile.diameter_mm, profile.u95_mm, profile.u95_common_mm]
    if profile.u95_step_mm is not None:
        columns.append(profile.u95_step_mm)
    table = np.column_stack(columns)
    for piece in profile.pieces():
        part = table[piece]
        first = int(np.ceil((part[0, 0] - SAME_PLACE_MM) / every_mm))
        last = int(np.floor((part[-1, 0] + SAME_PLACE_MM) / every_mm))
        rows += [_rows_at(part, index * every_mm) for index in range(first, last + 1)]
    picked = np.concatenate(rows) if rows else np.empty((0, len(columns)))
    return Profile(*(np.ascontiguousarray(column) for column in picked.T))


def _rows_at(part: FloatArray, z_mm: float) -> FloatArray:
    """Return the one or two rows at z of an unbroken piece whose first column is z."""
    here = np.abs(part[:, 0] - z_mm) <= SAME_PLACE_MM
    if np.any(here):
        found = part[here].copy()
        found[:, 0] = z_mm
        return found
    after = int(np.searchsorted(part[:, 0], z_mm))
    a, b = part[after - 1], part[after]
    t = (z_mm - a[0]) / (b[0] - a[0])
    row = a * (1.0 - t) + b * t
    row[0] = z_mm
    return np.asarray(row[None, :])
