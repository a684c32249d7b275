"""A stepped cutter against the bores that a mechanism needs.

All steps of a cutter go into the wood together, so one depth of the tip sets all their depths.
Wood that is bored too wide or too deep cannot be put back: where bores disagree about the
depth, the shallowest decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from measure.boring import Edge, normal_below
from measure.mechanism import Bore, Mechanism

__all__ = ["BoreCheck", "Plunge", "Unwanted", "Verdict", "check_plunges"]

SURE = 0.95
NEAR_MM = 3.0
"""A step that misses a bore by less was probably meant for it."""
LEAST_UNWANTED_MM = 0.5


class Verdict(StrEnum):
    """What becomes of a bore."""

    MADE = "made"
    UNSURE = "unsure"
    TOO_WIDE = "too wide"
    TOO_NARROW = "too narrow"
    OTHER_TOOL = "needs another tool"


@dataclass(frozen=True, slots=True)
class BoreCheck:
    """What the cutter makes of one bore.

    Attributes
    ----------
    edge : the step that makes it, or comes nearest; None if none does.
    verdict : of the diameter.
    off_mm : the step's diameter less the bore's; None without a step.
    chance : that the diameter is within tolerance.
    depth_mm : where the step's front ends up, also in a through bore that other bores stop
        short; None without a step or where nothing stops it.
    deep_mm : depth less what is needed; negative if short; None for a through bore.
    depth_ok : whether that is within the tolerance; None where `deep_mm` is.
    """

    bore: Bore
    edge: Edge | None
    verdict: Verdict
    off_mm: float | None
    chance: float
    depth_mm: float | None
    deep_mm: float | None
    depth_ok: bool | None


@dataclass(frozen=True, slots=True)
class Unwanted:
    """A step that cuts, or a pilot's hole, where no bore so wide is wanted; how deep it gets."""

    edge: Edge
    depth_mm: float


@dataclass(frozen=True, slots=True)
class Plunge:
    """One way in: all bores of one part from one end.

    Attributes
    ----------
    tip_mm : how deep the tip goes; None if no bore is made with the cutter, and where a
        through bore asks for no depth.
    unwanted : steps that would cut what should stand, at that depth.
    follows : the step that would cut what should stand if a part bored right through is longer
        than the tool in front of it; None if there is none, or other bores stop the tip.
    """

    part: str
    from_end: str
    bores: tuple[BoreCheck, ...]
    tip_mm: float | None
    unwanted: tuple[Unwanted, ...]
    follows: Edge | None = None


def check_plunges(
    mechanism: Mechanism, edges: Sequence[Edge], drill: Edge | None = None
) -> tuple[Plunge, ...]:
    """Hold a cutter against each part and end that a mechanism is bored from.

    Parameters
    ----------
    edges : the steps, from the tip on.
    drill : the hole that is bored first for the pilot; may make a through bore itself.

    Raises
    ------
    ValueError
        If there are no edges.
    """
    if not edges:
        raise ValueError("need at least one step, got none")
    ways = dict.fromkeys((bore.part, bore.from_end) for bore in mechanism.bores)
    plunges = []
    for part, end in ways:
        bores = [b for b in mechanism.bores if (b.part, b.from_end) == (part, end)]
        plunges.append(_plunge(part, end, bores, edges, drill))
    return tuple(plunges)


def _plunge(
    part: str, end: str, bores: list[Bore], edges: Sequence[Edge], drill: Edge | None
) -> Plunge:
    matched = [(bore, _edge_for(bore, edges, drill)) for bore in bores]
    made = [
        (bore, edge)
        for bore, edge in matched
        if edge is not None and edge is not drill and _verdict(bore, edge)[0] in _STAYS
    ]
    depths = [bore.depth_mm + edge.front_mm for bore, edge in made if bore.depth_mm is not None]
    tip = min(depths) if depths else None
    return Plunge(
        part=part,
        from_end=end,
        bores=tuple(_bore_check(bore, edge, drill, tip) for bore, edge in matched),
        tip_mm=tip,
        unwanted=_unwanted(bores, edges, tip),
        follows=None if tip is not None or not made else _following(bores, edges),
    )


_STAYS = (Verdict.MADE, Verdict.UNSURE)


def _edge_for(bore: Bore, edges: Sequence[Edge], drill: Edge | None) -> Edge | None:
    """Return the step likeliest to make a bore, else the nearest one, else None."""
    tools = [edge for edge in edges if not edge.guides]
    if bore.through and drill is not None:
        tools.append(drill)
    near = [edge for edge in tools if abs(edge.diameter_mm - bore.diameter_mm) <= NEAR_MM]
    if not near:
        return None
    return max(near, key=lambda e: (_chance(bore, e), -abs(e.diameter_mm - bore.diameter_mm)))


def _chance(bore: Bore, edge: Edge) -> float:
    low, high = bore.diameter_mm - bore.tolerance_mm, bore.diameter_mm + bore.tolerance_mm
    above = normal_below(low - 1e-9, edge.diameter_mm, edge.u95_mm)
    return max(0.0, normal_below(high + 1e-9, edge.diameter_mm, edge.u95_mm) - above)


def _verdict(bore: Bore, edge: Edge) -> tuple[Verdict, float]:
    chance = _chance(bore, edge)
    if chance >= SURE:
        return Verdict.MADE, chance
    if chance > 1.0 - SURE:
        return Verdict.UNSURE, chance
    wide = edge.diameter_mm > bore.diameter_mm
    return (Verdict.TOO_WIDE if wide else Verdict.TOO_NARROW), chance


def _bore_check(bore: Bore, edge: Edge | None, drill: Edge | None, tip: float | None) -> BoreCheck:
    if edge is None:
        return BoreCheck(bore, None, Verdict.OTHER_TOOL, None, 0.0, None, None, None)
    verdict, chance = _verdict(bore, edge)
    off = edge.diameter_mm - bore.diameter_mm
    if tip is None or edge is drill or verdict not in _STAYS:
        return BoreCheck(bore, edge, verdict, off, chance, None, None, None)
    depth = tip - edge.front_mm
    if bore.depth_mm is None:
        return BoreCheck(bore, edge, verdict, off, chance, depth, None, None)
    deep = depth - bore.depth_mm
    ok = bool(abs(deep) <= bore.depth_tolerance_mm + 1e-9)
    return BoreCheck(bore, edge, verdict, off, chance, depth, deep, ok)


def _unwanted(
    bores: Sequence[Bore], edges: Sequence[Edge], tip: float | None
) -> tuple[Unwanted, ...]:
    """Return the steps that reach the wood at this depth where nothing so wide is wanted."""
    if tip is None:
        return ()
    found = []
    for edge in edges:
        depth = tip - edge.front_mm
        if depth <= LEAST_UNWANTED_MM:
            continue
        held = [
            bore
            for bore in bores
            if _may_hold(bore, edge)
            and (bore.depth_mm is None or bore.depth_mm + bore.depth_tolerance_mm >= depth)
        ]
        if not held:
            found.append(Unwanted(edge, depth))
    return tuple(found)


def _following(bores: Sequence[Bore], edges: Sequence[Edge]) -> Edge | None:
    """Return the first step from the tip on that no through bore holds."""
    through = [bore for bore in bores if bore.through]
    wide = [e for e in edges if not e.guides and not any(_may_hold(b, e) for b in through)]
    return min(wide, key=lambda edge: edge.front_mm) if wide else None


def _may_hold(bore: Bore, edge: Edge) -> bool:
    """Return whether a bore may be wide enough for a step."""
    widest = bore.diameter_mm + bore.tolerance_mm
    return normal_below(widest, edge.diameter_mm, edge.u95_mm) > 1.0 - SURE
