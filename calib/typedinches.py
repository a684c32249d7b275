"""Lengths typed in inches, among others in millimetres: 1-3/4in, 1 3/4in, 1.75in, 1.75"."""

from __future__ import annotations

import re
from fractions import Fraction

__all__ = ["MM_PER_INCH", "inches_to_mm"]

MM_PER_INCH = 25.4
"""Exactly, since the international yard and pound agreement of 1959."""

_FRACTION, _DECIMAL = r"(?:(\d+)[ -]+)?(\d+)/(0*[1-9]\d*)", r"(\d+(?:[.,]\d+)?|[.,]\d+)"
_TYPED = re.compile(rf"(?<![\d/])(?:{_FRACTION}|{_DECIMAL})\s*(?:in(?![a-wyz])|\")")


def inches_to_mm(text: str) -> str:
    """Return a text with every length in inches in it written in millimetres.

    What has no unit of its own, and what is no length, stays as it is.
    """
    return _TYPED.sub(_as_mm, text)


def _as_mm(found: re.Match[str]) -> str:
    whole, part, of, decimal = found.groups()
    if decimal is not None:
        inches = Fraction(decimal.replace(",", "."))
    else:
        inches = Fraction(int(whole or 0)) + Fraction(int(part), int(of))
    return f"{float(inches * Fraction('25.4')):.10g}"
