"""A check in the turner's words: what the terminal, the report and the sheet to pin up say."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from measure.check import CheckResult, Unjudged
from measure.judge import OUTSIDE, UNSURE, WITHIN
from measure.pairwords import pair_line
from measure.places import Place
from measure.readings import BY_EACH, BY_LIMIT, BY_PLACE, BY_PLAN, row_mm
from measure.setupwords import SETUP_WORDS, setup_words
from measure.units import Units

__all__ = ["APART_MM", "CAUTIONS", "Words", "check_text", "check_words", "place_words"]

CAUTIONS = (
    "Stop the lathe before you measure; chuck key out.",
    "Measure with calipers before the last cut.",
    "The lathe's manual, local rules and what you were taught come first.",
)
_MOST_PLACES = 8
_LONGEST_NAMED = 3
_LEAST_GROUPED = 3
_WORTH_SAYING_MM = 0.1
"""Less than this is neither doubt nor a cut worth a word (common practice, no source)."""
_WHY_NONE = {
    BY_LIMIT: "it is near the limit",
    BY_PLAN: "the plan's own ± leaves it open",
    BY_PLACE: "it is on slopes, and where along the plan they lie leaves it open",
    BY_EACH: "each place would need a reading of its own",
}
APART_MM = 0.25
"""Places of plan and piece that differ by less need no telling apart."""


@dataclass(frozen=True, slots=True)
class Words:
    """What there is to say, each a line or a few.

    Attributes
    ----------
    headline : the verdict.
    laid : how the piece lies on the plan, and by which tolerance it is judged.
    places : one line each for the places outside or too close to call, weightiest first.
    remarks : moved features, size of the whole, length.
    unjudged : what has no verdict, a line for each reason; the longest stretches are named.
    readings : how to settle what is too close to call.
    """

    headline: str
    laid: str
    places: tuple[str, ...]
    remarks: tuple[str, ...]
    unjudged: tuple[str, ...]
    readings: tuple[str, ...]


def check_words(result: CheckResult, units: Units, *, brief: bool = True) -> Words:
    """Return a check in words; `brief` names only the longest stretches that were not judged."""
    listed = [place for place in result.places if place.verdict != WITHIN]
    return Words(
        headline=_headline(result, units),
        laid=_laid(result, units),
        places=tuple(place_words(place, result, units) for place in listed),
        remarks=(*_moved(result, units), *_uniform(result, units), *_length(result, units)),
        unjudged=_unjudged(result, units, _LONGEST_NAMED if brief else len(result.unjudged)),
        readings=_readings(result, units),
    )


def check_text(result: CheckResult, units: Units) -> str:
    """Return what the terminal shows."""
    words = check_words(result, units)
    lines = [words.headline, words.laid]
    worst = [place for place in result.places if place.verdict == WITHIN]
    if words.places:
        lines += ["", *_listed(result, units)]
    elif worst:
        place = max(worst, key=lambda p: abs(p.deviation_mm))
        lines += [
            "",
            f"Farthest off, and allowed: {_what(place, units)} {_at(place, result, units)}",
        ]
    if words.remarks:
        lines += ["", *words.remarks]
    if words.unjudged:
        lines += ["", *(f"Not judged: {line}" for line in words.unjudged)]
    if words.readings:
        lines += ["", *words.readings]
    if result.pair is not None:
        lines += ["", pair_line(result.pair, result.plan.name, result.piece.name)]
    if any(place.proud for place in result.places if place.verdict == OUTSIDE):
        lines += ["", " ".join(CAUTIONS[:2])]
    return "\n".join(lines)


def _listed(result: CheckResult, units: Units) -> list[str]:
    """Return the places to look at, a line each, and in one line those that are likely fine."""
    places = [place for place in result.places if place.verdict != WITHIN]
    likely = [place for place in places if place.verdict == UNSURE and place.beyond_mm <= 0.0]
    if len(likely) < _LEAST_GROUPED:
        likely = []
    others = [place for place in places if place not in likely]
    lines = [place_words(place, result, units) for place in others[:_MOST_PLACES]]
    if len(others) > _MOST_PLACES:
        more = len(others) - _MOST_PLACES
        lines.append(f"... and {more} more, outside or too close to call: see the report")
    if likely:
        seen = _without(_joined(likely), result.unjudged)
        spans = [f"{units.place(a)} to {units.place(b)}" for a, b in seen]
        lines.append(
            f"Unsure ? likely within, but the ± reaches past what is allowed: {', '.join(spans)} "
            f"{units.name}"
        )
    return lines


def _joined(places: list[Place]) -> list[tuple[float, float]]:
    """Return the stretches of some places in order, those that overlap as one."""
    spans: list[tuple[float, float]] = []
    for place in sorted(places, key=lambda place: place.z_from_mm):
        if spans and place.z_from_mm <= spans[-1][1]:
            spans[-1] = (spans[-1][0], max(spans[-1][1], place.z_to_mm))
        else:
            spans.append((place.z_from_mm, place.z_to_mm))
    return spans


def _without(
    spans: list[tuple[float, float]], unjudged: tuple[Unjudged, ...]
) -> list[tuple[float, float]]:
    """Return stretches without what was not judged: a place may reach on past a short gap."""
    for gap in unjudged:
        cut = []
        for low, high in spans:
            parts = (low, min(high, gap.z_from_mm)), (max(low, gap.z_to_mm), high)
            cut += [part for part in parts if part[0] < part[1]]
        spans = cut
    return spans


def place_words(place: Place, result: CheckResult, units: Units) -> str:
    """Return one place: what is wrong, where, and what to do."""
    what = f"{_what(place, units)} {_at(place, result, units)}"
    if place.move_mm is not None:
        way = "far from" if place.move_mm > 0.0 else "near"
        return f"{_mark(place)} {what}: sits {units.fine(abs(place.move_mm))} too {way} the start"
    if place.verdict == UNSURE:
        allowed = units.fine(place.limit_mm) if units.inches else f"{place.limit_mm:g}"
        alone = ", but by itself" if place.beyond_mm > place.u95_mm else ""
        return f"{_mark(place)} {what}, allowed {allowed}{alone}: too close to call"
    if place.proud:
        target = f"down to {units.number(place.plan_diameter_mm)}"
        size = units.fine(place.deviation_mm)
        if place.normal:
            depth = units.fine(place.deviation_mm / 2.0)
            return f"{_mark(place)} {what}: take {depth} off there, square to the curve"
        return f"{_mark(place)} {what}: take {size} off the diameter, {target}{_sure(place, units)}"
    beyond = units.fine(place.beyond_mm)
    return f"{_mark(place)} {what}: {beyond} beyond what is allowed, cannot be put back"


def _sure(place: Place, units: Units) -> str:
    """Return how much of what is proud can be taken off at once: wood cannot be put back."""
    sure = place.deviation_mm - place.u95_mm
    if place.u95_mm < _WORTH_SAYING_MM or sure < _WORTH_SAYING_MM:
        return ""
    return f" ({units.fine(sure)} is sure: take that, then measure)"


def _mark(place: Place) -> str:
    if place.verdict == UNSURE:
        return "Unsure ?"
    return f"{'Proud ' if place.proud else 'Shy   '} {'!' if place.verdict == OUTSIDE else ' '}"


def _what(place: Place, units: Units) -> str:
    size = f"{abs(place.deviation_mm):.2f}"
    if units.inches:
        size = units.fine(abs(place.deviation_mm))
    kind = "proud" if place.proud else "shy"
    return f"{size} ±{units.spread(place.u95_mm)} {units.name} {kind}"


def _at(place: Place, result: CheckResult, units: Units) -> str:
    at = f"at {units.place(place.z_mm)}"
    if place.z_to_mm - place.z_from_mm > 1.0:
        at += f" ({units.span(place.z_from_mm, place.z_to_mm)})"
    if place.normal:
        at += ", on a steep place"
    if result.placement.flipped:
        at += f" ({units.place(place.piece_z_mm)} on the piece)"
    return at


def _headline(result: CheckResult, units: Units) -> str:
    outside = [place for place in result.places if place.verdict == OUTSIDE]
    lost = sum(not place.proud and place.move_mm is None for place in outside)
    name = f"{result.piece.name} against {result.plan.name}"
    within = float(np.sum(row_mm(result.rows)[result.rows.verdict == WITHIN]))
    unjudged = sum(part.z_to_mm - part.z_from_mm for part in result.unjudged)
    shares = (
        (within, "within"),
        (result.advice.open_mm, "too close to call"),
        (unjudged, "not judged"),
    )
    if result.verdict == OUTSIDE:
        places = f"OUTSIDE at {len(outside)} place{'s' if len(outside) != 1 else ''}"
        if lost:
            # A part that sits elsewhere reads shy on one side of itself, and may be moved yet.
            places += ", shy" if lost == len(outside) else f", {lost} of them past saving"
        return "; ".join(filter(None, (f"{name}: {places}", _long(shares, units))))
    if result.verdict == UNSURE:
        return f"{name}: {_long(shares, units)}" + ("" if within else "; nothing certain")
    return f"{name}: WITHIN" + (f" where it was judged; {_long(shares, units)}" if unjudged else "")


def _long(shares: tuple[tuple[float, str], ...], units: Units) -> str:
    """Return how much of the length got which verdict; what is hardly any is left out."""
    told = [(mm if units.inches else float(round(mm)), word) for mm, word in shares]
    return ", ".join(f"{units.place(mm)} {units.name} {word}" for mm, word in told if mm > 0.0)


def _laid(result: CheckResult, units: Units) -> str:
    placement = result.placement
    how = {
        "best": "laid on by best fit",
        "start": "laid on at the start end",
        "end": "laid on at the far end",
    }
    if isinstance(placement.datum, str):
        text = how[placement.datum]
    else:
        text = f"laid on at the shoulder at {units.place(placement.datum)}"
    text += ", turned end for end" if placement.flipped else ""
    shift = placement.offset_mm if not placement.flipped else 0.0
    if abs(shift) >= APART_MM:
        text += f" (piece 0 is at {units.place(shift)} of the plan)"
    return (
        f"{_tolerance(result, units)}; {text}. Places count from the plan's start.{_taken(result)}"
    )


def _taken(result: CheckResult) -> str:
    """Return how the piece was taken to lie, where that may be why it is not as planned."""
    setup = result.piece.setup
    if result.verdict != OUTSIDE or setup not in SETUP_WORDS:
        return ""
    words = setup_words(setup, "board" in result.piece.scale_from.lower())
    return f" Taken as {words}: if not so, all sizes are wrong; give --setup."


def _tolerance(result: CheckResult, units: Units) -> str:
    asked = result.request.tolerance
    rule = asked if asked is not None else result.plan.general
    if rule is None:
        text = "Tolerance ISO 2768-1 class m (none was given)"
    elif isinstance(rule, str):
        text = f"Tolerance ISO 2768-1 class {rule}"
    else:
        proud, shy = (units.fine(v) if units.inches else f"{v:g}" for v in rule)
        text = f"Tolerance {proud} proud, {shy} shy on the diameter"
    own = any(zone.proud_mm is not None or zone.shy_mm is not None for zone in result.plan.zones)
    own = own or bool(np.any(np.isfinite(result.plan.proud_mm)))
    return text + (", and the plan's own where it has one" if own else "")


def _moved(result: CheckResult, units: Units) -> list[str]:
    return [
        f"The {m.kind} at {units.place(m.z_mm)} sits {units.fine(abs(m.move_mm))} "
        f"±{units.spread(m.u95_mm)} {units.name} too {'far from' if m.move_mm > 0 else 'near'} "
        "the start."
        for m in result.moved
    ]


def _uniform(result: CheckResult, units: Units) -> list[str]:
    uniform = result.uniform
    if uniform is None or not (uniform.found or uniform.noticed):
        return []
    side = "proud" if uniform.deviation_mm > 0.0 else "shy"
    size = f"{units.fine(abs(uniform.deviation_mm))} {units.name}"
    if not units.inches:
        size = f"{abs(uniform.deviation_mm):.2f} mm"
    if uniform.percent is not None:
        word = "large" if uniform.percent > 0.0 else "small"
        where = f"{size} {side} at its thickest"
        what = f"about {abs(uniform.percent):.1f} % {word} ({where})"
    else:
        what = f"about {size} {side} all along"
    if uniform.found:
        return [f"The whole piece is {what}, ±{units.spread(uniform.u95_mm)} {units.name}."]
    return [
        f"The whole piece may be {what}: not distinguishable from the photo's own scale, "
        f"±{units.spread(uniform.u95_mm)} {units.name}."
    ]


def _unjudged(result: CheckResult, units: Units, most: int) -> tuple[str, ...]:
    """Return what was not judged, by reason; the longest stretches are named, in order along."""
    lines = []
    for reason in dict.fromkeys(u.reason for u in result.unjudged):
        found = [u for u in result.unjudged if u.reason == reason]
        longest = sorted(found, key=lambda u: u.z_from_mm - u.z_to_mm)[:most]
        longest.sort(key=lambda u: u.z_from_mm)
        named = ", ".join(
            f"{units.place(u.z_from_mm)} to {units.place(u.z_to_mm)}" for u in longest
        )
        line = f"{reason}, at {named} {units.name}"
        if len(found) > most:
            total = sum(u.z_to_mm - u.z_from_mm for u in found)
            line += f" and {len(found) - most} shorter, {units.place(total)} {units.name} in all"
        lines.append(line)
    return tuple(lines)


def _length(result: CheckResult, units: Units) -> list[str]:
    length = result.length
    if length is None:
        return []
    own, plan = result.piece.length_u95_mm, result.plan.length_u95_mm
    assert own is not None  # there is no length to compare without it
    text = f"Length {units.with_spread(length.measured_mm, own)}, plan "
    planned = length.planned_mm
    text += units.with_spread(planned, plan) if plan else units.number(planned)
    if not length.differs:
        return [text + ": no difference that can be told."]
    off = units.fine(abs(length.difference_mm))
    return [f"{text}: {off} {units.name} too {'long' if length.difference_mm > 0 else 'short'}."]


def _readings(result: CheckResult, units: Units) -> tuple[str, ...]:
    advice = result.advice
    if advice.open_mm == 0.0:
        return ()
    if not advice.readings:
        assert advice.why_none is not None  # something is open
        why = _WHY_NONE[advice.why_none]
        return (f"Calipers would settle little of what is too close to call: {why}.",)
    count = len(advice.readings)
    what = "One caliper reading" if count == 1 else f"{count} caliper readings"
    least, likely = advice.settles_mm, advice.likely_mm
    much = f"about {units.place(likely)} of {units.place(advice.open_mm)} {units.name}"
    if least >= 0.5:
        much += f", {units.place(least)} or more in four cases of five"
    lines = [f"{what} would settle {much}:"]
    for r in advice.readings:
        at = units.place(r.z_mm)
        if result.placement.flipped or abs(r.z_mm - r.piece_z_mm) >= APART_MM:
            at += f" ({units.place(r.piece_z_mm)} on the piece)"
        lines.append(
            f"  at {at}: {_limits(r.least_mm, r.most_mm, units)} is within; "
            f"then add --known {r.piece_z_mm:.0f}:READING{' (millimetres)' if units.inches else ''}"
        )
    return tuple(lines)


def _limits(least_mm: float, most_mm: float, units: Units) -> str:
    """Return what calipers may read, as finely as they do; a reading is fed back in mm."""
    text = f"{least_mm:.2f} to {most_mm:.2f}"
    if not units.inches:
        return text
    return f"{units.fine(least_mm)} to {units.fine(most_mm)} in ({text} mm)"
