"""Stations along a curve: sizing cuts between the settings, for what has no straight to aim at."""

from __future__ import annotations

from math import ceil, floor

import numpy as np

from measure.fair import FairCurve
from measure.features import Feature
from measure.profile import Profile
from measure.settings import GAP_MM, LOOSE_MM, Setting, caliper_setting

__all__ = ["STATION", "with_stations"]

STATION = "station"
CURVES = ("bead", "cove", "swell", "hollow", "ogee")
LONG_MM, EVERY_MM, MOST = 15.0, (10.0, 20.0, 50.0, 100.0, 200.0), 6
"""A curve from this length on gets a sizing cut at every full centimetre from the foot, or at
wider round places if these are more than so many (common practice, no source)."""
PART_MM, PART_EVERY_MM = 5.0, 5.0
"""What is seen in part sets nothing at its ends, so it gets cuts from this length on, closer by."""
CLEAR_MM = 3.0
"""Nearer to another setting, or to the end of the curve, a cut helps nobody."""


def with_stations(
    settings: tuple[Setting, ...],
    features: tuple[Feature, ...],
    curve: FairCurve,
    profile: Profile,
) -> tuple[Setting, ...]:
    """Return the settings in order along z, with those of stations.

    They stand on the long curves, on what is seen in part, and in the middle of each run between
    gaps that has no other: what is turned there may not show, its diameter is known all the same.
    """
    taken = [s.z_mm for s in settings]
    wanted = [z for f in features for z in _places(f)]
    clear = [z for z in wanted if all(abs(z - t) >= CLEAR_MM for t in taken)]
    added = _stations(curve, profile, clear)
    taken += [s.z_mm for s in added]
    empty = [
        0.5 * (low + high)
        for low, high in _runs(curve, features)
        if 0.5 * (high - low) >= GAP_MM and not any(low <= z <= high for z in taken)
    ]
    added += _stations(curve, profile, empty)
    return tuple(sorted((*settings, *added), key=lambda s: s.z_mm))


def _runs(curve: FairCurve, features: tuple[Feature, ...]) -> list[tuple[float, float]]:
    """Return z of both ends of each run that a gap bounds."""
    edges = [f.z_mid_mm for f in features if f.from_gap or f.to_gap]
    ends = [(float(chain.z_mm[0]), float(chain.z_mm[-1])) for chain in curve.chains]
    return [run for run in ends if any(run[0] <= z <= run[1] for z in edges)]


def _stations(curve: FairCurve, profile: Profile, places: list[float]) -> list[Setting]:
    """Return the settings at those of the places where the diameter is known well enough."""
    found = []
    for z in places:
        d = _diameter(curve, z)
        u95 = float(np.interp(z, profile.z_mm, profile.u95_mm))
        if u95 <= LOOSE_MM and np.isfinite(d):
            found.append(Setting(z, STATION, d, u95, caliper_setting(d)))
    return found


def _places(f: Feature) -> list[float]:
    bent = f.kind in CURVES
    part = (f.from_gap or f.to_gap) and (bent or f.kind == "taper")
    if f.width_mm < (PART_MM if part else LONG_MM) or not (bent or part):
        return []
    every = PART_EVERY_MM
    if f.width_mm >= LONG_MM:
        every = next((e for e in EVERY_MM if f.width_mm / e <= MOST), EVERY_MM[-1])
    first, last = ceil((f.z_from_mm + CLEAR_MM) / every), floor((f.z_to_mm - CLEAR_MM) / every)
    return [every * k for k in range(first, last + 1)]


def _diameter(curve: FairCurve, z: float) -> float:
    at = np.array([z])
    found = [2.0 * float(chain.radius_at(at)[0]) for chain in curve.chains]
    return next((d for d in found if np.isfinite(d)), float("nan"))
