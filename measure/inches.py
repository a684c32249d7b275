"""Millimetres in inch fractions, as they stand on a rule."""

from __future__ import annotations

from fractions import Fraction
from math import floor

from calib.typedinches import MM_PER_INCH

__all__ = ["FINEST", "MM_PER_INCH", "inch_fraction", "nearest_fraction"]

FINEST = 64
"""Finest division that a workshop rule shows: 1/64 inch, 0.4 mm."""


def nearest_fraction(mm: float, finest: int = FINEST) -> Fraction:
    """Return the inch fraction nearest to a length in mm, in steps of 1/`finest`.

    Raises
    ------
    ValueError
        If `finest` is no division of a rule (a power of two).
    """
    if finest < 1 or finest & (finest - 1):
        raise ValueError(f"finest is {finest}, need a power of two")
    # Halves go up: `round` would send 1/2 and 3/2 of a step to the same even mark.
    return Fraction(floor(mm / MM_PER_INCH * finest + 0.5), finest)


def inch_fraction(mm: float, finest: int = FINEST) -> str:
    """Return a length in mm as whole inches and a fraction in lowest terms, such as 1 47/64."""
    value = nearest_fraction(mm, finest)
    sign = "-" if value < 0 else ""
    whole, part = divmod(abs(value), 1)
    if not part:
        return f"{sign}{whole}"
    return f"{sign}{whole} {part}" if whole else f"{sign}{part}"
