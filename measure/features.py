"""The turner's names for what a profile holds: bead, cove, shoulder, tenon and their like."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from measure.chain import Chain
from measure.fair import FairCurve
from measure.profile import LONGEST_BRIDGE_MM, Profile
from measure.spanjoins import spans_of
from measure.spans import FILLET_WIDEST_MM, Outline, Span, crest_of, is_whole
from measure.stray import local_u95

__all__ = ["DEEPER", "KINDS", "OUTLINE", "PROUDER", "Feature", "name_features"]

FloatArray = NDArray[np.float64]

OUTLINE = "outline"
"""What was seen of the piece where too little was seen to call it anything."""
KINDS = (
    "cylinder",
    "fillet",
    "tenon",
    "taper",
    "bead",
    "cove",
    "ogee",
    "swell",
    "hollow",
    "shoulder",
    OUTLINE,
)

DEEPER, PROUDER = "deeper", "prouder"

LONG_MM, SLENDER = 25.0, 0.12
"""Longer than this and lower than this share of its length, a bead is called a swell and a
cove a hollow (common practice, no source)."""
SLIVER_MM = 1.0
"""What is narrower at the edge of a gap is not told from the edge."""
LEAST_ROWS = 3
END_MM = 1.0
"""So much of a feature, where it begins and ends, says how sure its diameter is there."""


@dataclass(frozen=True, slots=True)
class Feature:
    """One thing that a turner would name; millimetres.

    Attributes
    ----------
    kind : one of `KINDS`.
    half : True for a bead or cove that rises or falls to one side only (a quarter round).
    z_from_mm, z_to_mm : where it begins and ends.
    z_mid_mm : its crest or the bottom of its hollow; otherwise the middle.
    diameter_mm : at `z_mid_mm`; of a shoulder the larger of its two diameters.
    diameter_from_mm, diameter_to_mm : at its two ends.
    height_mm : how far a bead or swell stands proud of the higher of its two sides, measured on
        the radius; how deep a cove or hollow lies below the lower of its two sides; the rise
        of an ogee; the step of a shoulder on the radius; 0 for the others.
    u95_mm, u95_from_mm, u95_to_mm : 95 % half-widths of `diameter_mm` and of the diameters at its
        two ends, from the rows there.
    place_u95_mm : 95 % half-width of the ends' z, as far as the fit tells; that of the
        profile's own z and length not included.
    from_gap, to_gap : whether it begins or ends where the outline stops being seen: that end
        is no edge of the piece.
    fine : `DEEPER` or `PROUDER` where it is too narrow to show how much it is; otherwise empty.
    """

    kind: str
    half: bool
    z_from_mm: float
    z_to_mm: float
    z_mid_mm: float
    diameter_mm: float
    diameter_from_mm: float
    diameter_to_mm: float
    height_mm: float
    u95_mm: float
    u95_from_mm: float
    u95_to_mm: float
    place_u95_mm: float
    from_gap: bool = False
    to_gap: bool = False
    fine: str = ""

    @property
    def width_mm(self) -> float:
        """Length along the axis."""
        return self.z_to_mm - self.z_from_mm

    @property
    def name(self) -> str:
        """The kind as a turner would say it."""
        return f"half {self.kind}" if self.half else self.kind


def name_features(
    curve: FairCurve, profile: Profile, ends_mm: tuple[float, float] | None = None
) -> tuple[Feature, ...]:
    """Return the features of a fair curve; the profile gives the uncertainties.

    Parameters
    ----------
    ends_mm : z of the two ends of the piece; of the first and last row if None.
    """
    found: list[Feature] = []
    low, high = ends_mm or (float(profile.z_mm[0]), float(profile.z_mm[-1]))
    for chain, place in zip(curve.chains, curve.place_u95_mm, strict=True):
        is_end = (
            float(chain.z_mm[0]) - low <= LONGEST_BRIDGE_MM,
            high - float(chain.z_mm[-1]) <= LONGEST_BRIDGE_MM,
        )
        found += _Run(chain, place, profile, is_end).features()
    return tuple(found)


class _Run:
    """One gapless stretch: its spans, and what each is called."""

    def __init__(
        self, chain: Chain, place: FloatArray, profile: Profile, is_end: tuple[bool, bool]
    ) -> None:
        """Part the chain into spans; `is_end` says whether the piece ends where it begins, ends."""
        self.chain, self.place, self.is_end = chain, place, is_end
        z = profile.z_mm
        own = (z >= chain.z_mm[0] - 1e-9) & (z <= chain.z_mm[-1] + 1e-9)
        self.z, self.u95 = z[own], profile.u95_mm[own]
        noise = float(np.median(local_u95(profile)[own]))
        self.outline = Outline(chain, place, np.interp(chain.z_mm, self.z, self.u95), noise)
        self.spans = spans_of(self.outline)

    def features(self) -> list[Feature]:
        """Return the features in order; slivers at the edge of a gap are left out."""
        found = [self._feature(i) for i in range(len(self.spans))]
        from_gap, to_gap = (not end for end in self.is_end)
        while from_gap and len(found) > 1 and found[0].width_mm < SLIVER_MM:
            found.pop(0)
        while to_gap and len(found) > 1 and found[-1].width_mm < SLIVER_MM:
            found.pop()
        if found:
            found[0] = replace(found[0], from_gap=from_gap)
            found[-1] = replace(found[-1], to_gap=to_gap)
        return found

    def _ends(self, span: Span) -> tuple[float, float]:
        return float(self.chain.r_mm[span.first]), float(self.chain.r_mm[span.last + 1])

    def _sides(self, i: int) -> tuple[float, float]:
        """Return r beside a feature: across a shoulder if one bounds it."""
        left, right = self._ends(self.spans[i])
        if i > 0 and self.spans[i - 1].sort == "step":
            left = self._ends(self.spans[i - 1])[0]
        if i + 1 < len(self.spans) and self.spans[i + 1].sort == "step":
            right = self._ends(self.spans[i + 1])[1]
        return left, right

    def _feature(self, i: int) -> Feature:
        span = self.spans[i]
        z0, z1 = float(self.chain.z_mm[span.first]), float(self.chain.z_mm[span.last + 1])
        r0, r1 = self._ends(span)
        zm = 0.5 * (z0 + z1)
        rm, height, half = 0.5 * (r0 + r1), 0.0, False
        kind = {"line": "taper", "step": "shoulder", "ogee": "ogee"}.get(span.sort, "")
        u95 = self._u95_about(zm, z0, z1)
        if span.sort == "flat":  # its ends are known worst
            kind, rm = self._flat_name(i), float(self.chain.radius_at(np.array([zm]))[0])
        elif span.sort == "step":
            rm, height = max(r0, r1), abs(r1 - r0)
        elif span.sort == "ogee":
            rm, height = float(self.chain.radius_at(np.array([zm]))[0]), abs(r1 - r0)
        elif span.sort in ("out", "in"):
            kind, half, zm, rm, height = self._bow(i)
            u95 = self._u95_about(zm, zm, zm)
        return Feature(
            kind=kind,
            half=half,
            z_from_mm=z0,
            z_to_mm=z1,
            z_mid_mm=zm,
            diameter_mm=2.0 * rm,
            diameter_from_mm=2.0 * r0,
            diameter_to_mm=2.0 * r1,
            height_mm=height,
            u95_mm=u95,
            u95_from_mm=self._u95_inside(z0, min(z0 + END_MM, z1)),
            u95_to_mm=self._u95_inside(max(z1 - END_MM, z0), z1),
            place_u95_mm=float(max(self.place[span.first], self.place[span.last + 1])),
        )

    def _u95_inside(self, low: float, high: float) -> float:
        """Return the U95 of the rows from `low` to `high`, or in their middle if there is none."""
        inside = (self.z >= low) & (self.z <= high)
        if inside.any():
            return float(np.median(self.u95[inside]))
        return float(np.interp(0.5 * (low + high), self.z, self.u95))

    def _u95_about(self, z: float, low: float, high: float) -> float:
        """Return the U95 of the rows in the middle half of a stretch, or at a place.

        Beside a step the error of z counts as error of the diameter there. It moves the step, not
        the level of what lies beside it, so that the rows at its ends do not speak for a flat.
        """
        inner = np.abs(self.z - z) <= 0.25 * (high - low)
        if inner.sum() >= LEAST_ROWS:
            return float(np.median(self.u95[inner]))
        return float(np.interp(z, self.z, self.u95))

    def _flat_name(self, i: int) -> str:
        span = self.spans[i]
        first, last = i == 0, i == len(self.spans) - 1
        ends = (first and self.is_end[0]) or (last and self.is_end[1])
        ends = ends and len(self.spans) > 1 and self.spans[1 if first else i - 1].sort == "step"
        if ends and max(self._sides(i)) > self._ends(span)[0] + 0.25:
            return "tenon"
        narrow = self.outline.width(span) < FILLET_WIDEST_MM
        return "fillet" if narrow and not (first or last) else "cylinder"

    def _bow(self, i: int) -> tuple[str, bool, float, float, float]:
        span, ends, sides = self.spans[i], self._ends(self.spans[i]), self._sides(i)
        zm, rm = crest_of(self.chain, span)
        outward = span.sort == "out"
        half = not is_whole(self.outline, span)
        if half:
            height = abs(ends[1] - ends[0])
        else:
            height = rm - max(sides) if outward else min(sides) - rm
            if height <= 0.0:  # a bead in a hollow, a cove under a shoulder: from its own ends
                height = rm - max(ends) if outward else min(ends) - rm
        length = float(self.chain.z_mm[span.last + 1] - self.chain.z_mm[span.first])
        bow = abs(rm - 0.5 * (ends[0] + ends[1]))
        slender = length > LONG_MM and bow < SLENDER * length
        kind = ("swell" if slender else "bead") if outward else ("hollow" if slender else "cove")
        return kind, half, zm, rm, height
