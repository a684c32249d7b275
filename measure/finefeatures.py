"""Hollows and ridges too narrow for a photo: how deep or how proud they are does not show."""

from __future__ import annotations

from dataclasses import replace

from measure.features import DEEPER, PROUDER, Feature
from measure.finedetail import NARROW_MM

__all__ = ["WIDEST_MM", "with_fine_marked"]

SMEAR_MM = 1.0
"""A trace draws its edge through about so much at a time: over that, the brim of a cut runs out
into what lies beside it, and half way down its width stays (rule of thumb, no source)."""
WIDEST_MM = NARROW_MM + 0.5 * SMEAR_MM
"""What shows too shallow may seem so wide: the fair curve puts its corners between the two."""
FLATS = ("cylinder", "fillet")


def with_fine_marked(features: tuple[Feature, ...]) -> tuple[Feature, ...]:
    """Mark the narrow hollows and ridges of a traced piece; features in order along z.

    A flat between two shoulders that both rise from it, or both fall, is such a hollow or ridge
    too. One that is seen in part only may be of any width, so that it is left alone.
    """
    last = len(features) - 1
    return tuple(
        replace(f, fine=_sense(f, features[max(i - 1, 0)], features[min(i + 1, last)]))
        for i, f in enumerate(features)
    )


def _sense(f: Feature, before: Feature, after: Feature) -> str:
    """Return what it may be beyond what it shows; empty where it is wide enough to show."""
    if f.width_mm >= WIDEST_MM or f.half or f.from_gap or f.to_gap:
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
