"""A chain of lines and arcs: the outline of a piece as a turner would draw it with compasses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Chain", "arc_centre", "directions", "distance_to_chain", "signed_distance"]

FloatArray = NDArray[np.float64]

STRAIGHT = 1e-9
"""Bulges smaller than this are straight lines."""


def signed_distance(
    z: FloatArray,
    r: FloatArray,
    start: tuple[FloatArray, FloatArray],
    end: tuple[FloatArray, FloatArray],
    bulge: FloatArray,
) -> FloatArray:
    """Return the distance of points from the full circles (or lines) of segments, mm.

    Parameters
    ----------
    z, r : (n,) points, mm.
    start, end : (n,) each, z and r of the ends of the segment that each point belongs to, mm.
    bulge : (n,) height of the arc over its chord divided by half the chord, positive when it
        swells away from the axis; 0 is a straight line, 1 half a circle.

    Returns
    -------
    distance : (n,) positive outside the outline. It is smooth in all arguments, also where
        the bulge passes through zero, so that a fit may turn an arc into a line.
    """
    along, up = end[0] - start[0], end[1] - start[1]
    chord = np.hypot(along, up)
    chord = np.where(chord > 0.0, chord, 1e-12)
    dz, dr = z - 0.5 * (start[0] + end[0]), r - 0.5 * (start[1] + end[1])
    u = (dz * along + dr * up) / chord
    v = (dr * along - dz * up) / chord
    half = 0.5 * chord
    height = bulge * half
    # Circle through (-half, 0), (0, height), (half, 0), scaled so that its gradient on the
    # circle is `gradient`; dividing as below gives the exact distance without cancellation.
    value = 2.0 * height * (u * u + v * v - half * half) - 2.0 * v * (height**2 - half**2)
    gradient = 2.0 * (height**2 + half**2)
    root = np.sqrt(np.maximum(gradient**2 + 8.0 * height * value, 0.0))
    return np.asarray(2.0 * value / (gradient + root))


def arc_centre(
    start: tuple[float, float], end: tuple[float, float], bulge: float
) -> tuple[float, float, float]:
    """Return z, r of the centre of an arc and its radius, mm; the bulge must not be 0."""
    along, up = end[0] - start[0], end[1] - start[1]
    chord = float(np.hypot(along, up))
    half, height = 0.5 * chord, 0.5 * chord * bulge
    offset = (height**2 - half**2) / (2.0 * height)
    z = 0.5 * (start[0] + end[0]) - offset * up / chord
    r = 0.5 * (start[1] + end[1]) + offset * along / chord
    return z, r, abs((height**2 + half**2) / (2.0 * height))


def directions(z: FloatArray, r: FloatArray, bulge: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the direction of each segment at its start and at its end, radians from +z."""
    chord = np.arctan2(np.diff(r), np.diff(z))
    turn = 2.0 * np.arctan(bulge)
    return chord + turn, chord - turn


@dataclass(frozen=True, slots=True)
class Chain:
    """Lines and arcs that join nodes, from the start end to the other, without a gap.

    Attributes
    ----------
    z_mm, r_mm : (n,) nodes; z does not decrease, two equal z are a shoulder.
    bulge : (n-1,) of each segment, as in `signed_distance`; 0 for lines and shoulders.
    """

    z_mm: FloatArray
    r_mm: FloatArray
    bulge: FloatArray

    def __post_init__(self) -> None:
        """Check that there is one bulge a step."""
        if self.bulge.shape != (max(len(self.z_mm) - 1, 0),):
            raise ValueError(f"bulge has shape {self.bulge.shape}, need ({len(self.z_mm) - 1},)")

    def is_shoulder(self, k: int) -> bool:
        """Say whether segment k stands square to the axis."""
        return bool(self.z_mm[k + 1] - self.z_mm[k] < 1e-9)

    def is_arc(self, k: int) -> bool:
        """Say whether segment k is an arc."""
        return bool(abs(self.bulge[k]) > STRAIGHT)

    def between(self, low_mm: float, high_mm: float) -> Chain | None:
        """Return the segments that reach into a stretch of z, whole; None if there is none."""
        reaches = (self.z_mm[1:] >= low_mm) & (self.z_mm[:-1] <= high_mm)
        own = np.flatnonzero(reaches)
        if not len(own):
            return None
        first, last = int(own[0]), int(own[-1])
        nodes = slice(first, last + 2)
        return Chain(self.z_mm[nodes], self.r_mm[nodes], self.bulge[first : last + 1])

    def segment_radius(self, k: int, z: FloatArray) -> FloatArray:
        """Return r of segment k at z, mm; outside the arc's circle, r of its centre."""
        a, b = (self.z_mm[k], self.r_mm[k]), (self.z_mm[k + 1], self.r_mm[k + 1])
        if not self.is_arc(k):
            span = b[0] - a[0]
            t = (z - a[0]) / span if span > 0.0 else np.zeros_like(z)
            return np.asarray(a[1] + t * (b[1] - a[1]))
        centre_z, centre_r, radius = arc_centre(a, b, float(self.bulge[k]))
        under = np.maximum(radius**2 - (z - centre_z) ** 2, 0.0)
        return np.asarray(centre_r + np.sign(self.bulge[k]) * np.sqrt(under))

    def radius_at(self, z: FloatArray) -> FloatArray:
        """Return r at z, shape (n,), mm; at a shoulder the side nearer to the start.

        Values outside the chain's length are NaN.
        """
        z = np.asarray(z, dtype=np.float64)
        out = np.full(z.shape, np.nan)
        for k in range(len(self.bulge) - 1, -1, -1):
            if self.is_shoulder(k):
                continue
            inside = (z >= self.z_mm[k] - 1e-9) & (z <= self.z_mm[k + 1] + 1e-9)
            out[inside] = self.segment_radius(k, z[inside])
        return out

    def points(self, tolerance_mm: float = 0.005) -> FloatArray:
        """Return (z, r) along the chain, shape (m, 2); chords stray at most the tolerance."""
        out = [(float(self.z_mm[0]), float(self.r_mm[0]))]
        for k in range(len(self.bulge)):
            a = (float(self.z_mm[k]), float(self.r_mm[k]))
            b = (float(self.z_mm[k + 1]), float(self.r_mm[k + 1]))
            if self.is_arc(k):
                bulge = float(self.bulge[k])
                zc, rc, radius = arc_centre(a, b, bulge)
                sweep = 4.0 * np.arctan(bulge)
                step = 2.0 * np.arccos(max(1.0 - tolerance_mm / radius, 0.0))
                count = max(int(np.ceil(abs(sweep) / max(step, 1e-6))), 1)
                angle0 = np.arctan2(a[1] - rc, a[0] - zc)
                for i in range(1, count):
                    angle = angle0 - sweep * i / count
                    out.append((zc + radius * np.cos(angle), rc + radius * np.sin(angle)))
            out.append(b)
        return np.array(out)


def distance_to_chain(chain: Chain, z: FloatArray, r: FloatArray) -> FloatArray:
    """Return the distance of points, shape (n,), from the nearest part of a chain, mm."""
    best = np.full(z.shape, np.inf)
    for k in range(len(chain.bulge)):
        a = (float(chain.z_mm[k]), float(chain.r_mm[k]))
        b = (float(chain.z_mm[k + 1]), float(chain.r_mm[k + 1]))
        ends = np.minimum(np.hypot(z - a[0], r - a[1]), np.hypot(z - b[0], r - b[1]))
        chord = (b[0] - a[0], b[1] - a[1])
        length = float(np.hypot(*chord))
        if length == 0.0:
            best = np.minimum(best, ends)
            continue
        if chain.is_arc(k):
            zc, rc, radius = arc_centre(a, b, float(chain.bulge[k]))
            middle = (0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1]))
            height = 0.5 * length * chain.bulge[k]
            top = (middle[0] - chord[1] / length * height, middle[1] + chord[0] / length * height)
            reach = np.cos(2.0 * np.arctan(abs(float(chain.bulge[k]))))
            off = np.hypot(z - zc, r - rc)
            with np.errstate(invalid="ignore", divide="ignore"):
                aim = ((z - zc) * (top[0] - zc) + (r - rc) * (top[1] - rc)) / (radius * off)
            beside = np.nan_to_num(aim, nan=-1.0) >= reach
            direct = np.abs(off - radius)
        else:
            t = ((z - a[0]) * chord[0] + (r - a[1]) * chord[1]) / length**2
            beside = (t >= 0.0) & (t <= 1.0)
            direct = np.abs(((r - a[1]) * chord[0] - (z - a[0]) * chord[1]) / length)
        best = np.minimum(best, np.where(beside, np.minimum(direct, ends), ends))
    return best
