"""Neighbouring segments of a fair curve that a turner would take for one thing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from measure.chain import Chain, directions

__all__ = ["FILLET_WIDEST_MM", "Outline", "Span", "crest_of", "is_whole", "spans_of"]

FloatArray = NDArray[np.float64]

SMOOTH_RAD = 0.14
"""Curves that meet at less than this angle flow into each other."""
SWING_RAD = 0.087
"""A bow that swings back by less than 5 degrees on its way is still one bow (common practice, no
source): so much do the fitted arcs of a free curve miss each other by."""
DENT_RAD = 0.26
"""Two bows side by side whose joint no eye sees are one: a corner of less than 15 degrees that
dents them by less than the noise."""
SHORT_LINE_MM = 6.0
"""A straight no longer than this inside a flowing curve is part of it (common practice, no
source)."""
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
FLAT_MM = 0.1
"""A straight whose diameter changes by less than this from end to end is level: calipers in the
workshop do not tell (common practice, no source)."""
FILLET_WIDEST_MM = 4.0
"""A flat narrower than this, between two other features, is called a fillet (common practice,
no source)."""
STEEPEST = 0.14
"""A narrow flat that seems steeper than 8 degrees is none, however little is known of it."""
FALL_SHARE, FALL_MM = 0.08, 0.15
"""Both ends of a whole bead lie below its crest by this share of its height and this much."""


@dataclass(frozen=True, slots=True)
class Span:
    """Segments first..last of one sort.

    'flat', 'line' (a slope), 'out' (swelling), 'in' (hollow), 'ogee' or 'step'.
    """

    sort: str
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Outline:
    """A chain, and how well it is known.

    Attributes
    ----------
    place_u95_mm : (nodes,) 95 % half-width of the z of each node.
    u95_mm : (nodes,) 95 % half-width of the diameter there, the error of z beside a step in it.
    noise_mm : what of a diameter may be noise.
    """

    chain: Chain
    place_u95_mm: FloatArray
    u95_mm: FloatArray
    noise_mm: float

    @property
    def flat_mm(self) -> float:
        """What the diameters at the two ends of a flat may differ by."""
        return max(float(np.sqrt(2.0)) * self.noise_mm, FLAT_MM)

    def rise(self, span: Span) -> float:
        """Return how much farther from the axis a span ends than it begins."""
        return float(self.chain.r_mm[span.last + 1] - self.chain.r_mm[span.first])

    def width(self, span: Span) -> float:
        """Return the length of a span along the axis."""
        return float(self.chain.z_mm[span.last + 1] - self.chain.z_mm[span.first])


def spans_of(outline: Outline) -> list[Span]:
    """Return the spans of a chain, in order; together they hold all its segments."""
    chain = outline.chain
    starts, ends = directions(chain.z_mm, chain.r_mm, chain.bulge)
    turns = np.concatenate([[0.0], starts[1:] - ends[:-1]])
    spans = [
        span
        for first, last in _flows(chain, turns)
        for span in _bows(outline, starts, ends, first, last)
    ]
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


def crest_of(chain: Chain, span: Span) -> tuple[float, float]:
    """Return z and r of the crest of a bow, or of the bottom of a hollow."""
    sign = -1.0 if span.sort == "in" else 1.0
    best = (float(chain.z_mm[span.first]), float(chain.r_mm[span.first]))
    for k in range(span.first, span.last + 1):
        z = np.linspace(chain.z_mm[k], chain.z_mm[k + 1], 201)
        r = chain.segment_radius(k, z)
        i = int(np.argmax(sign * r))
        if sign * r[i] > sign * best[1]:
            best = (float(z[i]), float(r[i]))
    return best


def is_whole(outline: Outline, span: Span) -> bool:
    """Say whether a bow has its crest (or bottom) inside, not at one of its ends.

    A crest that lies no farther from an end than that end is placed may be the end itself.
    """
    chain = outline.chain
    z, r = crest_of(chain, span)
    nodes = (span.first, span.last + 1)
    falls = sorted(abs(r - float(chain.r_mm[k])) for k in nodes)
    inside = all(abs(z - chain.z_mm[k]) > outline.place_u95_mm[k] for k in nodes)
    return bool(inside and falls[0] > max(FALL_SHARE * falls[1], FALL_MM, outline.noise_mm))


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
    return Span("flat", span.first, span.last) if _is_flat(outline, span) else span


def _is_flat(outline: Outline, span: Span) -> bool:
    """Say whether a straight, or a bow as good as straight, is level as far as is known.

    Of a narrow one its neighbours may have tilted the rows by all that is not known of them; of
    a long one only by what the rows at its two ends do not share.
    """
    width, rise = outline.width(span), abs(outline.rise(span))
    narrow = width < FILLET_WIDEST_MM
    if span.sort == "line" and 2.0 * rise < outline.flat_mm:
        return True
    if span.sort not in ("line", "out", "in") or not narrow:
        return False
    known = float(np.hypot(*outline.u95_mm[[span.first, span.last + 1]]))
    steepest = STEEPEST if span.sort == "line" else 0.5 * STEEPEST
    r = [*outline.chain.r_mm[span.first : span.last + 2].tolist(), crest_of(outline.chain, span)[1]]
    return bool(max(r) - min(r) < min(steepest * width, 0.5 * max(known, outline.flat_mm)))


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
    level = 2.0 * abs(outline.rise(a)) + 2.0 * abs(outline.rise(b)) < outline.flat_mm
    return "flat" if (a.sort, b.sort) == ("flat", "flat") and level else None


def _ogee(outline: Outline, turns: FloatArray, a: Span, b: Span) -> str | None:
    """Join a half bead and a half cove that flow into each other the same way uphill."""
    flows = {a.sort, b.sort} == {"out", "in"} and abs(turns[b.first]) < SMOOTH_RAD
    halves = flows and not is_whole(outline, a) and not is_whole(outline, b)
    return "ogee" if halves and outline.rise(a) * outline.rise(b) > 0.0 else None
