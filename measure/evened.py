"""Diameters of several photos evened out along the axis, to be compared place by place.

A piece is oval over a stretch, since wood moves as a whole. A few rows on which photos differ are
the photos' own error.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.profile import LONGEST_BRIDGE_MM
from measure.sidebyside import SideBySide

__all__ = ["STRETCH_MM", "Evened", "even_out"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

STRETCH_MM = 5.0
"""Rows that are averaged."""
_LEAST_MM = 2.5
"""What photos differ on over less than this is not judged."""
_THIN_MM = 5.0
_CORRELATION_MM = 2.0
"""Errors of rows this far apart are taken as independent."""


@dataclass(frozen=True, slots=True)
class Evened:
    """What m photos saw at n places that all show, clear of steep places; mm.

    Attributes
    ----------
    diameter_mm, u95_mm : (m, n) means over a stretch, and the half-widths of their 95 % intervals.
    common_mm : (m, n) the part of these that all places of a photo share.
    enough : (n,) whether the stretch is long enough to be judged.
    stretches : about how many of the places are independent of each other.
    """

    diameter_mm: FloatArray
    u95_mm: FloatArray
    common_mm: FloatArray
    enough: BoolArray
    stretches: float


def even_out(rows: SideBySide, offset_u95_mm: FloatArray) -> Evened:
    """Return the means over stretches of what photos saw at the rows `rows.by_all`.

    Each stretch is the same rows of every photo, so that it bends no difference between them.
    What rows of a photo share stays in the mean, their own errors grow less. Where the piece
    tapers, a photo laid on a little off along the axis sees another diameter; so does one whose
    scale is off, the farther from the middle the more.

    Parameters
    ----------
    rows : of m photos; some must be shown by all.
    offset_u95_mm : (m,) half-width of the 95 % interval of where each lies along the axis.
    """
    at = np.flatnonzero(rows.by_all)
    z = rows.z_mm[at]
    d, u95, common = (v[:, at] for v in (rows.diameter_mm, rows.u95_mm, rows.common_mm))
    local2 = np.maximum(u95**2 - common**2, 0.0)
    # A scale that is off stretches along the axis as well, away from where all are laid together.
    stretch = np.median(common / np.maximum(d, _THIN_MM), axis=1)
    askew = np.hypot(offset_u95_mm[:, None], stretch[:, None] * np.abs(z - np.mean(z)))
    breaks = np.flatnonzero(np.diff(z) > LONGEST_BRIDGE_MM + 1e-9) + 1
    mean, mean_u95, shared = (np.empty_like(d) for _ in range(3))
    enough = np.zeros(len(z), dtype=bool)
    for run in np.split(np.arange(len(z)), breaks):
        long = z[run[-1]] - z[run[0]]
        enough[run] = long >= _LEAST_MM
        for k in run:
            near = run[np.abs(z[run] - z[k]) <= STRETCH_MM / 2.0 + 1e-9]
            span = float(z[near[-1]] - z[near[0]])
            mean[:, k] = d[:, near].mean(axis=1)
            own2 = local2[:, near].mean(axis=1) * min(1.0, _CORRELATION_MM / max(span, 1e-6))
            rise = abs(float((d[:, near[-1]] - d[:, near[0]]).mean())) / max(span, 1e-6)
            slid2 = (rise * askew[:, k]) ** 2
            shared[:, k] = common[:, near].mean(axis=1)
            mean_u95[:, k] = np.sqrt(shared[:, k] ** 2 + own2 + slid2)
    return Evened(mean, mean_u95, shared, enough, max(len(z) * _spacing(z) / STRETCH_MM, 1.0))


def _spacing(z: FloatArray) -> float:
    return float(np.median(np.diff(z))) if len(z) > 1 else 0.0
