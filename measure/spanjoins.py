"""Segments of a fair curve joined as a turner would take them together."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from measure.bows import bows_of
from measure.chain import directions
from measure.spans import (
    FALL_MM,
    FILLET_WIDEST_MM,
    SMOOTH_RAD,
    Outline,
    Span,
    crest_of,
    is_whole,
)

__all__ = ["spans_of"]

FloatArray = NDArray[np.float64]

DENT_RAD = 0.26
"""Two bows side by side whose joint no eye sees are one: a corner of less than 15 degrees that
dents them by less than the noise."""
ONE_LINE_RAD = 0.05
"""Straights that meet at less than 3 degrees, and nowhere leave one straight by the noise, are
one."""
END_MM, END_RAD = 1.5, 0.5
"""A bow may end steeper than its arc: so short, and at a corner up to this of its own sense."""
NARROW_MM = 1.0
"""A lens rounds what is square and fills what is hollow over this width. What is narrower and
higher than wide is a shoulder; what is narrower and steep beside a bow is the bow's end (common
practice, no source)."""
FOOT_MM, FOOT_SHARE, FOOT_RAD, BEAD_MM = 1.0, 0.45, 0.5, 12.0
"""A bead or cove no wider than the last of these that ends square shows as an arc on a low step:
so high at most, no more than this share of it, and the arc already steep where they meet."""
LEAST_MM = 0.5
"""Two rows: nothing narrower beside a shoulder is told from it."""
STEEPEST = 0.14
"""A narrow flat that seems steeper than 8 degrees is none, however little is known of it."""


def spans_of(outline: Outline) -> list[Span]:
    """Return the spans of a chain, in order; together they hold all its segments."""
    chain = outline.chain
    starts, ends = directions(chain.z_mm, chain.r_mm, chain.bulge)
    turns = np.concatenate([[0.0], starts[1:] - ends[:-1]])
    spans = bows_of(outline, starts, ends)
    spans = _joined(spans, lambda a, b: _same(outline, turns, a, b))
    spans = _joined(spans, lambda a, b: _bow_with_end(outline, turns, a, b))
    spans = _joined(spans, lambda a, b: _groove(outline, a, b))
    spans = [_wall_or_flat(outline, span) for span in spans]
    spans = _joined(spans, lambda a, b: _one_wall(outline, a, b))
    spans = _joined(spans, lambda a, b: _bow_on_foot(outline, starts, ends, a, b))
    spans = _joined(spans, lambda a, b: _one_flat(outline, a, b))
    return _joined(spans, lambda a, b: _ogee(outline, turns, a, b))


def _joined(spans: list[Span], join: Callable[[Span, Span], str | None]) -> list[Span]:
    """Return the spans with neighbours made one where `join` says of which sort."""
    out: list[Span] = []
    for span in spans:
        sort = join(out[-1], span) if out else None
        if sort is None:
            out.append(span)
        else:
            out[-1] = Span(sort, out[-1].first, span.last)
    return out


def _same(outline: Outline, turns: FloatArray, a: Span, b: Span) -> str | None:
    """Join straights that are one straight, and bows that no eye parts."""
    chain, joint = outline.chain, b.first
    turn = abs(turns[joint])
    if (a.sort, b.sort) == ("line", "line"):
        share = outline.width(a) / (outline.width(a) + outline.width(b))
        off = outline.rise(a) - share * (outline.rise(a) + outline.rise(b))
        return "line" if turn < ONE_LINE_RAD and 2.0 * abs(off) < outline.noise_mm else None
    if a.sort != b.sort or a.sort not in ("out", "in"):
        return None
    r = float(chain.r_mm[joint])
    dent = min(abs(crest_of(chain, span)[1] - r) for span in (a, b))
    return a.sort if turn < DENT_RAD and 2.0 * dent < outline.noise_mm else None


def _bow_with_end(outline: Outline, turns: FloatArray, a: Span, b: Span) -> str | None:
    """Give a bow its short steep ends: a bead is no circle, and a lens rounds its foot."""
    for bow, end in ((a, b), (b, a)):
        if bow.sort not in ("out", "in") or end.sort == "step":
            continue
        own = -turns[b.first] if bow.sort == "out" else turns[b.first]
        width, steep = outline.width(end), abs(outline.rise(end)) > END_RAD * outline.width(end)
        turns_on = width <= END_MM and end.sort in ("line", bow.sort) and 0.0 <= own < END_RAD
        rounded = width <= NARROW_MM and abs(own) < SMOOTH_RAD
        if steep and width < outline.width(bow) and (turns_on or rounded):
            return bow.sort
    return None


def _groove(outline: Outline, a: Span, b: Span) -> str | None:
    """Join two narrow steep sides that face each other to one groove, or to one ridge."""
    down, up = outline.rise(a), outline.rise(b)
    narrow = max(outline.width(a), outline.width(b)) <= NARROW_MM
    wide = outline.width(a) + outline.width(b) >= LEAST_MM
    steep = all(abs(outline.rise(s)) > END_RAD * outline.width(s) for s in (a, b))
    if not (narrow and wide and steep and down * up < 0.0):
        return None
    return "in" if down < 0.0 else "out"


def _bow_on_foot(
    outline: Outline, starts: FloatArray, ends: FloatArray, a: Span, b: Span
) -> str | None:
    """Give a bow the low step that it ends in."""
    for bow, step in ((a, b), (b, a)):
        if bow.sort not in ("out", "in") or step.sort != "step":
            continue
        if outline.width(bow) > BEAD_MM:
            return None
        foot = outline.rise(step)
        high = abs(crest_of(outline.chain, bow)[1] - outline.chain.r_mm[[a.first, b.last + 1]])
        end = starts[bow.first] if bow is b else -ends[bow.last]
        own = end if bow.sort == "out" else -end
        sense = foot if bow is b else -foot
        rises = sense > 0.0 if bow.sort == "out" else sense < 0.0
        low = abs(foot) <= min(FOOT_MM, FOOT_SHARE * float(high[1 if bow is a else 0]))
        if rises and low and own > FOOT_RAD:
            return bow.sort
    return None


def _wall_or_flat(outline: Outline, span: Span) -> Span:
    width, rise = outline.width(span), abs(outline.rise(span))
    if width <= NARROW_MM and rise > width:
        return Span("step", span.first, span.last)
    if span.sort in ("out", "in") and _is_too_low(outline, span):
        span = Span("line", span.first, span.last)
    return Span("flat", span.first, span.last) if _is_flat(outline, span) else span


def _is_too_low(outline: Outline, span: Span) -> bool:
    """Say whether a bow is as good as straight: too low for a whole bead, and for a half one."""
    return not is_whole(outline, span) and _spread(outline, span) < FALL_MM


def _is_flat(outline: Outline, span: Span) -> bool:
    """Say whether a straight, or a bow as good as straight, is level as far as is known.

    Of a narrow one its neighbours may have tilted the rows by all that is not known of them; of
    a long one only by what the rows at its two ends do not share.
    """
    width, rise = outline.width(span), abs(outline.rise(span))
    if span.sort == "line" and 2.0 * rise < outline.flat_mm:
        return True
    if span.sort not in ("line", "out", "in") or width >= FILLET_WIDEST_MM:
        return False
    known = float(np.hypot(*outline.u95_mm[[span.first, span.last + 1]]))
    steepest = STEEPEST if span.sort == "line" else 0.5 * STEEPEST
    most = min(steepest * width, 0.5 * max(known, outline.flat_mm))
    return bool(_spread(outline, span) < most)


def _spread(outline: Outline, span: Span) -> float:
    """Return how far the radius strays over a span, from the lowest of its nodes to its crest."""
    r = outline.chain.r_mm[span.first : span.last + 2].tolist()
    r.append(crest_of(outline.chain, span)[1])
    return float(max(r) - min(r))


def _one_wall(outline: Outline, a: Span, b: Span) -> str | None:
    """Join shoulders that are one, and a shoulder with what two rows beside it show."""
    if (a.sort, b.sort) == ("step", "step"):
        same_way = outline.rise(a) * outline.rise(b) > 0.0
        return "step" if same_way and outline.width(a) + outline.width(b) <= NARROW_MM else None
    for step, sliver in ((a, b), (b, a)):
        if step.sort == "step" and sliver.sort in ("line", "flat"):
            return "step" if outline.width(sliver) < LEAST_MM else None
    return None


def _one_flat(outline: Outline, a: Span, b: Span) -> str | None:
    """Join flats whichever way each of them leans: without a step between them they are one."""
    if (a.sort, b.sort) != ("flat", "flat"):
        return None
    low = _spread(outline, Span("flat", a.first, b.last)) < max(FALL_MM, 0.5 * outline.flat_mm)
    return "flat" if low else None


def _ogee(outline: Outline, turns: FloatArray, a: Span, b: Span) -> str | None:
    """Join a half bead and a half cove that flow into each other the same way uphill."""
    flows = {a.sort, b.sort} == {"out", "in"} and abs(turns[b.first]) < SMOOTH_RAD
    halves = flows and not is_whole(outline, a) and not is_whole(outline, b)
    return "ogee" if halves and outline.rise(a) * outline.rise(b) > 0.0 else None
