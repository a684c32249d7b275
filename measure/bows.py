"""Curves that flow without a corner, cut into bows that each turn one way."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from measure.chain import Chain
from measure.spans import SMOOTH_RAD, Outline, Span

__all__ = ["bows_of"]

FloatArray = NDArray[np.float64]

SWING_RAD = 0.087
"""A bow that swings back by less than 5 degrees on its way is still one bow (common practice, no
source): so much do the fitted arcs of a free curve miss each other by."""
SHORT_LINE_MM = 6.0
"""A straight no longer than this inside a flowing curve is part of it (common practice, no
source)."""


def bows_of(outline: Outline, starts: FloatArray, ends: FloatArray) -> list[Span]:
    """Return the spans of a chain before any are joined; together they hold all its segments.

    Parameters
    ----------
    starts, ends : (segments,) directions of the segments, radians, as `directions` gives them.
    """
    turns = np.concatenate([[0.0], starts[1:] - ends[:-1]])
    return [
        span
        for first, last in _flows(outline.chain, turns)
        for span in _bows(outline, starts, ends, first, last)
    ]


def _flows(chain: Chain, turns: FloatArray) -> list[tuple[int, int]]:
    """Return runs of segments that flow into each other; long lines and shoulders stand alone."""
    flows: list[tuple[int, int]] = []
    for k in range(len(chain.bulge)):
        goes_on = bool(flows) and not _stands_alone(chain, k) and not _stands_alone(chain, k - 1)
        if goes_on and abs(turns[k]) < SMOOTH_RAD:
            flows[-1] = (flows[-1][0], k)
        elif not chain.is_shoulder(k) or abs(chain.r_mm[k + 1] - chain.r_mm[k]) > 1e-6:
            flows.append((k, k))
    return flows


def _stands_alone(chain: Chain, k: int) -> bool:
    wide = float(chain.z_mm[k + 1] - chain.z_mm[k])
    return chain.is_shoulder(k) or (not chain.is_arc(k) and wide > SHORT_LINE_MM)


def _bows(
    outline: Outline, starts: FloatArray, ends: FloatArray, first: int, last: int
) -> list[Span]:
    """Cut a flow into bows, each turning one way; level straights at its ends stay straights.

    Three straights that flow into each other are as good as an arc.
    """
    chain = outline.chain
    bends = any(chain.is_arc(k) for k in range(first, last + 1)) or last - first >= 2
    if not bends:
        return [
            Span("step" if chain.is_shoulder(k) else "line", k, k) for k in range(first, last + 1)
        ]
    before, after = [], []
    while first < last and _is_level_line(outline, first):
        before.append(Span("line", first, first))
        first += 1
    while first < last and _is_level_line(outline, last):
        after.append(Span("line", last, last))
        last -= 1
    if first == last and not chain.is_arc(first):
        return [*before, Span("line", first, first), *after[::-1]]
    bows = [
        Span("out" if ends[b - 1] < starts[a] else "in", a, b - 1)
        for a, b in pairwise(_cuts(starts, ends, first, last))
    ]
    return [*before, *bows, *after[::-1]]


def _is_level_line(outline: Outline, k: int) -> bool:
    level = 2.0 * abs(outline.rise(Span("line", k, k))) < outline.flat_mm
    return level and not outline.chain.is_arc(k)


def _cuts(starts: FloatArray, ends: FloatArray, first: int, last: int) -> list[int]:
    """Return the nodes where a flow changes from swelling to hollow or back, and its two ends.

    The direction along the flow goes up and down; its turning points count where it swings by
    more than `SWING_RAD` from one to the next.
    """
    way = [
        (float(value), node)
        for k in range(first, last + 1)
        for value, node in ((starts[k], k), (ends[k], k + 1))
    ]
    cuts, sense, low, high = {first, last + 1}, 0, way[0], way[0]
    for here in way[1:]:
        high, low = max(high, here), min(low, here)
        if sense >= 0 and high[0] - here[0] > SWING_RAD:
            cuts |= {high[1]} if sense else set()
            sense, low = -1, here
        elif sense <= 0 and here[0] - low[0] > SWING_RAD:
            cuts |= {low[1]} if sense else set()
            sense, high = 1, here
        if sense > 0:
            low = here
        elif sense < 0:
            high = here
    return sorted(cuts)
