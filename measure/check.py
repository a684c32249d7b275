"""Does it match the plan? The steps of a check, from a measured piece to what to do."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from calib.refusal import Notice, RefusalError
from measure.checknotices import check_notices
from measure.finedetail import bottom_hidden, too_fine
from measure.judge import OUTSIDE, UNSURE, WITHIN, Deviations, judge
from measure.measured import Measured
from measure.pair import Pair, compare_pair
from measure.places import Place, find_places
from measure.plan import Plan
from measure.readings import Advice, advise
from measure.register import Placement, register
from measure.slide import Moved, moved_features
from measure.uniform import UniformError, uniform_error

__all__ = ["CheckRequest", "CheckResult", "LengthMatch", "Unjudged", "check"]

_LEAST_UNJUDGED_MM = 1.0
"""Shorter stretches without rows are the rounding of ends and shoulders."""


@dataclass(frozen=True, slots=True)
class CheckRequest:
    """What the turner asks for.

    Attributes
    ----------
    tolerance : class of ISO 2768-1 or (proud, shy) in mm on the diameter; None to leave it to
        the plan, or to class m where that says nothing.
    datum : "start", "end", "best", or the z of a shoulder; None to leave it to the plan.
    flip : "auto", "yes" or "no".
    same_photo : piece and plan were traced from one photo.
    pair : compare feature by feature as well, where the plan is a traced piece.
    """

    tolerance: str | tuple[float, float] | None = None
    datum: str | float | None = None
    flip: str = "auto"
    same_photo: bool = False
    pair: bool = True


@dataclass(frozen=True, slots=True)
class LengthMatch:
    """Overall length, mm: planned, measured, and the 95 % half-width of the difference."""

    planned_mm: float
    measured_mm: float
    u95_mm: float

    @property
    def difference_mm(self) -> float:
        """Measured less planned."""
        return self.measured_mm - self.planned_mm

    @property
    def differs(self) -> bool:
        """Whether the difference exceeds its uncertainty."""
        return abs(self.difference_mm) > self.u95_mm


@dataclass(frozen=True, slots=True)
class Unjudged:
    """A stretch of the plan, mm along it, that has no rows; `reason` says why in few words."""

    z_from_mm: float
    z_to_mm: float
    reason: str


@dataclass(frozen=True, slots=True)
class CheckResult:
    """Everything a check found; see the parts' own types.

    Attributes
    ----------
    verdict : of the whole: "outside" if any place is, else "unsure" if any row is, else
        "within", which speaks of the rows that were judged only; see `unjudged`.
    """

    piece: Measured
    plan: Plan
    request: CheckRequest
    placement: Placement
    rows: Deviations
    places: tuple[Place, ...]
    moved: tuple[Moved, ...]
    uniform: UniformError | None
    length: LengthMatch | None
    unjudged: tuple[Unjudged, ...]
    advice: Advice
    pair: Pair | None
    notices: tuple[Notice, ...]
    verdict: str

    def worst(self, proud: bool) -> Place | None:
        """Return the weightiest place of one side: the first, since they are in that order."""
        return next((place for place in self.places if place.proud == proud), None)


def check(piece: Measured, plan: Plan, request: CheckRequest) -> CheckResult:
    """Lay the piece on the plan and judge it.

    Raises
    ------
    RefusalError
        They cannot be laid on each other, or nothing of the plan was seen.
    """
    datum = request.datum if request.datum is not None else plan.datum
    placement, notices = register(piece, plan, "best" if datum is None else datum, request.flip)
    rows = judge(piece.profile, plan, placement, request.tolerance, same_photo=request.same_photo)
    if len(rows) == 0:
        raise RefusalError(
            "nothing-judged",
            "No measured place of the piece lies on a judged part of the plan.",
            "Check the plan's judge and zone lines, or the datum.",
        )
    moved = moved_features(rows, plan, placement.u95_mm)
    pair = None
    if request.pair and plan.source == "trace":
        pair = compare_pair(piece, plan, placement, same_photo=request.same_photo)
    unjudged = _unjudged(piece, plan, placement, rows)
    advice = advise(rows, known_mm=piece.known_mm)
    told = check_notices(piece, plan, placement, rows, advice, same_photo=request.same_photo)
    return CheckResult(
        piece=piece,
        plan=plan,
        request=request,
        placement=placement,
        rows=rows,
        places=find_places(rows, moved),
        moved=moved,
        uniform=uniform_error(rows),
        length=_length(piece, plan),
        unjudged=unjudged,
        advice=advice,
        pair=pair,
        notices=(*notices, *told),
        verdict=next((v for v in (OUTSIDE, UNSURE) if np.any(rows.verdict == v)), WITHIN),
    )


def _length(piece: Measured, plan: Plan) -> LengthMatch | None:
    if piece.length_mm is None or piece.length_u95_mm is None or plan.start_cut or plan.end_cut:
        return None
    u95 = float(np.hypot(piece.length_u95_mm, plan.length_u95_mm))
    return LengthMatch(plan.length_mm, piece.length_mm, u95)


def _unjudged(
    piece: Measured, plan: Plan, placement: Placement, rows: Deviations
) -> tuple[Unjudged, ...]:
    """Return the stretches of the plan without judged rows, with the reason."""
    ends = placement.to_plan(np.array([0.0, piece.far_mm]))
    low, high = float(np.min(ends)), float(np.max(ends))
    edges = np.concatenate([[plan.start_mm], rows.z_mm, [plan.end_mm]])
    found: list[Unjudged] = []
    for a, b in pairwise(edges.tolist()):
        if b - a < _LEAST_UNJUDGED_MM:
            continue
        middle = np.array([(a + b) / 2.0])
        if not plan.judged_at(middle)[0]:
            reason = "left out by the plan"
        elif b <= low + _LEAST_UNJUDGED_MM or a >= high - _LEAST_UNJUDGED_MM:
            reason = "the plan is longer than the piece"
        elif not np.isfinite(plan.at(middle))[0]:
            reason = "the plan has a gap"
        elif too_fine(plan, middle)[0]:
            reason = "finer than the photo shows"
        elif bottom_hidden(plan, middle)[0]:
            reason = "too narrow to show how deep it is"
        else:
            reason = "not seen in the photo"
        found.append(Unjudged(a, b, reason))
    return tuple(found)
