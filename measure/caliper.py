"""What a caliper reading says of the whole profile: the photo's common error shrinks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.refusal import BadFileError, RefusalError
from measure.profile import Profile
from measure.sharederror import directions, likeness

__all__ = ["CALIPER_SD_MM", "error_column", "error_covariance", "observe", "with_readings"]

FloatArray = NDArray[np.float64]

CALIPER_SD_MM = 0.05
"""Standard uncertainty of one caliper reading on turned wood, mm (common practice, no source)."""
_CORRELATION_MM = 2.0
"""Local errors of rows this far apart are alike by 1/e."""
_DOUBTFUL = 4.0
"""A reading off by more than this many standard deviations was not taken there."""


def error_covariance(
    z_mm: FloatArray, u95_mm: FloatArray, u95_common_mm: FloatArray, directions: FloatArray
) -> FloatArray:
    """Return the covariance, (n, n), of the errors of n diameters.

    Parameters
    ----------
    z_mm, u95_mm, u95_common_mm : (n,) as in a profile.
    directions : (n, 2) of the common errors, from `measure.sharederror.directions`. What they
        do not explain, and the rest of a row's error, is alike in rows that are near.
    """
    columns = [
        error_column(z_mm, u95_mm, u95_common_mm, directions, row)[0] for row in range(len(z_mm))
    ]
    return np.array(columns).reshape(len(z_mm), len(z_mm))


def error_column(
    z_mm: FloatArray,
    u95_mm: FloatArray,
    u95_common_mm: FloatArray,
    directions: FloatArray,
    row: int,
) -> tuple[FloatArray, FloatArray]:
    """Return one column of `error_covariance`, (n,), and the part of it by common errors."""
    common, whole = u95_common_mm / 1.96, np.maximum(u95_mm, u95_common_mm) / 1.96
    own = np.sqrt(np.maximum(whole**2 - common**2, 0.0))
    left = common * np.sqrt(np.maximum(1.0 - np.sum(directions**2, axis=1), 0.0))
    near = np.exp(-np.abs(z_mm - z_mm[row]) / _CORRELATION_MM)
    alike = likeness(z_mm, directions, float(z_mm[row]), directions[row])
    shared = common * common[row] * alike + left * left[row] * near
    return shared + own * own[row] * near, shared


def observe(covariance: FloatArray, row: int, sd_mm: float) -> tuple[FloatArray, FloatArray]:
    """Return (covariance after a reading of the row, gain): errors move by gain times surprise."""
    column = covariance[:, row]
    gain = column / (covariance[row, row] + sd_mm**2)
    return covariance - np.outer(gain, column), gain


def with_readings(
    profile: Profile, readings: Sequence[tuple[float, float]], sd_mm: float = CALIPER_SD_MM
) -> Profile:
    """Return the profile after caliper readings (z, diameter), mm, of the same piece.

    Raises
    ------
    BadFileError
        A reading lies where nothing was measured.
    RefusalError
        A reading contradicts the profile.
    """
    d = profile.diameter_mm.copy()
    step = profile.u95_step_mm
    off_place = np.zeros(len(d)) if step is None else step / 1.96
    errors = (profile.z_mm, profile.u95_mm, profile.u95_common_mm, directions(profile))
    variance = (np.maximum(profile.u95_mm, profile.u95_common_mm) / 1.96) ** 2
    common = (profile.u95_common_mm / 1.96) ** 2
    # What each reading before took off: outer products of these, so no (n, n) array is needed.
    taken: list[tuple[FloatArray, FloatArray]] = []
    for z, reading in readings:
        row = int(np.argmin(np.abs(profile.z_mm - z)))
        if abs(float(profile.z_mm[row]) - z) > 0.5:
            raise BadFileError(
                "known-place",
                f"Nothing was measured at z = {z:g}, where the caliper reading was taken.",
                "Give the reading of a place that the photo shows.",
            )
        surprise = reading - float(d[row])
        # The reading is of a place, and where z = 0 lies is no surer than the photo shows it.
        sd = float(np.hypot(sd_mm, off_place[row]))
        column, shared = error_column(*errors, row)
        for whole, part in taken:
            column, shared = column - whole * whole[row], shared - part * whole[row]
        allowed = float(np.sqrt(max(column[row], 0.0) + sd**2))
        if abs(surprise) > _DOUBTFUL * allowed:
            raise RefusalError(
                "known-contradicts",
                f"The caliper reading {reading:g} at z = {z:g} contradicts the photo's "
                f"{d[row]:.1f} ± {profile.u95_mm[row]:.1f} mm.",
                "Measure there again, or check which end z counts from.",
            )
        taken.append((column / allowed, shared / allowed))
        d = d + column / allowed**2 * surprise
        variance = variance - taken[-1][0] ** 2
        common = common - taken[-1][1] ** 2
    u95 = 1.96 * np.sqrt(np.maximum(variance, 0.0))
    shared_u95 = 1.96 * np.sqrt(np.maximum(common, 0.0))
    return replace(profile, diameter_mm=d, u95_mm=u95, u95_common_mm=np.minimum(shared_u95, u95))
