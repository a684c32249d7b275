"""Flanks of a bead or cove: where they pass a level below the crest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from measure.landmarks import CREST
from measure.profile import Profile

__all__ = ["Flank", "crest_diameter", "flanks"]

_STEEPEST, _FLATTEST = 20.0, 0.05
_ROUND_TOP = 2
"""Rows to each side that make up a crest: the highest of many rows is high by chance."""
_CHORD_ROWS = 4


@dataclass(frozen=True, slots=True)
class Flank:
    """Where a flank passes its level, and the 95 % half-width from what rows do not share; mm."""

    z_mm: float
    u95_mm: float


def crest_diameter(profile: Profile, top: int) -> float:
    """Return the diameter, mm, of the crest or hollow whose row is `top`."""
    run = next(piece for piece in profile.pieces() if piece.start <= top < piece.stop)
    rows = slice(max(top - _ROUND_TOP, run.start), min(top + _ROUND_TOP + 1, run.stop))
    return float(np.mean(profile.diameter_mm[rows]))


def flanks(profile: Profile, kind: str, top: int, drop_mm: float) -> tuple[Flank, Flank]:
    """Return both flanks of a crest or hollow, the one nearer to z = 0 first.

    Parameters
    ----------
    profile : the piece.
    kind : `CREST` or `HOLLOW` of landmarks.
    top : its row.
    drop_mm : how far below the crest, or above the hollow, on the diameter; less than its
        prominence, so that both flanks reach it before the rows break off.
    """
    return (
        _flank(profile, kind, top, -1, drop_mm),
        _flank(profile, kind, top, 1, drop_mm),
    )


def _flank(profile: Profile, kind: str, top: int, step: int, drop_mm: float) -> Flank:
    sign = 1.0 if kind == CREST else -1.0
    z, height = profile.z_mm, sign * profile.diameter_mm
    run = next(piece for piece in profile.pieces() if piece.start <= top < piece.stop)
    low, high = run.start, run.stop - 1
    level = sign * crest_diameter(profile, top) - drop_mm
    at = top
    while low <= at + step <= high and height[at] > level:
        at += step
    back = at - step if at != top else at
    rise = height[back] - height[at]
    t = float(np.clip((height[back] - level) / rise, 0.0, 1.0)) if rise > 0.0 else 0.0
    place = float(z[back] + t * (z[at] - z[back]))
    below, above = max(at - _CHORD_ROWS, low), min(at + _CHORD_ROWS, high)
    slope = abs(height[above] - height[below]) / max(float(z[above] - z[below]), 1e-6)
    local = float(np.sqrt(max(profile.u95_mm[at] ** 2 - profile.u95_common_mm[at] ** 2, 0.0)))
    return Flank(place, float(local / np.clip(slope, _FLATTEST, _STEEPEST)))
