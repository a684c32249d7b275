"""Two round parts that go into each other: clearance, chance that they mate, what to take off.

Diameters and clearances in millimetres; a clearance is the hole's diameter less the part's, so
it is negative where they bind. Uncertainties are half-widths of 95 % intervals (k = 1.96).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["COVERAGE", "FitPreset", "Mating", "Size", "mate"]

COVERAGE = 1.96
"""Half-width of a 95 % interval in standard deviations of a normal distribution."""


@dataclass(frozen=True, slots=True)
class Size:
    """A diameter, measured or given.

    Attributes
    ----------
    u95_mm : half-width of its 95 % interval.
    u95_common_mm : the part of it that it shares with everything measured in the same photo.
    source : where it comes from, for the turner, such as "typed" or "recess, hole.jpg".
    photo : the same text for two sizes from one photo; None if not from a photo.
    """

    diameter_mm: float
    u95_mm: float
    u95_common_mm: float = 0.0
    source: str = "typed"
    photo: str | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be a diameter."""
        values = (self.diameter_mm, self.u95_mm, self.u95_common_mm)
        if not all(math.isfinite(v) for v in values) or self.diameter_mm <= 0.0:
            raise ValueError(f"need a positive diameter and finite uncertainties, got {values}")
        if not 0.0 <= self.u95_common_mm <= self.u95_mm:
            raise ValueError(
                f"need 0 <= u95_common <= u95, got {self.u95_common_mm} and {self.u95_mm}"
            )


@dataclass(frozen=True, slots=True)
class FitPreset:
    """The clearance wanted, on the diameter, mm; `says` is what it means at the bench."""

    name: str
    says: str
    least_mm: float
    most_mm: float

    def __post_init__(self) -> None:
        """Refuse limits in the wrong order."""
        if not self.least_mm <= self.most_mm:
            raise ValueError(f"need least <= most, got {self.least_mm} and {self.most_mm}")

    @property
    def middle_mm(self) -> float:
        """The clearance to aim at."""
        return 0.5 * (self.least_mm + self.most_mm)


@dataclass(frozen=True, slots=True)
class Mating:
    """What becomes of two parts, mm and chances from 0 to 1.

    Attributes
    ----------
    clearance_mm, u95_mm : hole less part, and its 95 % half-width.
    one_photo : whether the common part of the uncertainty cancelled.
    chance_goes_in : that the clearance is positive.
    chance_tight, chance_wanted, chance_loose : that the clearance is below, within or above
        what is wanted; they add up to 1.
    take_off_mm : off the diameter of the part, or out of the hole, to reach the middle of what
        is wanted; 0 if it is there or already looser.
    safe_first_mm : of that, what can come off at once with less than a 2.5 % risk of ending
        too loose; 0 if not even the first shaving is safe without a caliper reading.
    too_loose_mm : how far the clearance is beyond the most that is wanted; 0 if it is not.
    """

    clearance_mm: float
    u95_mm: float
    one_photo: bool
    chance_goes_in: float
    chance_tight: float
    chance_wanted: float
    chance_loose: float
    take_off_mm: float
    safe_first_mm: float
    too_loose_mm: float


def mate(part: Size, hole: Size, preset: FitPreset) -> Mating:
    """Return what becomes of a part in a hole.

    Of two sizes from one photo the common parts are fully correlated, so in the difference
    only the difference of the common parts is left ([JCGM100] 5.2.2, r = +1); of sizes from
    different photos everything adds as a root sum of squares ([JCGM100] 5.1.2, r = 0).
    """
    clearance = hole.diameter_mm - part.diameter_mm
    one_photo = part.photo is not None and part.photo == hole.photo
    u95 = math.sqrt(_own(part) ** 2 + _own(hole) ** 2 + _shared(part, hole, one_photo) ** 2)
    sd = u95 / COVERAGE
    tight = _chance_below(preset.least_mm, clearance, sd)
    loose = 1.0 - _chance_below(preset.most_mm, clearance, sd)
    # A hair of leave: 44.0 - 43.6 is not quite 0.4 in binary fractions.
    is_tight = clearance < preset.least_mm - 1e-9
    take_off = preset.middle_mm - clearance if is_tight else 0.0
    return Mating(
        clearance_mm=clearance,
        u95_mm=u95,
        one_photo=one_photo,
        chance_goes_in=1.0 - _chance_below(0.0, clearance, sd),
        chance_tight=tight,
        chance_wanted=max(0.0, 1.0 - tight - loose),
        chance_loose=loose,
        take_off_mm=take_off,
        safe_first_mm=min(take_off, max(0.0, preset.most_mm - clearance - u95)),
        too_loose_mm=max(0.0, clearance - preset.most_mm),
    )


def _own(size: Size) -> float:
    return math.sqrt(max(0.0, size.u95_mm**2 - size.u95_common_mm**2))


def _shared(part: Size, hole: Size, one_photo: bool) -> float:
    if one_photo:
        return abs(hole.u95_common_mm - part.u95_common_mm)
    return math.hypot(part.u95_common_mm, hole.u95_common_mm)


def _chance_below(limit: float, mean: float, sd: float) -> float:
    if sd <= 0.0:
        return 1.0 if mean < limit else 0.0
    return 0.5 * math.erfc((mean - limit) / (sd * math.sqrt(2.0)))
