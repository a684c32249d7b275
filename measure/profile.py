"""The Profile: diameters along an axis, each with its uncertainty."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["GRID_MM", "LONGEST_BRIDGE_MM", "Profile", "relative_scale", "too_vague"]

FloatArray = NDArray[np.float64]

GRID_MM = 0.25
"""Spacing of the rows of a profile, mm."""
LONGEST_BRIDGE_MM = 0.5
"""Readers join rows across at most this distance, mm; a wider step in z is a gap."""


VAGUE_MM, VAGUE_SHARE = 2.0, 0.1
"""A diameter with a larger ± than both, in mm and as a share, is of no use at the lathe (no
source): the files have it."""


@dataclass(frozen=True, slots=True)
class Profile:
    """Diameters along the axis; all arrays have shape (n,), millimetres.

    Attributes
    ----------
    z_mm : non-decreasing; a shoulder is exactly two consecutive rows with equal z, the side
        nearer to z = 0 first. A step of more than `LONGEST_BRIDGE_MM` is a gap not seen.
    diameter_mm : diameter at z.
    u95_mm : half-width of the 95 % interval of the diameter, were z = 0 exact: for what finds its
        own place along the axis, or is recognised by its shape.
    u95_common_mm : the part of it that all rows share (scale, focal length, height).
    u95_step_mm : how far the diameter is off if z is, on a slope or beside a step; None if nobody
        looked.
    """

    z_mm: FloatArray
    diameter_mm: FloatArray
    u95_mm: FloatArray
    u95_common_mm: FloatArray
    u95_step_mm: FloatArray | None = None

    def __post_init__(self) -> None:
        """Check shapes and order."""
        n = len(self.z_mm)
        for name in ("diameter_mm", "u95_mm", "u95_common_mm"):
            if getattr(self, name).shape != (n,):
                raise ValueError(f"{name} has shape {getattr(self, name).shape}, need ({n},)")
        if self.u95_step_mm is not None and self.u95_step_mm.shape != (n,):
            raise ValueError(f"u95_step_mm has shape {self.u95_step_mm.shape}, need ({n},)")
        if n and np.any(np.diff(self.z_mm) < 0.0):
            raise ValueError("z_mm decreases; need rows in order along the axis")

    def pieces(self) -> list[slice]:
        """Return the runs of rows without a gap, as slices in order."""
        if len(self.z_mm) == 0:
            return []
        breaks = np.nonzero(np.diff(self.z_mm) > LONGEST_BRIDGE_MM + 1e-9)[0] + 1
        edges = [0, *breaks.tolist(), len(self.z_mm)]
        return [slice(a, b) for a, b in itertools.pairwise(edges)]

    def at_its_z(self) -> Profile:
        """Return the profile whose `u95_mm` is pointwise: the error of z is in it."""
        if self.u95_step_mm is None:
            return self
        whole = np.hypot(self.u95_mm, self.u95_step_mm)
        return Profile(self.z_mm, self.diameter_mm, whole, self.u95_common_mm)


def too_vague(diameter_mm: FloatArray, u95_mm: FloatArray) -> NDArray[np.bool_]:
    """Return which diameters (n,) are too unsure, by their u95 (n,), to be of use; not all are."""
    vague = u95_mm > np.maximum(VAGUE_MM, VAGUE_SHARE * diameter_mm)
    return np.zeros_like(vague) if vague.all() else vague


def relative_scale(measured: FloatArray, shared: FloatArray) -> float:
    """Return what part of each length the scale may be off by, from (n,) diameters and
    what of their u95 they share.
    """
    thick = measured > 5.0
    return float(np.median(shared[thick] / measured[thick])) if np.any(thick) else 0.0
