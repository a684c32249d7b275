"""A pair: do two pieces look alike, feature by feature?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.deviationu95 import reference_z
from measure.flanks import crest_diameter, flanks
from measure.judge import OUTSIDE, UNSURE, WITHIN, verdicts
from measure.landmarks import CREST, HOLLOW, SHOULDER, landmarks, row_slopes
from measure.lonefeature import AS_HERE, LACKING, OPEN, UNSEEN, answer
from measure.measured import Measured
from measure.plan import Plan
from measure.profile import LONGEST_BRIDGE_MM, Profile, relative_scale
from measure.register import Placement

__all__ = ["EYE_DIAMETER_MM", "EYE_PLACE_MM", "Likeness", "Lone", "Pair", "Twin", "compare_pair"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

EYE_DIAMETER_MM, EYE_PLACE_MM = 0.5, 1.0
"""Two pieces side by side look alike up to these differences of a diameter and of a place or a
width (common practice, no source)."""
_REACH_MM = 10.0
_LEAST_MM = 1.0
"""Features that stand out by less on the diameter are not looked for."""
_DROP_MM, _DROP_PART = 3.0, 0.5
"""The flanks of a bead are met this far below its crest, or half way down a low one."""
_LONG_MM = 25.0
_LEVEL = 0.25
"""Slope |dr/dz| up to which largest and smallest diameter are looked for."""
_END_U95_MM = 0.3
_SHOULDER_U95_MM = 0.25
_NAMES = {CREST: ("bead", "swell"), HOLLOW: ("cove", "long hollow")}


@dataclass(frozen=True, slots=True)
class _Mark:
    """A bead, cove or shoulder of one piece.

    `z_mm` is where it is looked for on the other piece, `top` the row of its crest or hollow, and
    `drop_mm` how far below that its flanks may be met.
    """

    kind: str
    name: str
    z_mm: float
    diameter_mm: float
    u95_mm: float
    top: int
    drop_mm: float


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
class Lone:
    """A feature that is told of one piece only.

    Attributes
    ----------
    name : such as "cove". `z_mm` : along the first piece.
    on_first : whether it is the first piece's.
    other : what the other piece shows there, see `measure.lonefeature`.
    """

    name: str
    z_mm: float
    on_first: bool
    other: str


@dataclass(frozen=True, slots=True)
class Pair:
    """What two pieces have in common, and what only one of them shows.

    Attributes
    ----------
    whole : length, largest and smallest diameter.
    twins : features found on both, along the first piece.
    lone : what is told of one piece only, along the first piece.
    verdict : the worst of all; "within" means that they look alike.
    """

    whole: tuple[Likeness, ...]
    twins: tuple[Twin, ...]
    lone: tuple[Lone, ...]
    verdict: str


def compare_pair(
    piece: Measured, plan: Plan, placement: Placement, *, same_photo: bool = False
) -> Pair:
    """Return the table of a pair: `plan` is the traced first piece, `piece` the second.

    From one photo the common parts of both uncertainties cancel, and only the rest counts.
    """
    first = Profile(plan.z_mm, plan.diameter_mm, plan.u95_mm, plan.u95_common_mm)
    common = _Common.of((first, piece.profile), placement, same_photo)
    whole = _whole(common, piece, plan)
    ours, theirs = _marks(first), _marks(piece.profile)
    places = placement.to_plan(np.array([mark.z_mm for mark in theirs]))
    couples = _couples(ours, theirs, places)
    twins = tuple(_twin((ours[i], theirs[j]), common) for i, j in couples)
    lone_first = sorted(set(range(len(ours))) - {i for i, _ in couples})
    lone_second = sorted(set(range(len(theirs))) - {j for _, j in couples})
    lone = tuple(
        [_lone(ours[i], ours[i].z_mm, common, on_first=True) for i in lone_first]
        + [_lone(theirs[j], float(places[j]), common, on_first=False) for j in lone_second]
    )
    found = [likeness.verdict for twin in twins for likeness in twin.likenesses]
    found += [likeness.verdict for likeness in whole]
    found += [_OF_LONE[item.other] for item in lone]
    verdict = next((v for v in (OUTSIDE, UNSURE) if v in found), WITHIN)
    return Pair(whole, twins, lone, verdict)


_OF_LONE = {UNSEEN: UNSURE, OPEN: UNSURE, AS_HERE: WITHIN, LACKING: OUTSIDE}


def _lone(mark: _Mark, z_mm: float, common: _Common, *, on_first: bool) -> Lone:
    """Return what the other piece shows where only one has a feature."""
    first, second = common.profiles
    own, other = (first, second) if on_first else (second, first)
    ways = (common.placement.to_piece, common.placement.to_plan)
    other_says = answer(
        own,
        other,
        *(ways if on_first else ways[::-1]),
        mark.top,
        _LEAST_MM,
        mark.kind == SHOULDER,
        common.place_u95_mm(z_mm),
        common.parts if on_first else common.parts[::-1],
        EYE_DIAMETER_MM,
    )
    return Lone(mark.name, z_mm, on_first, other_says)


def _likeness(what: str, first: float, second: float, u95: float, limit: float) -> Likeness:
    one = np.array([second - first])
    verdict = str(verdicts(one, np.array([u95]), np.array([limit]), np.array([limit]))[0])
    return Likeness(what, first, second, u95, limit, verdict)


@dataclass(frozen=True, slots=True)
class _Common:
    """What all comparisons of a pair have in common.

    Attributes
    ----------
    profiles : of the first piece and of the second; `placement` lays the second on the first.
    parts : what part of a row's u95 counts in a difference, for each: from one photo only what
        rows do not share.
    stretch : u95 of a difference of lengths, as a part of the length.
    reference_mm : z of the first piece where the two were brought together.
    """

    profiles: tuple[Profile, Profile]
    placement: Placement
    parts: tuple[float, float]
    stretch: float
    reference_mm: float

    @classmethod
    def of(
        cls, profiles: tuple[Profile, Profile], placement: Placement, same_photo: bool
    ) -> _Common:
        """Return it for two profiles and how they lie on each other."""
        a, b = (relative_scale(p.diameter_mm, p.u95_common_mm) for p in profiles)
        z = placement.to_plan(profiles[1].z_mm)
        near = z[(z >= profiles[0].z_mm[0]) & (z <= profiles[0].z_mm[-1])]
        return cls(
            profiles=profiles,
            placement=placement,
            parts=(_share(profiles[0], same_photo), _share(profiles[1], same_photo)),
            stretch=0.0 if same_photo else float(np.hypot(a, b)),
            reference_mm=reference_z(placement, near if len(near) else z),
        )

    def place_u95_mm(self, z_mm: float) -> float:
        """Return how well places near z of the first piece answer to each other, 95 %.

        A scale that is off stretches along the axis as well as across it.
        """
        return float(np.hypot(self.placement.u95_mm, self.stretch * abs(z_mm - self.reference_mm)))


def _share(profile: Profile, same_photo: bool) -> float:
    if not same_photo:
        return 1.0
    local = np.sqrt(np.maximum(profile.u95_mm**2 - profile.u95_common_mm**2, 0.0))
    return float(np.median(local / np.maximum(profile.u95_mm, 1e-9)))


def _matching_rows(common: _Common, slopes: tuple[FloatArray, FloatArray]) -> tuple[IntArray, ...]:
    """Return the rows, of either piece, that both show level within what readers bridge.

    The largest of one may stand in a gap of the other, and on a slope a diameter depends on how
    well the pieces were brought together.
    """
    first, second = common.profiles
    placed = common.placement.to_plan(second.z_mm)
    order = np.argsort(placed, kind="stable")
    right = np.clip(np.searchsorted(placed[order], first.z_mm), 1, len(order) - 1)
    nearer = np.abs(placed[order[right - 1]] - first.z_mm) <= np.abs(
        placed[order[right]] - first.z_mm
    )
    partner = order[np.where(nearer, right - 1, right)]
    both = np.abs(placed[partner] - first.z_mm) <= LONGEST_BRIDGE_MM
    both &= (slopes[0] <= _LEVEL) & (slopes[1][partner] <= _LEVEL)
    return np.nonzero(both)[0], partner[both]


def _whole(common: _Common, piece: Measured, plan: Plan) -> tuple[Likeness, ...]:
    result: list[Likeness] = []
    first, second = common.profiles
    cut = plan.start_cut or plan.end_cut
    if piece.length_mm is not None and piece.length_u95_mm is not None and not cut:
        # Where of the first piece only its rows are known, each end is where they end.
        own = plan.length_u95_mm or np.sqrt(2.0) * _END_U95_MM
        u95 = float(np.hypot(piece.length_u95_mm, own))
        limit = 2.0 * EYE_PLACE_MM
        result.append(_likeness("length", plan.length_mm, piece.length_mm, u95, limit))
    slopes = (row_slopes(first), row_slopes(second))
    ours, theirs = _matching_rows(common, slopes)
    if len(ours) == 0:
        return tuple(result)
    for what, pick in (("largest", np.argmax), ("smallest", np.argmin)):
        i = int(ours[pick(first.diameter_mm[ours])])
        j = int(theirs[pick(second.diameter_mm[theirs])])
        own = np.hypot(common.parts[0] * first.u95_mm[i], common.parts[1] * second.u95_mm[j])
        # One may show a little more of a slope than the other.
        slope = max(slopes[0][i], slopes[1][j])
        apart = np.hypot(common.place_u95_mm(float(first.z_mm[i])), LONGEST_BRIDGE_MM)
        u95 = float(np.hypot(own, 2.0 * slope * apart))
        a, b = float(first.diameter_mm[i]), float(second.diameter_mm[j])
        result.append(_likeness(what, a, b, u95, EYE_DIAMETER_MM))
    return tuple(result)


def _marks(profile: Profile) -> list[_Mark]:
    """Return the beads, coves and shoulders of a piece."""
    found: list[_Mark] = []
    for mark in landmarks(profile, _LEAST_MM):
        if mark.kind != SHOULDER and mark.kind not in _NAMES:
            continue
        top = int(np.argmin(np.abs(profile.z_mm - mark.z_mm)))
        if mark.kind == SHOULDER:
            found.append(
                _Mark(SHOULDER, "shoulder", mark.z_mm, mark.diameter_mm, mark.u95_mm, top, 0.0)
            )
            continue
        drop = min(_DROP_MM, _DROP_PART * mark.prominence_mm)
        left, right = flanks(profile, mark.kind, top, drop)
        width = right.z_mm - left.z_mm
        found.append(
            _Mark(mark.kind, _NAMES[mark.kind][int(width > _LONG_MM)], left.z_mm + width / 2.0,
                  crest_diameter(profile, top), mark.u95_mm, top, drop)
        )  # fmt: skip
    return found


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


def _twin(marks: tuple[_Mark, _Mark], common: _Common) -> Twin:
    """Return what two features that answer to each other have in common.

    Flanks are met at one and the same depth below both crests, whatever else each photo shows.
    """
    (a, b), (first, second), placement = marks, common.profiles, common.placement
    offset_u95 = common.place_u95_mm(a.z_mm)
    size_u95 = float(np.hypot(common.parts[0] * a.u95_mm, common.parts[1] * b.u95_mm))
    diameter = _likeness("diameter", a.diameter_mm, b.diameter_mm, size_u95, EYE_DIAMETER_MM)
    if a.kind == SHOULDER:
        u95 = float(np.hypot(np.sqrt(2.0) * _SHOULDER_U95_MM, offset_u95))
        place = float(placement.to_plan(np.array([b.z_mm]))[0])
        shift = _likeness("place", a.z_mm, place, u95, EYE_PLACE_MM)
        return Twin(a.name, a.z_mm, (shift, diameter))
    drop = min(a.drop_mm, b.drop_mm)
    ours, theirs = flanks(first, a.kind, a.top, drop), flanks(second, b.kind, b.top, drop)
    if placement.flipped:
        theirs = theirs[::-1]
    left, right = placement.to_plan(np.array([flank.z_mm for flank in theirs])).tolist()
    both = float(np.sqrt(sum(flank.u95_mm**2 for flank in (*ours, *theirs))))
    middle = (ours[0].z_mm + ours[1].z_mm) / 2.0
    place_u95 = float(np.hypot(both / 2.0, offset_u95))
    return Twin(a.name, a.z_mm, (
        _likeness("place", middle, (left + right) / 2.0, place_u95, EYE_PLACE_MM),
        diameter,
        _likeness("width", ours[1].z_mm - ours[0].z_mm, right - left, both, EYE_PLACE_MM),
    ))  # fmt: skip
