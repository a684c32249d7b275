"""How lengths are written for the turner: millimetres, or inch fractions on request."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

from measure.inches import MM_PER_INCH, inch_fraction

__all__ = ["INCHES", "METRIC", "Units", "units_for"]


@dataclass(frozen=True, slots=True)
class Units:
    """The words of one system of units. Every method takes millimetres.

    Attributes
    ----------
    name : "mm" or "in", as it stands after a number.
    word : in full.
    inches : whether this is the inch system.
    """

    name: str
    word: str
    inches: bool

    def number(self, mm: float) -> str:
        """Return a length without its unit: 43.6, or 1 23/32."""
        return inch_fraction(mm) if self.inches else f"{_tidy(mm, 1)}"

    def fine(self, mm: float) -> str:
        """Return a length as exactly as it is worth: 43.6 mm, or 1.717 in in decimals.

        In inches a fraction of 1/64 is coarser than the measurement, so the decimals carry
        the uncertainty.
        """
        return _tidy(mm / MM_PER_INCH, 3) if self.inches else _tidy(mm, 1)

    def spread(self, mm: float) -> str:
        """Return a half-width for after a ±, rounded up so that it never promises more."""
        value, decimals = (mm / MM_PER_INCH, 3) if self.inches else (mm, 2)
        step = 10.0**-decimals
        # A hair of leave keeps 0.12 from becoming 0.13 by the rounding of binary fractions.
        return f"{max(ceil(value / step - 1e-6), 1) * step:.{decimals}f}"

    def place(self, mm: float) -> str:
        """Return a place along the axis without its unit: 97, 97.5, or 3 13/16."""
        if self.inches:
            return inch_fraction(mm)
        return _tidy(mm, 0) if abs(mm - round(mm)) < 0.05 else _tidy(mm, 1)

    def step(self, every_mm: float) -> float:
        """Return the spacing, mm, of the stations shown for one asked in mm.

        In inches the nearest spacing that a rule shows, since 5 mm falls on no mark of it. The
        files keep to the one asked.
        """
        if not self.inches:
            return every_mm
        steps = [MM_PER_INCH * 2.0**power for power in range(-5, 4)]
        return min(steps, key=lambda step: abs(step - every_mm))

    def with_spread(self, mm: float, u95_mm: float) -> str:
        """Return a length with unit and ±: 43.6 ±0.12 mm, or 1 23/32 in (1.717 ±0.005)."""
        if self.inches:
            return f"{self.number(mm)} in ({self.fine(mm)} ±{self.spread(u95_mm)})"
        return f"{self.number(mm)} ±{self.spread(u95_mm)} mm"

    def span(self, a_mm: float, b_mm: float) -> str:
        """Return a stretch of the axis with its unit: 41 to 52 mm."""
        return f"{self.place(a_mm)} to {self.place(b_mm)} {self.name}"


METRIC = Units("mm", "millimetres", inches=False)
INCHES = Units("in", "inches", inches=True)


def units_for(inches: bool) -> Units:
    """Return the units that `--inches` asks for."""
    return INCHES if inches else METRIC


def _tidy(value: float, decimals: int) -> str:
    """Format without a minus before zero."""
    return f"{value + 0.0:.{decimals}f}" if round(value, decimals) else f"{0.0:.{decimals}f}"
