"""The meridian of a turned piece, built from the cuts a turner makes."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["Meridian", "thinned"]

FloatArray = NDArray[np.float64]

STEP_MM = 0.05
"""Sampling of a curve before superfluous points are dropped, mm."""
CHORD_ERROR_MM = 0.0004
"""A point is dropped if the meridian moves by less than this, mm."""
LONGEST_STEP_MM = 1.5
"""Spacing of points on a curve at most, mm: keeps the shading smooth."""


@dataclass(slots=True)
class Meridian:
    """A meridian that grows from end A; every cut starts where the last one ended.

    `points` are (z, r) in mm, z never decreasing; a square shoulder is two points with one z.
    """

    points: list[tuple[float, float]] = field(default_factory=list)

    @property
    def z(self) -> float:
        return self.points[-1][0]

    @property
    def r(self) -> float:
        return self.points[-1][1]

    def start(self, r: float) -> Meridian:
        self.points = [(0.0, r)]
        return self

    def line(self, dz: float, dr: float = 0.0) -> Meridian:
        """Cut a cylinder (dr = 0), a cone, or a square shoulder (dz = 0)."""
        self.points.append((self.z + dz, max(self.r + dr, 0.0)))
        return self

    def to(self, r: float) -> Meridian:
        """Cut a square shoulder to radius r."""
        return self.line(0.0, r - self.r)

    def curve(self, dz: FloatArray, dr: FloatArray) -> Meridian:
        """Append a sampled curve, given as offsets from the present point."""
        z0, r0 = self.points[-1]
        new = zip(z0 + dz, np.maximum(r0 + dr, 0.0), strict=True)
        self.points.extend((float(a), float(b)) for a, b in new)
        return self

    def bead(self, width: float, height: float) -> Meridian:
        """Cut a bead (height > 0) or a cove (height < 0): an arc of an ellipse, ends level."""
        n = _count(width + 2.0 * abs(height))
        # 80 degrees each way: the ends meet the fillets at an angle, as tools leave them.
        t = np.linspace(-1.0, 1.0, n)[1:] * np.deg2rad(80.0)
        foot = np.cos(np.deg2rad(80.0))
        across = (np.sin(t) / np.sin(np.deg2rad(80.0)) + 1.0) / 2.0
        up = (np.cos(t) - foot) / (1.0 - foot)
        return self.curve(width * across, height * up)

    def quarter(self, dz: float, dr: float, bulge: bool) -> Meridian:
        """Cut a quarter of an ellipse; `bulge` starts along the radius, else along the axis."""
        t = np.linspace(0.0, np.pi / 2.0, _count(dz + abs(dr)))[1:]
        if bulge:
            return self.curve(dz * (1.0 - np.cos(t)), dr * np.sin(t))
        return self.curve(dz * np.sin(t), dr * (1.0 - np.cos(t)))

    def ogee(self, dz: float, dr: float) -> Meridian:
        """Cut an S from level to level."""
        t = np.linspace(0.0, 1.0, _count(dz + abs(dr)))[1:]
        return self.curve(dz * t, dr * (t - np.sin(2.0 * np.pi * t) / (2.0 * np.pi)))

    def waist(self, dz: float, dr_middle: float, dr_end: float, where: float = 0.5) -> Meridian:
        """Cut a long swell or hollow through a middle radius, at the fraction `where`."""
        first = self.ogee(dz * where, dr_middle)
        return first.ogee(dz * (1.0 - where), dr_end - dr_middle)

    def groove(self, width: float, depth: float) -> Meridian:
        """Cut a V groove."""
        return self.line(width / 2.0, -depth).line(width / 2.0, depth)

    def dome(self, dz: float) -> Meridian:
        """Round over to the axis: a quarter of an ellipse."""
        return self.quarter(dz, -self.r, bulge=False)

    def scaled(self, length: float, diameter: float) -> FloatArray:
        """Return the meridian as (n, 2), stretched to the length and largest diameter, mm."""
        zr = np.array(self.points)
        zr[zr[:, 1] < 1e-9, 1] = 0.0
        zr[:, 0] *= length / zr[-1, 0]
        zr[:, 1] *= diameter / 2.0 / zr[:, 1].max()
        return thinned(zr)


def _count(path_mm: float) -> int:
    return int(np.clip(path_mm / STEP_MM, 24, 4000))


def thinned(zr: FloatArray) -> FloatArray:
    """Drop points of a meridian that nothing depends on; corners and ends stay."""
    keep = [0]
    start = 0
    for i in range(2, len(zr)):
        span = zr[i] - zr[start]
        length = float(np.hypot(*span))
        between = zr[start + 1 : i] - zr[start]
        off = np.abs(between[:, 0] * span[1] - between[:, 1] * span[0]).max() / max(length, 1e-9)
        if off > CHORD_ERROR_MM or (length > LONGEST_STEP_MM and off > 1e-9):
            keep.append(i - 1)
            start = i - 1
    keep.append(len(zr) - 1)
    return np.asarray(zr[keep])
