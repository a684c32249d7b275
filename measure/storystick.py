"""The story stick: marks at 1:1 along a strip, and the diameter to set at each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from measure.features import Feature
from measure.settings import Setting

__all__ = ["Mark", "spread_labels", "stick_marks"]

SAME_MM = 0.6


@dataclass(frozen=True, slots=True)
class Mark:
    """One line across the stick.

    Attributes
    ----------
    z_mm : where.
    settings : the diameters to set there, none where only a boundary is marked.
    name : what is there.
    """

    z_mm: float
    settings: tuple[Setting, ...]
    name: str


def stick_marks(
    features: tuple[Feature, ...], settings: tuple[Setting, ...], length_mm: float
) -> tuple[Mark, ...]:
    """Return a mark for every setting, every limit of a feature and both ends, in order.

    The edge of a stretch that was not seen gets none.
    """
    places = [(s.z_mm, 0) for s in settings]
    places += [(0.0, 1), (length_mm, 1)]
    places += [(f.z_from_mm, 2) for f in features if not f.from_gap]
    places += [(f.z_to_mm, 2) for f in features if not f.to_gap]
    chosen: list[float] = []
    for z, _ in sorted(places, key=lambda p: (p[1], p[0])):
        if all(abs(z - other) > SAME_MM for other in chosen):
            chosen.append(z)
    marks = []
    for z in sorted(chosen):
        here = tuple(s for s in settings if abs(s.z_mm - z) <= SAME_MM)
        marks.append(Mark(z, here, here[0].name if here else ""))
    return tuple(marks)


def spread_labels(places: list[float], room: float, low: float, high: float) -> list[float]:
    """Return where to write labels so that neighbours stand `room` apart, near their places.

    Least squares under the spacing (isotonic regression of the places less their due
    distances), then pushed inside low..high; the order is kept. If they cannot all fit, they
    are spaced evenly.
    """
    n = len(places)
    if not n:
        return []
    if (n - 1) * room >= high - low:
        return [float(v) for v in np.linspace(low, high, n)] if n > 1 else [0.5 * (low + high)]
    due = room * np.arange(n)
    blocks: list[tuple[float, int]] = []
    for value in np.asarray(places) - due:
        mean, count = float(value), 1
        while blocks and blocks[-1][0] > mean:
            other, size = blocks.pop()
            mean = (mean * count + other * size) / (count + size)
            count += size
        blocks.append((mean, count))
    level = np.concatenate([np.full(count, mean) for mean, count in blocks])
    return [float(v) for v in np.clip(level, low, high - due[-1]) + due]
