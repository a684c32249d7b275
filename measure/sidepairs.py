"""Which points of the two sides are compared, and how well each comparison is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.outline import Outline
from measure.sides import SideCurve, local_slope

__all__ = ["Pairs", "pairs_of"]

FloatArray = NDArray[np.float64]

PAIR_SPACING = 5
"""Every fifth outline point enters the comparison of sides: nearer ones are not independent."""
LEAST_PAIRS = 10
CORNER_RAD = 0.2
"""More than this over the tangent's reach is a corner."""
PAIR_FLOOR_PX = 0.3
"""Standard deviation of one comparison of sides beyond what both points state."""


@dataclass(frozen=True, slots=True)
class Pairs:
    """Points of one side and those of the other that they are held against.

    Attributes
    ----------
    a : (n,) indices of outline points that are compared.
    b : (m,) indices of the other side's points, by z, to interpolate in.
    cosine : (n,) turns a difference of r at one z into a distance square to the profile.
    sd_mm : (n,) standard deviation of that distance.
    """

    a: NDArray[np.int64]
    b: NDArray[np.int64]
    cosine: FloatArray
    sd_mm: FloatArray


def pairs_of(curves: tuple[SideCurve, SideCurve], outline: Outline, scale: float) -> Pairs:
    """Return the pairs of two side curves; `scale` is mm per pixel at the piece.

    Raises
    ------
    ValueError
        when a side has too few points, or too few of them face each other.
    """
    a, b = curves
    if len(a.index) < 20 or len(b.index) < 20:
        raise ValueError(f"sides have {len(a.index)} and {len(b.index)} points, need 20")
    inside = (a.z_mm > b.z_mm[0]) & (a.z_mm < b.z_mm[-1])
    gap = np.diff(b.z_mm)
    where = np.clip(np.searchsorted(b.z_mm, a.z_mm) - 1, 0, len(gap) - 1)
    # Where the other side has a hole there is nothing to compare with.
    inside &= gap[where] < 1.5
    slope = local_slope(a.z_mm, a.r_mm)
    inside &= np.abs(slope) < 3.0
    # At a corner neither tangent nor slope is one.
    bend_b = np.abs(outline.bend[b.index])
    inside &= np.abs(outline.bend[a.index]) < CORNER_RAD
    inside &= np.maximum(bend_b[where], bend_b[where + 1]) < CORNER_RAD
    facing = np.flatnonzero(inside)
    if len(facing) < LEAST_PAIRS:
        raise ValueError(
            f"only {len(facing)} points of the two sides face each other, need {LEAST_PAIRS}"
        )
    # A small piece all of beads and coves has few: nearer ones share what one of them says.
    spacing = min(PAIR_SPACING, len(facing) // LEAST_PAIRS)
    chosen = facing[::spacing]
    cosine = 1.0 / np.sqrt(1.0 + slope[chosen] ** 2)
    sd_a = outline.sd_px[a.index[chosen]]
    sd_b = np.interp(a.z_mm[chosen], b.z_mm, outline.sd_px[b.index])
    shared = np.sqrt(PAIR_SPACING / spacing)
    sd = np.sqrt(sd_a**2 + sd_b**2 + PAIR_FLOOR_PX**2) * scale * shared
    # Every other point of the far side is enough to interpolate in.
    return Pairs(a.index[chosen], b.index[::2], cosine, sd)
