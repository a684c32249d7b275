"""A pair in the turner's words."""

from __future__ import annotations

from measure.judge import OUTSIDE, UNSURE, WITHIN
from measure.lonefeature import LACKING, OPEN, UNSEEN
from measure.pair import Lone, Pair
from measure.units import Units

__all__ = ["pair_line", "pair_lines"]

_WORDS = {
    WITHIN: "they look alike",
    UNSURE: "too close to call whether they look alike",
    OUTSIDE: "they do not look alike",
}
_MOST_NAMED = 4


def pair_line(pair: Pair, first: str, second: str) -> str:
    """Return the verdict on a pair in one line; `first` is the plan, `second` the piece."""
    differs = [
        f"{likeness.what} of the {twin.name} at {twin.z_mm:.0f}"
        for twin in pair.twins
        for likeness in twin.likenesses
        if likeness.verdict == OUTSIDE
    ]
    differs += [item.what for item in pair.whole if item.verdict == OUTSIDE]
    differs += [f"{lone.name} at {lone.z_mm:.0f}" for lone in pair.lone if lone.other == LACKING]
    text = f"As a pair (first {first}, second {second}): {_WORDS[pair.verdict]}"
    return text + (f": {', '.join(differs[:_MOST_NAMED])}." if differs else ".")


def pair_lines(pair: Pair, units: Units) -> tuple[str, ...]:
    """Return what is told of one piece only, a line for each way it is so.

    What has the same outline on the other piece has no line: it is there, by another name.
    """
    lines = []
    for on_first, own, other in ((True, "first", "second"), (False, "second", "first")):
        lone = [item for item in pair.lone if item.on_first == on_first]
        for says, words in (
            (LACKING, f"Only on the {own}"),
            (UNSEEN, f"Not seen on the {other}"),
            (OPEN, f"Told of the {own} only, too close to call on the {other}"),
        ):
            named = ", ".join(_named(item, units) for item in lone if item.other == says)
            if named:
                lines.append(f"{words}: {named}.")
    return tuple(lines)


def _named(lone: Lone, units: Units) -> str:
    return f"{lone.name} at {units.place(lone.z_mm)}"
