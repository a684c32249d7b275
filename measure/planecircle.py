"""The circle through points of a plane, by linear least squares."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["circle_through"]

FloatArray = NDArray[np.float64]


def circle_through(points: FloatArray) -> tuple[FloatArray, float, float]:
    """Return centre (2,), radius, and root mean square distance of points (n, 2) from the circle.

    Without bias only where the points go most of the way round, or lie near one circle: to ask
    whether they do, and to start from; not to measure an arc.
    """
    middle = points.mean(axis=0)
    p = points - middle
    design = np.column_stack([2.0 * p, np.ones(len(p))])
    solved = np.linalg.lstsq(design, np.sum(p**2, axis=1), rcond=None)[0]
    centre = solved[:2]
    radius = float(np.sqrt(max(solved[2] + centre @ centre, 1e-12)))
    off = np.linalg.norm(p - centre, axis=1) - radius
    return centre + middle, radius, float(np.sqrt(np.mean(off**2)))
