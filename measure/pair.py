"""A pair: do two pieces look alike, feature by feature?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.judge import UNSURE, WITHIN, verdicts
from measure.landmarks import CREST, HOLLOW, SHOULDER, Landmark, landmarks
from measure.measured import Measured
from measure.plan import Plan
from measure.profile import LONGEST_BRIDGE_MM, Profile
from measure.register import Placement

__all__ = ["EYE_DIAMETER_MM", "EYE_PLACE_MM", "Likeness", "Pair", "Twin", "compare_pair"]

FloatArray = NDArray[np.float64]

EYE_DIAMETER_MM, EYE_PLACE_MM = 0.5, 1.0
"""Two pieces side by side look alike up to these differences of a diameter and of a place or a
width (common practice, no source)."""
_REACH_MM = 10.0
_LEAST_MM = 1.0
"""Features that stand out by less on the diameter are not looked for."""
_DROP_MM, _DROP_PART = 3.0, 0.5
"""The flanks of a bead are met this far below its crest, or half way down a low one."""
_LONG_MM = 25.0
_STEEPEST, _FLATTEST = 20.0, 0.05
_END_U95_MM = 0.3
_SHOULDER_U95_MM = 0.25
_NAMES = {CREST: ("bead", "swell"), HOLLOW: ("cove", "long hollow")}


@dataclass(frozen=True, slots=True)
class _Mark:
    """A bead, cove or shoulder of one piece; `width_mm` is None for a shoulder."""

    kind: str
    name: str
    z_mm: float
    diameter_mm: float
    u95_mm: float
    place_u95_mm: float
    width_mm: float | None
    width_u95_mm: float


@dataclass(frozen=True, slots=True)
class Likeness:
    """One thing compared; mm.

    Attributes
    ----------
    what : such as "diameter", "place", "width", "length".
    first_mm, second_mm : on the piece that serves as plan, and on the one judged.
    u95_mm : half-width of the 95 % interval of their difference.
    limit_mm : up to which the eye takes them for alike.
    verdict : "within" (alike), "outside" (differs), or "unsure".
    """

    what: str
    first_mm: float
    second_mm: float
    u95_mm: float
    limit_mm: float
    verdict: str

    @property
    def difference_mm(self) -> float:
        """Second less first."""
        return self.second_mm - self.first_mm


@dataclass(frozen=True, slots=True)
class Twin:
    """A bead, cove or shoulder found on both; `z_mm` is on the first piece."""

    name: str
    z_mm: float
    likenesses: tuple[Likeness, ...]


@dataclass(frozen=True, slots=True)
class Pair:
    """What two pieces have in common, and what only one of them shows.

    Attributes
    ----------
    whole : length, largest and smallest diameter.
    twins : features found on both, along the first piece.
    only_first, only_second : (name, z along the first piece) of the rest.
    verdict : the worst of all; "within" means that they look alike.
    """

    whole: tuple[Likeness, ...]
    twins: tuple[Twin, ...]
    only_first: tuple[tuple[str, float], ...]
    only_second: tuple[tuple[str, float], ...]
    verdict: str


def compare_pair(
    piece: Measured, plan: Plan, placement: Placement, *, same_photo: bool = False
) -> Pair:
    """Return the table of a pair: `plan` is the traced first piece, `piece` the second.

    From one photo the common parts of both uncertainties cancel, and only the rest counts.
    """
    first = Profile(plan.z_mm, plan.diameter_mm, plan.u95_mm, plan.u95_common_mm)
    whole = _whole(first, piece, plan, same_photo, placement)
    ours, theirs = _marks(first), _marks(piece.profile)
    places = placement.to_plan(np.array([mark.z_mm for mark in theirs]))
    couples = _couples(ours, theirs, places)
    offset = placement.u95_mm
    parts = (_share(first, same_photo), _share(piece.profile, same_photo))
    twins = tuple(_twin(ours[i], theirs[j], float(places[j]), offset, parts) for i, j in couples)
    lone_first = sorted(set(range(len(ours))) - {i for i, _ in couples})
    lone_second = sorted(set(range(len(theirs))) - {j for _, j in couples})
    found = [likeness.verdict for twin in twins for likeness in twin.likenesses]
    found += [likeness.verdict for likeness in whole]
    if lone_first or lone_second:
        found.append(UNSURE)  # it may stand out by just enough on one piece only
    verdict = next((v for v in ("outside", "unsure") if v in found), WITHIN)
    return Pair(
        whole,
        twins,
        tuple((ours[i].name, ours[i].z_mm) for i in lone_first),
        tuple((theirs[j].name, float(places[j])) for j in lone_second),
        verdict,
    )


def _likeness(what: str, first: float, second: float, u95: float, limit: float) -> Likeness:
    one = np.array([second - first])
    verdict = str(verdicts(one, np.array([u95]), np.array([limit]), np.array([limit]))[0])
    return Likeness(what, first, second, u95, limit, verdict)


def _share(profile: Profile, same_photo: bool) -> float:
    """Return what part of a row's u95 counts in a difference: all of it, or its local part."""
    if not same_photo:
        return 1.0
    local = np.sqrt(np.maximum(profile.u95_mm**2 - profile.u95_common_mm**2, 0.0))
    return float(np.median(local / np.maximum(profile.u95_mm, 1e-9)))


def _near_rows(z_mm: FloatArray, other_mm: FloatArray) -> NDArray[np.int64]:
    """Return the rows that have a row of the other within what readers bridge."""
    other = np.sort(other_mm)
    right = np.clip(np.searchsorted(other, z_mm), 1, len(other) - 1)
    apart = np.minimum(np.abs(z_mm - other[right - 1]), np.abs(other[right] - z_mm))
    return np.asarray(np.nonzero(apart <= LONGEST_BRIDGE_MM)[0])


def _whole(
    first: Profile, piece: Measured, plan: Plan, same_photo: bool, placement: Placement
) -> tuple[Likeness, ...]:
    result: list[Likeness] = []
    cut = plan.start_cut or plan.end_cut
    if piece.length_mm is not None and piece.length_u95_mm is not None and not cut:
        # Where of the first piece only its rows are known, each end is where they end.
        own = plan.length_u95_mm or np.sqrt(2.0) * _END_U95_MM
        u95 = float(np.hypot(piece.length_u95_mm, own))
        limit = 2.0 * EYE_PLACE_MM
        result.append(_likeness("length", plan.length_mm, piece.length_mm, u95, limit))
    share_a, share_b = _share(first, same_photo), _share(piece.profile, same_photo)
    # The largest of one may stand in a gap of the other: only what both show is compared.
    placed = placement.to_plan(piece.profile.z_mm)
    ours, theirs = _near_rows(first.z_mm, placed), _near_rows(placed, first.z_mm)
    if len(ours) == 0 or len(theirs) == 0:
        return tuple(result)
    for what, pick in (("largest", np.argmax), ("smallest", np.argmin)):
        i = int(ours[pick(first.diameter_mm[ours])])
        j = int(theirs[pick(piece.profile.diameter_mm[theirs])])
        u95 = float(np.hypot(share_a * first.u95_mm[i], share_b * piece.profile.u95_mm[j]))
        a, b = float(first.diameter_mm[i]), float(piece.profile.diameter_mm[j])
        result.append(_likeness(what, a, b, u95, EYE_DIAMETER_MM))
    return tuple(result)


def _marks(profile: Profile) -> list[_Mark]:
    """Return the beads, coves and shoulders of a piece; a bead's place is between its flanks."""
    local = np.sqrt(np.maximum(profile.u95_mm**2 - profile.u95_common_mm**2, 0.0))
    found: list[_Mark] = []
    for mark in landmarks(profile, _LEAST_MM):
        if mark.kind == SHOULDER:
            found.append(
                _Mark(SHOULDER, "shoulder", mark.z_mm, mark.diameter_mm, mark.u95_mm,
                      _SHOULDER_U95_MM, None, 0.0)
            )  # fmt: skip
        elif mark.kind in _NAMES:
            found.append(_between_flanks(profile, local, mark))
    return found


def _between_flanks(profile: Profile, local: FloatArray, mark: Landmark) -> _Mark:
    sign = 1.0 if mark.kind == CREST else -1.0
    height = sign * profile.diameter_mm
    top = int(np.argmin(np.abs(profile.z_mm - mark.z_mm)))
    # The crest is the mean of the rows about it: the highest of many rows is high by chance.
    crest = float(np.mean(height[max(top - 2, 0) : top + 3]))
    level = crest - min(_DROP_MM, _DROP_PART * mark.prominence_mm)
    left = _flank(profile.z_mm, height, local, top, -1, level)
    right = _flank(profile.z_mm, height, local, top, 1, level)
    both = float(np.hypot(left[1], right[1]))
    width = right[0] - left[0]
    name = _NAMES[mark.kind][int(width > _LONG_MM)]
    return _Mark(mark.kind, name, (left[0] + right[0]) / 2.0, sign * crest, mark.u95_mm,
                 both / 2.0, width, both)  # fmt: skip


def _flank(
    z: FloatArray, height: FloatArray, local: FloatArray, top: int, step: int, level: float
) -> tuple[float, float]:
    """Return where a flank passes the level, and the 95 % half-width of that place."""
    at = top
    while 0 < at + step < len(z) and height[at] > level:
        at += step
    back = at - step if at != top else at
    rise = height[back] - height[at]
    t = (height[back] - level) / rise if rise > 0.0 else 0.0
    place = float(z[back] + np.clip(t, 0.0, 1.0) * (z[at] - z[back]))
    low, high = max(at - 4, 0), min(at + 4, len(z) - 1)
    slope = abs(height[high] - height[low]) / max(float(z[high] - z[low]), 1e-6)
    return place, float(local[at] / np.clip(slope, _FLATTEST, _STEEPEST))


def _couples(
    ours: Sequence[_Mark], theirs: Sequence[_Mark], places: FloatArray
) -> list[tuple[int, int]]:
    """Return pairs of one kind that are each other's nearest, within reach."""
    pairs = sorted(
        (abs(a.z_mm - float(places[j])), i, j)
        for i, a in enumerate(ours)
        for j, b in enumerate(theirs)
        if a.kind == b.kind and abs(a.z_mm - float(places[j])) < _REACH_MM
    )
    taken_first: set[int] = set()
    taken_second: set[int] = set()
    chosen: list[tuple[int, int]] = []
    for _, i, j in pairs:
        if i not in taken_first and j not in taken_second:
            chosen.append((i, j))
            taken_first.add(i)
            taken_second.add(j)
    return sorted(chosen)


def _twin(a: _Mark, b: _Mark, place: float, offset_u95: float, parts: tuple[float, float]) -> Twin:
    size_u95 = float(np.hypot(parts[0] * a.u95_mm, parts[1] * b.u95_mm))
    place_u95 = float(np.sqrt(a.place_u95_mm**2 + b.place_u95_mm**2 + offset_u95**2))
    found = [
        _likeness("place", a.z_mm, place, place_u95, EYE_PLACE_MM),
        _likeness("diameter", a.diameter_mm, b.diameter_mm, size_u95, EYE_DIAMETER_MM),
    ]
    if a.width_mm is not None and b.width_mm is not None:
        width_u95 = float(np.hypot(a.width_u95_mm, b.width_u95_mm))
        found.append(_likeness("width", a.width_mm, b.width_mm, width_u95, EYE_PLACE_MM))
    return Twin(a.name, a.z_mm, tuple(found))
