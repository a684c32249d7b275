"""Boring with a stepped cutter: the drill to bore first, and how fast at most.

Lengths in millimetres. What a guided pilot needs, and the speeds, are common practice without
a source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from measure.mating import COVERAGE
from measure.stock import METRIC_DRILL, WOOD_BITS, StockSize, stock_sizes

__all__ = ["Edge", "FirstDrill", "first_drill", "highest_rpm", "normal_below"]

MOST_PLAY_MM = 0.4
"""A pilot looser in its hole than this lets the cutter wander and chatter."""
SURFACE_MM_PER_REV = 20000.0
"""Diameter in mm times rev/min: 800 for 25 mm, about 500 for 42 mm."""
HIGHEST_RPM = 1500
FEWEST_RPM = 100
LEAST_CHANCE = 0.02


@dataclass(frozen=True, slots=True)
class Edge:
    """A step as the wood meets it.

    Attributes
    ----------
    name : for the turner, such as "step 2".
    diameter_mm, u95_mm : what it cuts.
    front_mm : how far its front lies behind the tip of the tool.
    length_mm : how long it stays that wide.
    guides : whether it runs in a bored hole and does not cut.
    front_u95_mm : of `front_mm`.
    """

    name: str
    diameter_mm: float
    u95_mm: float
    front_mm: float
    length_mm: float
    guides: bool = False
    front_u95_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class FirstDrill:
    """The drill to bore first so that a pilot runs in its hole.

    Attributes
    ----------
    size : the drill.
    play_mm, play_u95_mm : of the pilot in its hole, on the diameter.
    chance_runs, chance_binds, chance_rattles : from 0 to 1; they add up to 1.
    """

    size: StockSize
    play_mm: float
    play_u95_mm: float
    chance_runs: float
    chance_binds: float
    chance_rattles: float


def first_drill(
    pilot_mm: float, u95_mm: float, catalogue: Sequence[StockSize] | None = None
) -> FirstDrill | None:
    """Return the drill whose hole the pilot is likeliest to run in; None if none is near.

    Wood bits and whole or half millimetre drills are looked through. Of drills that are
    about equally likely, the one that is sold more widely is taken.

    Parameters
    ----------
    pilot_mm, u95_mm : what the pilot sweeps.
    catalogue : sizes to look in; None for those of `stock_sizes` that turners hold.

    Raises
    ------
    ValueError
        If the pilot's size is not positive.
    """
    if not (pilot_mm > 0.0 and u95_mm >= 0.0):
        raise ValueError(f"need a pilot > 0 and u95 >= 0, got {pilot_mm} and {u95_mm}")
    sizes = [size for size in stock_sizes() if _held(size)] if catalogue is None else catalogue
    drills = [_tried(size, pilot_mm, u95_mm) for size in sizes]
    likely = [drill for drill in drills if drill.chance_runs >= LEAST_CHANCE]
    if not likely:
        return None
    best = max(drill.chance_runs for drill in likely)
    return max(
        (drill for drill in likely if drill.chance_runs >= 0.9 * best),
        key=lambda drill: (drill.size.weight, drill.chance_runs),
    )


def highest_rpm(diameter_mm: float) -> int:
    """Return the speed not to go above for a bore of this diameter, rev/min, rounded down.

    Raises
    ------
    ValueError
        If the diameter is not positive.
    """
    if not diameter_mm > 0.0:
        raise ValueError(f"need a diameter > 0, got {diameter_mm}")
    rpm = int(SURFACE_MM_PER_REV / diameter_mm // 50) * 50
    return min(max(rpm, FEWEST_RPM), HIGHEST_RPM)


def normal_below(limit: float, mean: float, u95: float) -> float:
    """Return the chance that a normal value with this mean and 95 % half-width is below."""
    if u95 <= 0.0:
        return 1.0 if mean < limit else 0.0
    return 0.5 * math.erfc((mean - limit) * COVERAGE / (u95 * math.sqrt(2.0)))


def _held(size: StockSize) -> bool:
    if any(kind in WOOD_BITS for kind in size.kinds):
        return True
    return METRIC_DRILL in size.kinds and (size.diameter_mm * 2.0).is_integer()


def _tried(size: StockSize, pilot_mm: float, u95_mm: float) -> FirstDrill:
    play = size.diameter_mm - pilot_mm
    u95 = math.hypot(u95_mm, max(size.plus_mm, size.minus_mm))
    binds = normal_below(0.0, play, u95)
    rattles = 1.0 - normal_below(MOST_PLAY_MM, play, u95)
    return FirstDrill(size, play, u95, max(0.0, 1.0 - binds - rattles), binds, rattles)
