"""Sizes that drills and wood bits are sold in, and which of them a measured diameter allows.

How each series was seen: metric twist drills ISO 235 and their limits h8 (ISO 286-2), inch
drills by 1/64 in (ANSI B94.11M) from memory; Forstner, spade and auger sizes are what shops
commonly hold (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache

from measure.inches import MM_PER_INCH

__all__ = [
    "AUGER",
    "FORSTNER",
    "INCH_DRILL",
    "METRIC_DRILL",
    "SPADE",
    "WOOD_BITS",
    "StockMatch",
    "StockSize",
    "inch_name",
    "metric_name",
    "stock_matches",
    "stock_sizes",
]

METRIC_DRILL = "metric drill"
INCH_DRILL = "inch drill"
FORSTNER = "Forstner"
SPADE = "spade"
AUGER = "auger"
WOOD_BITS = (FORSTNER, SPADE, AUGER)

# Metric drills: ISO 235, limits h8 of ISO 286-2 (from memory). Inch drills: ANSI B94.11M, by
# 1/64 in (from memory). Wood bits: common practice, no source.

WOOD_BIT_TOLERANCE_MM = 0.1
"""How far a wood bit may be from its name, plus or minus (common practice, no source)."""

# Morse taper shank drills carry the series on above the parallel shank ones.
METRIC_DRILL_RUNS = (
    (100, 300, 5),
    (300, 1400, 10),
    (1400, 3200, 25),
    (3200, 5100, 50),
    (5100, 10001, 100),
)
"""Runs of the series, hundredths of a millimetre: from, up to (not included), step."""

FORSTNER_MM = (
    *(8, 10, 12, 14, 15, 16, 18, 20, 22, 24, 25, 26, 28, 30, 32, 34, 35, 36, 38, 40),
    *(42, 44, 45, 46, 48, 50, 52, 54, 55, 60, 65, 70, 75, 80),
)
SPADE_MM = (6, 8, 10, 12, 13, 14, 15, 16, 18, 20, 22, 24, 25, 26, 28, 30, 32, 35, 36, 38, 40)
AUGER_MM = (6, 8, 10, 12, 13, 14, 16, 18, 20, 22, 24, 25, 26, 28, 30, 32, 35, 38)


@dataclass(frozen=True, slots=True)
class StockSize:
    """A size that can be bought.

    Attributes
    ----------
    diameter_mm : its nominal diameter.
    name : as the shop calls it, such as "25 mm" or "1 5/8 in".
    kinds : what is sold in it, such as ("Forstner", "spade").
    plus_mm, minus_mm : how far above and below its name a tool of it may be.
    weight : how common it is beside its neighbours, relative; only ranks what is possible.
    """

    diameter_mm: float
    name: str
    kinds: tuple[str, ...]
    plus_mm: float = 0.0
    minus_mm: float = 0.0
    weight: float = 1.0


@dataclass(frozen=True, slots=True)
class StockMatch:
    """A stock size that the measured diameter allows.

    Attributes
    ----------
    away_mm : measured less nominal.
    share : chance of this size among those allowed, 0 to 1; they add up to 1. It rests on how
        common sizes are, so it ranks; it does not prove.
    """

    size: StockSize
    away_mm: float
    share: float


def inch_name(inches: Fraction) -> str:
    """Return a size in inches as a turner writes it: "1 5/8 in", "2 in", "3/64 in"."""
    whole, rest = divmod(inches, 1)
    parts = [str(whole)] if whole or not rest else []
    if rest:
        parts.append(f"{rest.numerator}/{rest.denominator}")
    return " ".join(parts) + " in"


def metric_name(diameter_mm: float) -> str:
    """Return a metric size as written on a bit: "25 mm", "10.5 mm"."""
    return f"{round(diameter_mm, 2):g} mm"


@cache
def stock_sizes() -> tuple[StockSize, ...]:
    """Return every stock size, smallest first; one entry a name, with all kinds sold in it."""
    by_name: dict[str, StockSize] = {}
    for size in (*_metric_drills(), *_inch_drills(), *_wood_bits()):
        known = by_name.get(size.name)
        by_name[size.name] = size if known is None else _joined(known, size)
    return tuple(sorted(by_name.values(), key=lambda size: (size.diameter_mm, size.name)))


def stock_matches(
    diameter_mm: float, u95_mm: float, catalogue: Sequence[StockSize] | None = None
) -> tuple[StockMatch, ...]:
    """Return the stock sizes that a measured diameter allows, likeliest first.

    A size is allowed when the measured 95 % interval reaches what is sold under its name. None
    is left out for being uncommon: a rare size that fits keeps the answer from being single.

    Parameters
    ----------
    diameter_mm : measured diameter.
    u95_mm : half-width of its 95 % interval, not negative.
    catalogue : sizes to look in; None for `stock_sizes()`.

    Returns
    -------
    Matches by falling share; empty if no stock size fits.

    Raises
    ------
    ValueError
        If the diameter is not positive or the uncertainty negative.
    """
    if not (diameter_mm > 0.0 and u95_mm >= 0.0 and math.isfinite(diameter_mm + u95_mm)):
        raise ValueError(f"need diameter > 0 and u95 >= 0, got {diameter_mm} and {u95_mm}")
    allowed = []
    for size in stock_sizes() if catalogue is None else catalogue:
        away = diameter_mm - size.diameter_mm
        slack = size.plus_mm if away > 0.0 else size.minus_mm
        outside = max(0.0, abs(away) - slack)
        # Rounding of exact sizes such as 1/64 in must not decide.
        if outside <= u95_mm + 1e-9:
            allowed.append((size, away, size.weight * _likelihood(outside, u95_mm)))
    total = sum(value for _, _, value in allowed)
    matches = [StockMatch(size, away, value / total) for size, away, value in allowed]
    return tuple(sorted(matches, key=lambda m: (-m.share, abs(m.away_mm), m.size.diameter_mm)))


def _likelihood(outside_mm: float, u95_mm: float) -> float:
    sd = max(u95_mm / 1.96, 1e-6)
    return math.exp(-0.5 * (outside_mm / sd) ** 2)


def _joined(a: StockSize, b: StockSize) -> StockSize:
    kinds = tuple(dict.fromkeys((*a.kinds, *b.kinds)))
    return replace(
        a,
        kinds=kinds,
        plus_mm=max(a.plus_mm, b.plus_mm),
        minus_mm=max(a.minus_mm, b.minus_mm),
        weight=max(a.weight, b.weight),
    )


def _h8_mm(diameter_mm: float) -> float:
    """Return the width of tolerance h8, mm: a drill is never larger than its name by it."""
    table = ((3, 14), (6, 18), (10, 22), (18, 27), (30, 33), (50, 39), (80, 46), (120, 54))
    return next(width for up_to, width in table if diameter_mm <= up_to) / 1000.0


def _metric_drills() -> Iterable[StockSize]:
    for first, end, step in METRIC_DRILL_RUNS:
        for hundredths in range(first, end, step):
            d = hundredths / 100.0
            weight = 1.0 if hundredths % 100 == 0 else 0.3 if hundredths % 50 == 0 else 0.05
            yield StockSize(d, metric_name(d), (METRIC_DRILL,), 0.0, _h8_mm(d), weight)


def _inch_drills() -> Iterable[StockSize]:
    weights = {1: 1.0, 2: 1.0, 4: 1.0, 8: 0.8, 16: 0.5, 32: 0.15, 64: 0.05}
    for sixty_fourths in (*range(1, 113), *range(114, 129, 2), *range(132, 225, 4)):
        inches = Fraction(sixty_fourths, 64)
        d = float(inches) * MM_PER_INCH
        weight = weights[inches.denominator]
        yield StockSize(d, inch_name(inches), (INCH_DRILL,), 0.0, _h8_mm(d), weight)


def _wood_bits() -> Iterable[StockSize]:
    slack = WOOD_BIT_TOLERANCE_MM
    for kind, sizes in ((FORSTNER, FORSTNER_MM), (SPADE, SPADE_MM), (AUGER, AUGER_MM)):
        for millimetres in sizes:
            name = metric_name(millimetres)
            yield StockSize(float(millimetres), name, (kind,), slack, slack, 1.5)
    for kind, last_sixteenths in ((FORSTNER, 50), (SPADE, 24), (AUGER, 24)):
        for sixteenths in range(4, last_sixteenths + 1):
            # Above an inch the sixteenths between are seldom sold, except as Forstner.
            if sixteenths > 16 and sixteenths % 2 and kind != FORSTNER:
                continue
            inches = Fraction(sixteenths, 16)
            weight = 1.5 if inches.denominator <= 8 else 0.7
            d = float(inches) * MM_PER_INCH
            yield StockSize(d, inch_name(inches), (kind,), slack, slack, weight)
