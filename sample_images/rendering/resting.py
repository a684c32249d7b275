"""How a turned piece lies on a flat bench: on the hull edge under its centre of mass."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = ["Rest", "lying"]

FloatArray = NDArray[np.float64]


SHORTEST_SPAN_MM = 20.0
"""A piece that lies on its belly has one contact, not two: a shorter span cannot tilt it."""
STEEPEST_RAD = np.deg2rad(45.0)


@dataclass(frozen=True, slots=True)
class Rest:
    """A lying piece's contact with the bench.

    Attributes
    ----------
    first, second : (z, r) of the two hull points it rests on, mm.
    tilt_rad : rise of the axis from end A to end B; negative when B hangs lower.
    mass_z_mm : where along the axis the centre of mass lies (solid of uniform density).
    """

    first: tuple[float, float]
    second: tuple[float, float]
    tilt_rad: float
    mass_z_mm: float

    def heights(self, lift_first: float = 0.0, lift_second: float = 0.0) -> tuple[float, float]:
        """Return (height of the axis over the bench at z = 0, its tilt in radians).

        The lifts, mm, raise the piece at its two contacts (dust, a burr, a hollow in the bench).
        """
        (z1, r1), (z2, r2) = self.first, self.second
        span = float(np.hypot(z2 - z1, r2 - r1))
        tilt = self.tilt_rad
        if span >= SHORTEST_SPAN_MM:
            tilt += (lift_second - lift_first) / span
        # The contact is the lowest point of its circle: height of axis = r cos(tilt) + lift.
        height = r1 * np.cos(tilt) + lift_first - z1 * np.sin(tilt)
        return float(height), float(tilt)


def lying(zr: FloatArray) -> Rest:
    """Return how the piece with this meridian, (n, 2) of (z, r), lies at rest.

    Raises
    ------
    ValueError
        The piece lies on no edge of its flank: it would stand up on an end.
    """
    mass_z = _centre_of_mass(zr)
    hull = _upper_hull(zr)
    lowest: tuple[float, Rest] | None = None
    for first, second in pairwise(hull):
        span = float(np.hypot(*(second - first)))
        along = (second - first) / span
        tilt = float(np.arctan2(along[1], along[0]))
        foot = (mass_z - first[0]) * along[0] - first[1] * along[1]
        height = (mass_z - first[0]) * along[1] + first[1] * along[0]
        if not 0.0 <= foot <= span or abs(tilt) > STEEPEST_RAD:
            continue
        if lowest is None or height < lowest[0]:
            (z1, r1), (z2, r2) = first.tolist(), second.tolist()
            lowest = height, Rest((z1, r1), (z2, r2), tilt, mass_z)
    if lowest is None:
        raise ValueError("the piece rests on no flank edge; need a longer or slimmer piece")
    return lowest[1]


def _centre_of_mass(zr: FloatArray) -> float:
    """Centroid along z of the solid of revolution; exact for a polyline (sum of frustums)."""
    z0, z1, r0, r1 = zr[:-1, 0], zr[1:, 0], zr[:-1, 1], zr[1:, 1]
    h = z1 - z0
    volume = h * (r0 * r0 + r0 * r1 + r1 * r1) / 3.0
    moment = h * h * (r0 * r0 + 2.0 * r0 * r1 + 3.0 * r1 * r1) / 12.0 + z0 * volume
    return float(moment.sum() / volume.sum())


def _upper_hull(zr: FloatArray) -> FloatArray:
    hull: list[FloatArray] = []
    for point in zr[np.lexsort((zr[:, 1], zr[:, 0]))]:
        while len(hull) >= 2:
            a, b = hull[-1] - hull[-2], point - hull[-2]
            if a[0] * b[1] - a[1] * b[0] < 0.0:
                break
            hull.pop()
        hull.append(point)
    return np.array(hull)
