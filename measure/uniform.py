"""A size error of the whole piece, and whether the photo can tell it from its own scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.judge import Deviations

__all__ = ["UniformError", "uniform_error"]

FloatArray = NDArray[np.float64]

_CORRELATION_MM = 2.0
_LEAST_ROWS = 20
_WORTH_SAYING_MM = 0.05
_AGREEING = 0.6
"""Part of the rows that must lie on the model before the error is called uniform."""


@dataclass(frozen=True, slots=True)
class UniformError:
    """What all diameters have in common.

    Attributes
    ----------
    deviation_mm : at the piece's largest planned diameter; positive is proud.
    percent : of the diameter; None if the same millimetres everywhere fit better.
    u95_mm : half-width of its 95 % interval, nearly all of it the common part.
    reference_mm : that largest planned diameter.
    found : the error exceeds u95. If not, it cannot be told from the photo's own scale error.
    noticed : it stands out of the local scatter of the rows.
    """

    deviation_mm: float
    percent: float | None
    u95_mm: float
    reference_mm: float
    found: bool
    noticed: bool


def uniform_error(rows: Deviations) -> UniformError | None:
    """Return the error that is common to the piece; None when too little of it is uniform.

    Proportional (a scale) and constant (one more pass all along) errors are tried; that which
    leaves the smaller spread is reported, the proportional one when they cannot be told apart.
    """
    use = ~rows.normal & (rows.plan_diameter_mm > 5.0)
    if np.sum(use) < _LEAST_ROWS:
        return None
    d, planned = rows.deviation_mm[use], rows.plan_diameter_mm[use]
    common, u95 = rows.u95_common_mm[use], rows.u95_mm[use]
    local = np.sqrt(np.maximum(u95**2 - common**2, 0.0))
    ratio, constant = float(np.median(d / planned)), float(np.median(d))
    spread_ratio = float(np.median(np.abs(d - ratio * planned)))
    spread_constant = float(np.median(np.abs(d - constant)))
    proportional = spread_ratio <= 1.05 * spread_constant
    model = ratio * planned if proportional else np.full_like(d, constant)
    if np.mean(np.abs(d - model) <= 1.5 * local + 0.05) < _AGREEING:
        return None
    reference = float(np.max(planned))
    size = ratio * reference if proportional else constant
    part = (
        float(np.median(common / planned)) * reference if proportional else float(np.median(common))
    )
    spacing = max(float(np.median(np.abs(np.diff(rows.z_mm[use])))), 0.01)
    independent = max(len(d) * min(spacing, _CORRELATION_MM) / _CORRELATION_MM, 1.0)
    # 1.25: the median's standard deviation over the mean's, for normal errors.
    scatter = 1.25 * float(np.median(local)) / np.sqrt(independent)
    total = float(np.hypot(part, scatter))
    return UniformError(
        deviation_mm=size,
        percent=100.0 * ratio if proportional else None,
        u95_mm=total,
        reference_mm=reference,
        found=bool(abs(size) > total),
        noticed=bool(abs(size) > max(2.0 * scatter, _WORTH_SAYING_MM)),
    )
