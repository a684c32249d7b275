"""Lathe speeds for a diameter."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from measure.inches import MM_PER_INCH

__all__ = ["SPEED_SOURCE", "Speeds", "lathe_speeds"]

LOW_PRODUCT, HIGH_PRODUCT = 6000.0, 9000.0
"""Diameter in inches times rev/min: the rule of woodturning handbooks (from memory)."""
HIGHEST_RPM = 3000.0
"""No faster is printed, however thin the work (common practice, no source)."""
SANDING_SHARE = 0.5
"""Sand at about half the speed of the finishing cut (common practice, no source)."""

SPEED_SOURCE = (
    "diameter in inches × rev/min = 6000 to 9000, the usual handbook rule (from memory); rough "
    "the blank no faster than 6000 by its diagonal, sand at half speed: common practice"
)


@dataclass(frozen=True, slots=True)
class Speeds:
    """Speed ranges, rev/min, low and high, rounded to 50 downward."""

    roughing: tuple[int, int]
    shaping: tuple[int, int]
    sanding: tuple[int, int]


def lathe_speeds(diameter_mm: float, square_mm: float | None = None) -> Speeds:
    """Return speeds for work of a largest diameter, mm.

    Parameters
    ----------
    diameter_mm : of the finished work.
    square_mm : side of a square blank, whose corners swing a larger circle; None if round.

    Raises
    ------
    ValueError
        If a size is not positive.
    """
    if diameter_mm <= 0.0 or (square_mm is not None and square_mm <= 0.0):
        raise ValueError(f"diameter {diameter_mm} and side {square_mm} mm; need more than 0")
    swing = diameter_mm if square_mm is None else square_mm * sqrt(2.0)
    rough = LOW_PRODUCT * MM_PER_INCH / swing
    low, high = (p * MM_PER_INCH / diameter_mm for p in (LOW_PRODUCT, HIGH_PRODUCT))
    # Half of what is printed for shaping: thin work too is sanded slower than it is cut.
    sanding = [SANDING_SHARE * min(rpm, HIGHEST_RPM) for rpm in (low, high)]
    return Speeds(_range(0.5 * rough, rough), _range(low, high), _range(*sanding))


def _range(low: float, high: float) -> tuple[int, int]:
    def down(rpm: float) -> int:
        return max(int(min(rpm, HIGHEST_RPM) // 50) * 50, 50)

    return down(low), down(high)
