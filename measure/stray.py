"""How far a fitted curve is from the rows, held against what is known of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.chain import Chain, distance_to_chain
from measure.profile import Profile

__all__ = ["OVER_MM", "Stray", "is_within", "local_u95", "rows_bear", "stray_of"]

FloatArray = NDArray[np.float64]

FINEST_U95_MM = 0.03
"""No turned diameter is known, or matters, to better than this; a drawn plan has u95 = 0."""
OVER_MM = 2.0
"""A misfit stays on one side over millimetres; the noise of a row does not (the rows of a trace
forget each other over 1 to 2 mm)."""
MOST_OUTSIDE, FARTHEST = 0.05, 2.2
"""At most this share of the rows strays more than its own 95 % limit, and none more than this many
times. For 700 independent normal rows, chance alone takes the farthest to 1.6 times on average,
and now and then to 2."""


@dataclass(frozen=True, slots=True)
class Stray:
    """How far the fair curve is from the rows, on the diameter, mm; normal to the curve.

    Attributes
    ----------
    distance_mm, z_mm, allowed_mm : of the single row that is farthest in its local U95: twice the
        distance, where, and the local U95 there. Noise alone takes some row beyond it.
    rows_outside, rows : how many rows stray more than their own local U95, of how many.
    mean_mm, mean_z_mm, mean_allowed_mm : of the worst stretch of `OVER_MM`: by how much the rows
        there lie to one side on average, its middle, and their mean local U95.
    """

    distance_mm: float
    z_mm: float
    allowed_mm: float
    rows_outside: int
    rows: int
    mean_mm: float
    mean_z_mm: float
    mean_allowed_mm: float

    @property
    def share_outside(self) -> float:
        """Share of the rows that stray more than their own local U95."""
        return self.rows_outside / self.rows


def local_u95(profile: Profile) -> FloatArray:
    """Return the part of each row's u95 that it does not share with all others, mm."""
    left = profile.u95_mm**2 - profile.u95_common_mm**2
    return np.asarray(np.sqrt(np.maximum(left, FINEST_U95_MM**2)))


def stray_of(chains: tuple[Chain, ...], pieces: list[slice], profile: Profile) -> Stray:
    """Return how far the chains are from the rows; one chain for each of the pieces of rows."""
    allowed = local_u95(profile)
    rows = [
        (profile.z_mm[p], _off(chain, profile.z_mm[p], 0.5 * profile.diameter_mm[p]), allowed[p])
        for chain, p in zip(chains, pieces, strict=True)
    ]
    z, off, known = (np.concatenate(part) for part in zip(*rows, strict=True))
    worst = int(np.argmax(np.abs(off) / known))
    middle, mean, mean_known = (
        np.concatenate(part) for part in zip(*(_means(*own) for own in rows), strict=True)
    )
    widest = int(np.argmax(np.abs(mean) / mean_known))
    return Stray(
        float(abs(off[worst])),
        float(z[worst]),
        float(known[worst]),
        int(np.sum(np.abs(off) > known)),
        len(z),
        float(abs(mean[widest])),
        float(middle[widest]),
        float(mean_known[widest]),
    )


def rows_bear(stray: Stray) -> bool:
    """Say whether single rows lie beyond their limits no more often than honest rows may."""
    few = stray.share_outside <= MOST_OUTSIDE
    return few and stray.distance_mm <= FARTHEST * stray.allowed_mm


def is_within(stray: Stray) -> bool:
    """Say whether a curve is within the uncertainty.

    The rows bear it, and over no stretch of `OVER_MM` do they lie beyond their local U95 on
    average. The latter is asked of the finished curve only: a search for it would follow the
    wobble that now and then takes even the true outline there.
    """
    return rows_bear(stray) and stray.mean_mm <= stray.mean_allowed_mm


def _off(chain: Chain, z: FloatArray, r: FloatArray) -> FloatArray:
    """Return twice the distance of rows from a chain, negative inside it."""
    side = np.where(r < chain.radius_at(z), -1.0, 1.0)
    return np.asarray(2.0 * side * distance_to_chain(chain, z, r))


def _means(
    z: FloatArray, off: FloatArray, known: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return middle, mean distance and mean local U95 of each stretch; of all rows if shorter."""
    half = 0.5 * min(OVER_MM, float(z[-1] - z[0]))
    middle = z[(z >= z[0] + half - 1e-6) & (z <= z[-1] - half + 1e-6)]
    if not len(middle):
        middle = np.array([0.5 * (z[0] + z[-1])])
    low = np.searchsorted(z, middle - half - 1e-6)
    high = np.searchsorted(z, middle + half + 1e-6)
    sums = [np.concatenate([[0.0], np.cumsum(v)]) for v in (off, known)]
    count = (high - low).astype(np.float64)
    mean, mean_known = ((s[high] - s[low]) / count for s in sums)
    return middle, mean, mean_known
