"""The turner's names for what a profile holds: bead, cove, shoulder, tenon and their like."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from measure.chain import Chain
from measure.fair import FairCurve, local_u95
from measure.profile import LONGEST_BRIDGE_MM, Profile

__all__ = ["KINDS", "Feature", "name_features", "seen_well"]

FloatArray = NDArray[np.float64]

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
)

FILLET_WIDEST_MM = 4.0
"""A flat narrower than this, between two other features, is called a fillet (common practice,
no source)."""
LONG_MM, SLENDER = 25.0, 0.12
"""Longer than this and lower than this share of its length, a bead is called a swell and a
cove a hollow (common practice, no source)."""
FALL_SHARE, FALL_MM = 0.08, 0.15
"""Both ends of a whole bead lie below its crest by this share of its height and this much."""
LEAST_RUN_MM = 5.0
"""A run between gaps that is shorter than this does not tell a bead from a cove (common practice,
no source)."""
SMOOTH_RAD = 0.14
"""Curves that meet at less than this angle flow into each other."""


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
    u95_mm : 95 % half-width of `diameter_mm`, from the rows there.
    place_u95_mm : 95 % half-width of the ends' z, as far as the fit tells; that of the
        profile's own z and length not included.
    from_gap, to_gap : whether it begins or ends where the outline stops being seen: that end
        is no edge of the piece.
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
    place_u95_mm: float
    from_gap: bool = False
    to_gap: bool = False

    @property
    def width_mm(self) -> float:
        """Length along the axis."""
        return self.z_to_mm - self.z_from_mm

    @property
    def name(self) -> str:
        """The kind as a turner would say it."""
        return f"half {self.kind}" if self.half else self.kind


@dataclass(frozen=True, slots=True)
class _Span:
    """Neighbouring segments of one sort: 'line', 'out' (swelling), 'in' (hollow), 'step'."""

    sort: str
    first: int
    last: int


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
        noise = float(np.median(local_u95(profile)))
        spans = _ogees(chain, _spans(chain), noise)
        run = [_feature(chain, place, spans, i, profile, noise) for i in range(len(spans))]
        if run and chain.z_mm[0] - low > LONGEST_BRIDGE_MM:
            run[0] = replace(run[0], from_gap=True)
        if run and high - chain.z_mm[-1] > LONGEST_BRIDGE_MM:
            run[-1] = replace(run[-1], to_gap=True)
        found += run
    return tuple(found)


def seen_well(features: tuple[Feature, ...]) -> tuple[Feature, ...]:
    """Leave out what lies in a run too short between gaps; features in order along z."""
    runs: list[list[Feature]] = []
    for f in features:
        if not runs or f.from_gap or runs[-1][-1].to_gap:
            runs.append([])
        runs[-1].append(f)
    kept = [
        run
        for run in runs
        if not (run[0].from_gap or run[-1].to_gap)
        or run[-1].z_to_mm - run[0].z_from_mm >= LEAST_RUN_MM
    ]
    return tuple(f for run in kept for f in run)


def _spans(chain: Chain) -> list[_Span]:
    spans: list[_Span] = []
    for k in range(len(chain.bulge)):
        if chain.is_shoulder(k):
            sort = "step"
        elif not chain.is_arc(k):
            sort = "line"
        else:
            sort = "out" if chain.bulge[k] > 0.0 else "in"
        flows = bool(spans) and sort in ("out", "in") and spans[-1].sort == sort
        if flows and abs(_turn(chain, k)) < SMOOTH_RAD and _one_bow(chain, spans[-1].first, k):
            spans[-1] = _Span(sort, spans[-1].first, k)
        elif sort != "step" or abs(chain.r_mm[k + 1] - chain.r_mm[k]) > 1e-6:
            spans.append(_Span(sort, k, k))
    return spans


def _one_bow(chain: Chain, first: int, k: int) -> bool:
    """Say whether arcs first..k curve alike enough to be one bow, not two side by side."""
    return all(chain.bulge[i] * chain.bulge[k] > 0.0 for i in range(first, k))


def _turn(chain: Chain, k: int) -> float:
    """Return the angle by which the outline turns at node k, radians."""

    def chord(i: int) -> float:
        return float(
            np.arctan2(chain.r_mm[i + 1] - chain.r_mm[i], chain.z_mm[i + 1] - chain.z_mm[i])
        )

    before = chord(k - 1) - 2.0 * float(np.arctan(chain.bulge[k - 1]))
    after = chord(k) + 2.0 * float(np.arctan(chain.bulge[k]))
    return after - before


def _ogees(chain: Chain, spans: list[_Span], noise: float) -> list[_Span]:
    """Join a half bead and a half cove that flow into each other the same way uphill."""
    out: list[_Span] = []
    for span in spans:
        last = out[-1] if out else None
        if (
            last is not None
            and {last.sort, span.sort} == {"out", "in"}
            and last.last + 1 == span.first
            and abs(_turn(chain, span.first)) < SMOOTH_RAD
            and not _is_whole(chain, last, noise)
            and not _is_whole(chain, span, noise)
            and _rise(chain, last) * _rise(chain, span) > 0.0
        ):
            out[-1] = _Span("ogee", last.first, span.last)
        else:
            out.append(span)
    return out


def _rise(chain: Chain, span: _Span) -> float:
    return float(chain.r_mm[span.last + 1] - chain.r_mm[span.first])


def _extreme(chain: Chain, span: _Span) -> tuple[float, float]:
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


def _is_whole(chain: Chain, span: _Span, noise: float) -> bool:
    """Say whether a bow has its crest (or bottom) inside, not at one of its ends."""
    _, r = _extreme(chain, span)
    ends = (float(chain.r_mm[span.first]), float(chain.r_mm[span.last + 1]))
    falls = sorted(abs(r - end) for end in ends)
    return falls[0] > max(FALL_SHARE * falls[1], FALL_MM, noise)


def _sides(chain: Chain, spans: list[_Span], i: int) -> tuple[float, float]:
    """Return r beside a feature: across a shoulder if one bounds it."""
    span = spans[i]
    left, right = float(chain.r_mm[span.first]), float(chain.r_mm[span.last + 1])
    if i > 0 and spans[i - 1].sort == "step":
        left = float(chain.r_mm[spans[i - 1].first])
    if i + 1 < len(spans) and spans[i + 1].sort == "step":
        right = float(chain.r_mm[spans[i + 1].last + 1])
    return left, right


def _feature(
    chain: Chain, place: FloatArray, spans: list[_Span], i: int, profile: Profile, noise: float
) -> Feature:
    span = spans[i]
    z0, z1 = float(chain.z_mm[span.first]), float(chain.z_mm[span.last + 1])
    r0, r1 = float(chain.r_mm[span.first]), float(chain.r_mm[span.last + 1])
    zm = 0.5 * (z0 + z1)
    rm, height, half = 0.5 * (r0 + r1), 0.0, False
    kind = {"line": "taper", "step": "shoulder", "ogee": "ogee"}.get(span.sort, "")
    if span.sort == "line" and 2.0 * abs(r1 - r0) < noise:
        kind = _flat_name(chain, spans, i)
    elif span.sort == "step":
        rm, height = max(r0, r1), abs(r1 - r0)
    elif span.sort == "ogee":
        rm, height = float(chain.radius_at(np.array([zm]))[0]), abs(r1 - r0)
    elif span.sort in ("out", "in"):
        kind, half, zm, rm, height = _bow(chain, spans, i, noise)
    u95 = float(np.interp(zm, profile.z_mm, profile.u95_mm))
    return Feature(
        kind,
        half,
        z0,
        z1,
        zm,
        2.0 * rm,
        2.0 * r0,
        2.0 * r1,
        height,
        u95,
        float(max(place[span.first], place[span.last + 1])),
    )


def _flat_name(chain: Chain, spans: list[_Span], i: int) -> str:
    span = spans[i]
    at_end = i == 0 or i == len(spans) - 1
    if at_end and len(spans) > 1 and spans[1 if i == 0 else i - 1].sort == "step":
        left, right = _sides(chain, spans, i)
        if max(left, right) > float(chain.r_mm[span.first]) + 0.25:
            return "tenon"
    narrow = chain.z_mm[span.last + 1] - chain.z_mm[span.first] < FILLET_WIDEST_MM
    return "fillet" if narrow and not at_end else "cylinder"


def _bow(
    chain: Chain, spans: list[_Span], i: int, noise: float
) -> tuple[str, bool, float, float, float]:
    span = spans[i]
    zm, rm = _extreme(chain, span)
    sides = _sides(chain, spans, i)
    outward = span.sort == "out"
    half = not _is_whole(chain, span, noise)
    ends = (float(chain.r_mm[span.first]), float(chain.r_mm[span.last + 1]))
    if half:
        height = abs(ends[1] - ends[0])
    else:
        height = rm - max(sides) if outward else min(sides) - rm
        if height <= 0.0:  # a bead in a hollow, a cove under a shoulder: measure from its own ends
            height = rm - max(ends) if outward else min(ends) - rm
    length = float(chain.z_mm[span.last + 1] - chain.z_mm[span.first])
    bow = abs(rm - 0.5 * (ends[0] + ends[1]))
    slender = length > LONG_MM and bow < SLENDER * length
    kind = ("swell" if slender else "bead") if outward else ("hollow" if slender else "cove")
    return kind, half, zm, rm, height
