"""Lengths as they are typed, in inches and millimetres: 1-3/4in, 1 3/4in, 1.75", 44.5 mm, 44.5."""

from __future__ import annotations

import re
from fractions import Fraction

__all__ = ["MM_PER_INCH", "inches_to_mm", "lengths_to_mm", "without_unit"]

MM_PER_INCH = 25.4
"""Exactly, since the international yard and pound agreement of 1959."""

_FRACTION, _DECIMAL = r"(?:(\d+)[ -]+)?(\d+)/(0*[1-9]\d*)", r"(\d+(?:[.,]\d+)?|[.,]\d+)"
_TYPED = re.compile(rf"(?<![\d/])(?:{_FRACTION}|{_DECIMAL})\s*(?:in(?![a-wyz])|\")")
_MILLIMETRES = re.compile(r"(\d+(?:[.,]\d+)?|[.,]\d+)\s*mm(?![a-wyz])")
_BARE = re.compile(r"(?<![\w.,])(?:\d+(?:[.,]\d+)?|[.,]\d+)(?!\w)")


def inches_to_mm(text: str) -> str:
    """Return a text with every length in inches in it written in millimetres.

    What has no unit of its own, and what is no length, stays as it is.
    """
    return _TYPED.sub(_as_mm, text)


def lengths_to_mm(text: str) -> str:
    """Return a text with every length in it as a bare number of millimetres."""
    return _MILLIMETRES.sub(r"\1", inches_to_mm(text))


def without_unit(text: str) -> str | None:
    """Return the first number in a text that may be a length in either unit; None without one.

    0 is the same in both.
    """
    unsaid = _MILLIMETRES.sub("", _TYPED.sub("", text))
    bare = (found[0] for found in _BARE.finditer(unsaid))
    return next((number for number in bare if float(number.replace(",", ".")) != 0.0), None)


def _as_mm(found: re.Match[str]) -> str:
    whole, part, of, decimal = found.groups()
    if decimal is not None:
        inches = Fraction(decimal.replace(",", "."))
    else:
        inches = Fraction(int(whole or 0)) + Fraction(int(part), int(of))
    return f"{float(inches * Fraction('25.4')):.10g}"
