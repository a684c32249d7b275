"""Caliper settings: where along the piece to set which diameter."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil

from measure.features import DEEPER, Feature
from measure.inches import FINEST, MM_PER_INCH
from measure.units import Units

__all__ = [
    "GAP_MM",
    "LOOSE_MM",
    "MEASURE",
    "STEP_MM",
    "Setting",
    "caliper_setting",
    "finish_words",
    "left_words",
    "limit_words",
    "setting_words",
    "settings_of",
]

MEASURE = "measure"
"""Stands in place of a size that is not known well enough to part down to."""
LOOSE_MM = 1.0
"""Known no better than this, two steps of the caliper, a size is not to be parted down to
(common practice, no source)."""

STEP_MM = 0.5
LEAVE_MM = 0.25
"""A setting leaves at least this on the diameter for the finishing cut and for sanding, and at
most a step more (common practice, no source)."""
FLATS = ("cylinder", "fillet", "tenon")
STRAIGHT = (*FLATS, "taper")
GAP_MM = 1.0
"""Nothing is set so near to a stretch that was not seen: its edge is no edge of the piece."""
ONE_LOOK_MM = 2.0
"""One look at the piece settles what is not known within this."""
SAME_MM = 0.3
"""Two settings nearer than this along the axis and on the diameter are one."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One diameter to turn to; millimetres.

    Attributes
    ----------
    z_mm : from the start end.
    name : what is turned there.
    diameter_mm, u95_mm : exact value and its 95 % half-width.
    setting_mm : for the caliper while turning: the first half millimetre that leaves something
        to finish, since wood that is left proud can still come off.
    width_mm, height_mm : of a whole bead, cove, swell or hollow; 0 where there is none.
    fine : as of its feature: what it may be beyond the diameter, which is a limit then.
    """

    z_mm: float
    name: str
    diameter_mm: float
    u95_mm: float
    setting_mm: float
    width_mm: float = 0.0
    height_mm: float = 0.0
    fine: str = ""

    @property
    def is_known(self) -> bool:
        """Whether the diameter is known well enough to part down to."""
        return self.u95_mm <= LOOSE_MM and not self.fine


def caliper_setting(diameter_mm: float, step_mm: float = STEP_MM) -> float:
    """Return the least multiple of a step that leaves 0.25 mm or more on the diameter."""
    return max(ceil((diameter_mm + LEAVE_MM) / step_mm - 1e-9), 0) * step_mm


def left_words(units: Units) -> str:
    """Say how much the settings leave on the diameter: 0.25 to 0.75 mm."""
    if units.inches:
        most = LEAVE_MM + MM_PER_INCH / FINEST
        return f"{units.fine(LEAVE_MM)} to {units.fine(most)} in"
    return f"{LEAVE_MM:g} to {LEAVE_MM + STEP_MM:g} mm"


def limit_words(fine: str) -> str:
    """Say that a diameter of something too narrow to show is a limit; empty where it is none."""
    return f" or {'less' if fine == DEEPER else 'more'}" if fine else ""


def finish_words(setting: Setting, units: Units) -> str:
    """Return the diameter to finish to with its ±; what is to be measured has none to trust."""
    value = units.fine(setting.diameter_mm)
    if setting.fine:
        return f"{value}{limit_words(setting.fine)}"
    if not setting.is_known:
        return f"about {value}"
    return f"{value} ±{units.spread(setting.u95_mm)}" if setting.u95_mm > 0.0 else value


def setting_words(setting: Setting, units: Units) -> str:
    """Return a caliper setting as it stands on the sheet: to 0.5 mm or 1/64 inch.

    `measure` where the size is not known well enough.
    """
    if not setting.is_known:
        return MEASURE
    step = MM_PER_INCH / FINEST if units.inches else STEP_MM
    return units.number(caliper_setting(setting.diameter_mm, step))


def settings_of(features: tuple[Feature, ...]) -> tuple[Setting, ...]:
    """Return the settings for features in order along the axis.

    A bead is set at its crest, a cove at its bottom, a flat in its middle, a taper, ogee or
    quarter round at both ends, a shoulder on both sides; what the neighbour already says is
    not said twice. Beside a shoulder the error of z would count as error of the diameter, though
    it only moves the shoulder: its two levels are as well known as the straights that they belong
    to. Where a feature begins or ends at a gap nothing is set, and of a taper, ogee
    or quarter round that is seen in part only neither end: what it is cannot be told.
    """
    wishes = [wish for i in range(len(features)) for wish in _wishes(features, i)]
    flats = [f for f in features if f.kind in FLATS]
    gaps = [f.z_from_mm for f in features if f.from_gap]
    gaps += [f.z_to_mm for f in features if f.to_gap]
    kept: list[Setting] = []
    kept_turns: list[int] = []
    # Of two sides that are as good as one the larger is kept: parted down to, it leaves the other.
    order = sorted(
        range(len(wishes)),
        key=lambda k: (wishes[k][0], wishes[k][1].z_mm, -wishes[k][1].diameter_mm),
    )
    for turn in order:
        rank, wish = wishes[turn]
        if wish.diameter_mm < 1.0 or any(abs(wish.z_mm - z) < GAP_MM for z in gaps):
            continue
        known = any(
            abs(k.z_mm - wish.z_mm) < 2.0 * SAME_MM and abs(k.diameter_mm - wish.diameter_mm) < 0.5
            for k in kept
        ) or (rank > 0 and any(_on_flat(f, wish) for f in flats))
        if not known and (wish.is_known or not any(_asks_same(k, wish) for k in kept)):
            kept.append(wish)
            kept_turns.append(turn)
    along = sorted(zip(kept, kept_turns, strict=True), key=lambda k: (k[0].z_mm, k[1]))
    return tuple(setting for setting, _ in along)


def _wishes(features: tuple[Feature, ...], i: int) -> list[tuple[int, Setting]]:
    """Return what a feature would have set, in order along the axis, each with its rank.

    Of two that say one thing the lower rank is kept.
    """
    f, first, last = features[i], i == 0, i == len(features) - 1
    before, after = (f if first else features[i - 1]), (f if last else features[i + 1])
    if f.kind in FLATS:
        return [(0, _setting(f.z_mid_mm, f.name, f.diameter_mm, f))]
    if f.kind in ("bead", "cove", "swell", "hollow") and not f.half:
        crest = _setting(f.z_mid_mm, f.name, f.diameter_mm, f)
        if not (f.from_gap or f.to_gap):  # what is seen in part has no known width
            crest = replace(crest, width_mm=f.width_mm, height_mm=f.height_mm)
        name = f"end of {f.kind}"
        ends = (_at_end(f, name, before, last=False), _at_end(f, name, after, last=True))
        # Where a flat begins, its own setting says the diameter.
        free = [e for e, b in zip(ends, (before, after), strict=True) if b.kind not in FLATS]
        return [(0, crest), *((3, end) for end in free)]
    if f.kind == "shoulder":
        sides = ((f.diameter_from_mm, before), (f.diameter_to_mm, after))
        return [
            (2, _setting(f.z_mid_mm, "shoulder", d, beside if _is_level_of(beside, f) else f))
            for d, beside in sides
        ]
    if f.from_gap or f.to_gap:
        return []
    start = f"{f.name}, end" if first else f"{f.name} from"
    stop = f"{f.name}, end" if last else f"{f.name} to"
    ends = (_at_end(f, start, before, last=False), _at_end(f, stop, after, last=True))
    return [(1, end) for end in ends]


def _is_level_of(beside: Feature, shoulder: Feature) -> bool:
    """Whether a straight meets a shoulder, so that its level is the shoulder's."""
    ends = (beside.z_from_mm, beside.z_to_mm)
    return beside.kind in STRAIGHT and any(abs(z - shoulder.z_mid_mm) < GAP_MM for z in ends)


def _asks_same(kept: Setting, wish: Setting) -> bool:
    """Whether the turner is sent to the piece for a place so near already."""
    return not kept.is_known and abs(kept.z_mm - wish.z_mm) < ONE_LOOK_MM


def _on_flat(flat: Feature, wish: Setting) -> bool:
    near = flat.z_from_mm - SAME_MM <= wish.z_mm <= flat.z_to_mm + SAME_MM
    return near and abs(flat.diameter_mm - wish.diameter_mm) < SAME_MM


def _at_end(feature: Feature, name: str, beside: Feature, last: bool) -> Setting:
    """Return what would be set where a feature begins, or ends: as sure as the rows there.

    The rows at a shoulder do not speak for the level that meets it.
    """
    f = feature
    z, diameter = (f.z_to_mm, f.diameter_to_mm) if last else (f.z_from_mm, f.diameter_from_mm)
    there = f.u95_to_mm if last else f.u95_from_mm
    sure = f.u95_mm if beside.kind == "shoulder" else there
    return replace(_setting(z, name, diameter, f), u95_mm=sure)


def _setting(z: float, name: str, diameter: float, feature: Feature) -> Setting:
    limit = feature.fine if z == feature.z_mid_mm else ""
    return Setting(z, name, diameter, feature.u95_mm, caliper_setting(diameter), fine=limit)
