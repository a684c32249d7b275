"""Crests, hollows and shoulders in words."""

from __future__ import annotations

from collections.abc import Callable

from measure.landmarks import END, OR_LESS, SHOULDER, Landmark
from measure.profile import Profile

__all__ = ["mark_name", "size_words"]


def mark_name(mark: Landmark) -> str:
    """Return what a mark is of: the outermost row need not be the piece's end."""
    return "outermost seen" if mark.kind == END else mark.kind


def size_words(profile: Profile, mark: Landmark, write: Callable[[float], str]) -> str:
    """Return a landmark's diameter as `write` writes it.

    Of a shoulder both, the side nearer to z = 0 first; of a narrow hollow the limit that shows.
    """
    if mark.kind == SHOULDER:
        here = profile.diameter_mm[profile.z_mm == mark.z_mm]
        return " / ".join(write(float(d)) for d in here)
    return f"{write(mark.diameter_mm)} {OR_LESS}" if mark.narrow else write(mark.diameter_mm)
