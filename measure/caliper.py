"""What a caliper reading says of the whole profile: the photo's common error shrinks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.refusal import BadFileError, RefusalError
from measure.profile import Profile

__all__ = ["CALIPER_SD_MM", "error_covariance", "observe", "with_readings"]

FloatArray = NDArray[np.float64]

CALIPER_SD_MM = 0.05
"""Standard uncertainty of one caliper reading on turned wood, mm (common practice, no source)."""
_CORRELATION_MM = 2.0
"""Local errors of rows this far apart are alike by 1/e."""
_DOUBTFUL = 4.0
"""A reading off by more than this many standard deviations was not taken there."""


def error_covariance(z_mm: FloatArray, u95_mm: FloatArray, u95_common_mm: FloatArray) -> FloatArray:
    """Return the covariance, (n + 1, n + 1), of the errors of n diameters and of what they share.

    The last element is the shared factor, of unit variance: row i has u95_common/1.96 times it.
    The rest of a row's error is alike in rows that are near.
    """
    shared = u95_common_mm / 1.96
    local = np.sqrt(np.maximum(u95_mm**2 - u95_common_mm**2, 0.0)) / 1.96
    alike = np.exp(-np.abs(z_mm[:, None] - z_mm[None, :]) / _CORRELATION_MM)
    n = len(z_mm)
    covariance = np.empty((n + 1, n + 1))
    covariance[:n, :n] = np.outer(shared, shared) + np.outer(local, local) * alike
    covariance[n, :n] = covariance[:n, n] = shared
    covariance[n, n] = 1.0
    return covariance


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
    covariance = error_covariance(profile.z_mm, profile.u95_mm, profile.u95_common_mm)
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
        allowed = float(np.sqrt(covariance[row, row] + sd**2))
        if abs(surprise) > _DOUBTFUL * allowed:
            raise RefusalError(
                "known-contradicts",
                f"The caliper reading {reading:g} at z = {z:g} contradicts the photo's "
                f"{d[row]:.1f} ± {profile.u95_mm[row]:.1f} mm.",
                "Measure there again, or check which end z counts from.",
            )
        covariance, gain = observe(covariance, row, sd)
        d = d + gain[:-1] * surprise
    variance = np.maximum(np.diag(covariance)[:-1], 0.0)
    shared = float(np.sqrt(max(covariance[-1, -1], 0.0)))
    u95 = 1.96 * np.sqrt(variance)
    return replace(
        profile,
        diameter_mm=d,
        u95_mm=u95,
        u95_common_mm=np.minimum(profile.u95_common_mm * shared, u95),
    )
