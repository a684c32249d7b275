"""What the rows of one photo share: which way each diameter errs when scale and z = 0 do."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from measure.profile import Profile

__all__ = ["directions", "likeness"]

FloatArray = NDArray[np.float64]

_CHORD_ROWS = 4
"""Half the chord of a slope: a shorter one takes the scatter of the rows for slope."""
_STEEPEST = 6.0
"""Of the diameter: as far as the uncertainty of a row follows its slope."""
_ROUNDS = 100
_LEAST_SD_MM = 1e-6
_REACH_LENGTHS = 2.0
"""Over so many lengths of the piece what it shares grows unlike by 1/e: tilt and focal length
change the scale along it. Computed for the samples, like places at its two ends are alike by 0.6
to 0.95."""


def directions(profile: Profile) -> FloatArray:
    """Return (n, 2): which way, and how wholly, each row's common error follows two causes.

    A scale that is too large by a share s moves every place outward as well, so that at a z the
    diameter D errs by s (D - z dD/dz): on a slope that rises away from z = 0 it may come out too
    small. A start end seen too early by t adds -t dD/dz. How large both are is not written down;
    they are the variances under which the rows' u95_common are likeliest [Fevotte2009], by its
    multiplicative steps. A row that has more common error than they explain keeps the rest as
    its own: its two numbers are then shorter than 1.

    References
    ----------
    [Fevotte2009]
    """
    n = len(profile.z_mm)
    if n == 0:
        return np.zeros((0, 2))
    slope = np.clip(_slopes(profile), -_STEEPEST, _STEEPEST)
    causes = np.column_stack([profile.diameter_mm - profile.z_mm * slope, -slope])
    shared2 = np.maximum(profile.u95_common_mm / 1.96, _LEAST_SD_MM) ** 2
    squares = np.maximum(causes**2, _LEAST_SD_MM**2)
    variances = np.mean(shared2) / np.mean(squares, axis=0) / 2.0
    for _ in range(_ROUNDS):
        modelled = squares @ variances
        variances = variances * (squares.T @ (shared2 / modelled**2))
        variances = variances / (squares.T @ (1.0 / modelled))
    whole = np.sqrt(np.maximum(squares @ variances, shared2))
    return np.asarray(causes * np.sqrt(variances) / whole[:, None])


def likeness(
    z_mm: FloatArray, directions: FloatArray, z: float, direction: FloatArray
) -> FloatArray:
    """Return (n,) correlations of the common errors of rows with that of one at z.

    Parameters
    ----------
    z_mm, directions : (n,) and (n, 2) of the rows; z, direction : those of the one.
    """
    length = max(float(np.max(z_mm) - np.min(z_mm)), 1.0)
    far = np.exp(-np.abs(z_mm - z) / (_REACH_LENGTHS * length))
    return np.asarray((directions @ direction) * far)


def _slopes(profile: Profile) -> FloatArray:
    """Return dD/dz over a chord, (n,), not across shoulders and gaps."""
    slope = np.zeros(len(profile.z_mm))
    for piece in profile.pieces():
        z, d = profile.z_mm[piece], profile.diameter_mm[piece]
        shoulders = np.nonzero(np.diff(z) <= 0.0)[0] + 1
        for run in np.split(np.arange(len(z)), shoulders):
            low = np.maximum(np.arange(len(run)) - _CHORD_ROWS, 0)
            high = np.minimum(np.arange(len(run)) + _CHORD_ROWS, len(run) - 1)
            if len(run) > 1:
                a, b = run[low], run[high]
                slope[piece.start + run] = (d[b] - d[a]) / (z[b] - z[a])
    return slope
