"""Hollows and ridges too narrow for a photo: how deep or how proud they are does not show."""

from __future__ import annotations

from dataclasses import replace

from measure.features import DEEPER, PROUDER, Feature
from measure.finedetail import NARROW_MM
from measure.landmarks import landmarks
from measure.profile import Profile

__all__ = ["with_fine_marked"]

SMEAR_MM = 1.0
"""A trace draws its edge through about so much at a time: over that, the foot of a ridge runs out
into what lies beside it, and half way up its width stays (rule of thumb, no source)."""
WIDEST_RIDGE_MM = NARROW_MM + 0.5 * SMEAR_MM
"""What shows too low may seem so wide: the fair curve puts its corners between the two."""
LEAST_MM = 0.25
"""Cuts less deep than this on the diameter are not looked for."""
FLATS = ("cylinder", "fillet")


def with_fine_marked(features: tuple[Feature, ...], profile: Profile) -> tuple[Feature, ...]:
    """Mark the narrow hollows and ridges of a traced piece; features in order along z.

    A hollow is narrow where the profile's own landmark is. A flat between two shoulders that both
    rise from it, or both fall, is a hollow or ridge too. What is seen in part only may be of any
    width, so that it is left alone.
    """
    cuts = [mark.z_mm for mark in landmarks(profile, LEAST_MM) if mark.narrow]
    last = len(features) - 1
    marked = []
    for i, f in enumerate(features):
        sense = _sense(f, features[max(i - 1, 0)], features[min(i + 1, last)])
        if sense == PROUDER and f.width_mm >= WIDEST_RIDGE_MM:
            sense = ""
        if sense == DEEPER and not any(f.z_from_mm <= z <= f.z_to_mm for z in cuts):
            sense = ""
        marked.append(replace(f, fine=sense))
    return tuple(marked)


def _sense(f: Feature, before: Feature, after: Feature) -> str:
    """Return what a feature is more of if it is too narrow; empty for neither hollow nor ridge."""
    if f.half or f.from_gap or f.to_gap:
        return ""
    if f.kind in ("cove", "hollow"):
        return DEEPER
    if f.kind in ("bead", "swell"):
        return PROUDER
    if f.kind not in FLATS or (before.kind, after.kind) != ("shoulder", "shoulder"):
        return ""
    sides = before.diameter_from_mm, after.diameter_to_mm
    if min(sides) > f.diameter_mm:
        return DEEPER
    return PROUDER if max(sides) < f.diameter_mm else ""
