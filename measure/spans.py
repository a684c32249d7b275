"""Neighbouring segments of a fair curve taken for one thing, and how well they are known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.chain import Chain

__all__ = ["FILLET_WIDEST_MM", "SMOOTH_RAD", "Outline", "Span", "crest_of", "is_whole"]

FloatArray = NDArray[np.float64]

SMOOTH_RAD = 0.14
"""Curves that meet at less than this angle flow into each other."""
FLAT_MM = 0.1
"""A straight whose diameter changes by less than this from end to end is level: calipers in the
workshop do not tell (common practice, no source)."""
FILLET_WIDEST_MM = 4.0
"""A flat narrower than this, between two other features, is called a fillet (common practice,
no source)."""
FALL_SHARE, FALL_MM = 0.08, 0.15
"""Both ends of a whole bead lie below its crest by this share of its height and this much."""


@dataclass(frozen=True, slots=True)
class Span:
    """Segments first..last of one sort.

    'flat', 'line' (a slope), 'out' (swelling), 'in' (hollow), 'ogee' or 'step'.
    """

    sort: str
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Outline:
    """A chain, and how well it is known.

    Attributes
    ----------
    place_u95_mm : (nodes,) 95 % half-width of the z of each node.
    u95_mm : (nodes,) 95 % half-width of the diameter there, the error of z beside a step in it.
    noise_mm : what of a diameter may be noise.
    """

    chain: Chain
    place_u95_mm: FloatArray
    u95_mm: FloatArray
    noise_mm: float

    @property
    def flat_mm(self) -> float:
        """What the diameters at the two ends of a flat may differ by."""
        return max(float(np.sqrt(2.0)) * self.noise_mm, FLAT_MM)

    def rise(self, span: Span) -> float:
        """Return how much farther from the axis a span ends than it begins."""
        return float(self.chain.r_mm[span.last + 1] - self.chain.r_mm[span.first])

    def width(self, span: Span) -> float:
        """Return the length of a span along the axis."""
        return float(self.chain.z_mm[span.last + 1] - self.chain.z_mm[span.first])


def crest_of(chain: Chain, span: Span) -> tuple[float, float]:
    """Return z and r of the crest of a bow, or of the bottom of a hollow."""
    sign = -1.0 if span.sort == "in" else 1.0
    best = (float(chain.z_mm[span.first]), float(chain.r_mm[span.first]))
    for k in range(span.first, span.last + 1):
        z = np.linspace(chain.z_mm[k], chain.z_mm[k + 1], 201)
        r = chain.segment_radius(k, z)
        i = int(np.argmax(sign * r))
        if sign * r[i] > sign * best[1]:
            best = (float(z[i]), float(r[i]))
    return best


def is_whole(outline: Outline, span: Span) -> bool:
    """Say whether a bow has its crest (or bottom) inside, not at one of its ends.

    A crest that lies no farther from an end than that end is placed may be the end itself.
    """
    chain = outline.chain
    z, r = crest_of(chain, span)
    nodes = (span.first, span.last + 1)
    falls = sorted(abs(r - float(chain.r_mm[k])) for k in nodes)
    inside = all(abs(z - chain.z_mm[k]) > outline.place_u95_mm[k] for k in nodes)
    return bool(inside and falls[0] > max(FALL_SHARE * falls[1], FALL_MM, outline.noise_mm))
