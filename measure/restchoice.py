"""The way the piece rests on the bench, of several in which it could.

Weight alone does not tell: a piece with a belly may rest on either side of it, and one that is
nearly straight on almost anything. The two sides say nothing of how far the axis leans in the
plane in which they mirror each other; but each end shows a face or a dome that is round about the
axis, and looks so only to the phone that looks along the right one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.finding import FoundTarget
from calib.lens import Lens
from calib.vectors import cross
from measure.endrimfit import ends_of, with_rims
from measure.fit import Estimate
from measure.rest import Rest
from measure.result import TraceRequest
from measure.solved import Solved
from measure.solving import first_rests, solve_outline

__all__ = ["with_rest_chosen"]

FloatArray = NDArray[np.float64]

CHANCE_LEAST, NEAR_MOST = 0.05, 3
"""A way to rest that weight makes less likely than this is not tried, nor more than so many."""
TRIED_LEAN, SAME_LEAN = 0.0005, 0.002
"""Ways to rest that lean by so nearly the same are one: before they are solved, which may part
them, and after (0.1 mm over 50 mm; no source)."""
LEFT_OUT = 0.05
RARE = 0.01
"""A way less likely than this is not solved once more."""
PASSES = 3
FAR_LEAN, FAR_CHANCE_LEAST = 0.05, 0.005
"""Where another way may lean so differently it is looked for anew, from the opposite lean; the
profile being bent by the way taken, or by a level axis, its weight says less of how likely."""
ROUNDS = 3
NOT_ROUND_PX, UNSEEN_CHANCE = 1.0, 0.25
"""What misses its cap by more is no better round than what no cap makes; and how likely, at least,
any way is where such an end hides some of the weight (no source)."""
NO_CIRCLE_PX2, SURE_MM = 0.12, 1.0
"""From the wrong way a face is no circle any more, though some dome still makes its arc: what that
counts for, the circle being sure (in 25 rendered photos that could rest in several ways, no right
way lacked one that a wrong way showed)."""
MISFIT_SD_PX2, MOST_EVIDENCE = 0.02, 3.0
"""What squared misfits of the ends differ by between ways to rest, with nothing behind it; and
the most that they say, as a logarithm: a shadow may spoil an end (of 38 rendered photos with
several ways, 3 right ones were held less likely than 0.05 with 6, one with 3)."""


def with_rest_chosen(
    request: TraceRequest,
    lens: Lens,
    found: FoundTarget,
    solved: Solved,
    size_px: tuple[int, int],
) -> Solved:
    """Return the outline solved for the likeliest way to rest, the others in its covariance.

    Parameters
    ----------
    request, lens, found : as it was solved.
    solved : for the way that weight makes likeliest.
    size_px : (width, height) of the photo.
    """
    if request.setup != "bench" or not solved.rests:
        return with_rims(request, lens, found, solved, size_px)
    seen: list[Solved] = []

    def fresh(found_so: Iterable[Solved]) -> list[Solved]:
        known = len(seen)
        for way in found_so:
            if all(_apart(way, other) > SAME_LEAN for other in seen):
                seen.append(replace(solved, estimate=way.estimate, rests=way.rests))
        return seen[known:]

    def weighed(fresh_ways: list[Solved]) -> list[_Way]:
        return [_weighed(request, found, way, size_px) for way in fresh_ways]

    first = fresh([solved])
    first += fresh(_near(request, lens, found, solved))
    first += fresh(_far(request, lens, found, solved))
    if len(first) == 1:
        return with_rims(request, lens, found, solved, size_px)
    ways, before = weighed(first), first[0]
    for _ in range(PASSES):
        best = ways[int(np.argmax(_shares(ways)))].solved
        if best is before:
            break
        ways += weighed(fresh(_near(request, lens, found, best)))
        before = best
    return _likeliest(_rimmed(request, lens, found, ways, size_px))


@dataclass(frozen=True, slots=True)
class _Way:
    """The outline solved for one way to rest, and how badly its ends are round, px squared.

    `unseen` says whether one of them is not found.
    """

    solved: Solved
    misfit_px2: float
    unseen: bool


def _near(
    request: TraceRequest, lens: Lens, found: FoundTarget, solved: Solved
) -> Iterator[Solved]:
    """Yield the outline solved for the other ways that the profile found shows."""
    taken, *others = solved.rests
    rests = [r for r in others if _likely(r) and abs(r.lean - taken.lean) > TRIED_LEAN]
    for rest in rests[:NEAR_MOST]:
        with suppress(ValueError):
            yield solve_outline(request, lens, found, solved.outline, ROUNDS, solved.estimate, rest)


def _far(request: TraceRequest, lens: Lens, found: FoundTarget, solved: Solved) -> Iterator[Solved]:
    """Yield the outline solved from the opposite lean, if it may lean so.

    A profile that a wrong way has bent shows no other way: that of a level axis is free of that.
    """
    lean = solved.rests[0].lean
    with suppress(ValueError):
        rests = [*first_rests(request, found, solved.outline), *solved.rests]
        likely = [rest for rest in rests if rest.chance >= FAR_CHANCE_LEAST]
        far = [rest for rest in likely if abs(rest.lean - lean) > FAR_LEAN]
        if far:
            yield solve_outline(request, lens, found, solved.outline, ROUNDS, leaning=-lean)
            yield solve_outline(request, lens, found, solved.outline, ROUNDS, None, far[0])


def _apart(one: Solved, other: Solved) -> float:
    """Return the angle between two axes, radians."""
    turn = cross(one.estimate.axis.direction, other.estimate.axis.direction)
    return float(np.linalg.norm(turn))


def _likely(rest: Rest) -> bool:
    return rest.chance >= CHANCE_LEAST


def _shares(ways: Sequence[_Way]) -> FloatArray:
    """Return how likely each way is, (n,), by weight and by its ends."""
    misfit = np.array([way.misfit_px2 for way in ways])
    least = UNSEEN_CHANCE if any(way.unseen for way in ways) else 1e-9
    chance = np.maximum([way.solved.rests[0].chance for way in ways], least)
    against = np.minimum((misfit - misfit.min()) / (2.0 * MISFIT_SD_PX2), MOST_EVIDENCE)
    share = chance * np.exp(-against)
    return np.asarray(share / share.sum())


def _rimmed(
    request: TraceRequest,
    lens: Lens,
    found: FoundTarget,
    ways: Sequence[_Way],
    size_px: tuple[int, int],
) -> list[_Way]:
    """Return the ways, those that count solved with the rims of their ends."""
    return [
        replace(way, solved=with_rims(request, lens, found, way.solved, size_px))
        if share > RARE
        else way
        for way, share in zip(ways, _shares(ways), strict=True)
    ]


def _likeliest(ways: Sequence[_Way]) -> Solved:
    """Return the likeliest way, with how far the others lie from it in its covariance."""
    shares = _shares(ways)
    k = int(np.argmax(shares))
    best = ways[k].solved
    estimate, covariance = best.estimate, best.estimate.covariance
    # An interval of 95 % leaves out the least likely, so many as are together below 5 %.
    rare = np.cumsum(np.sort(shares))[np.argsort(np.argsort(shares))] < LEFT_OUT
    for way, share in zip(ways, np.where(rare, 0.0, shares), strict=True):
        off = _from(estimate, way.solved.estimate)
        covariance = covariance + share * np.outer(off, off)
    estimate = replace(estimate, covariance=covariance)
    return replace(best, estimate=estimate, rest_share=float(shares[k]))


def _from(here: Estimate, there: Estimate) -> FloatArray:
    """Return how far another estimate lies from one, in the unknowns of that one."""
    return here.layout.vector_at(there.view, there.axis, there.x) - here.x


def _weighed(
    request: TraceRequest, found: FoundTarget, solved: Solved, size_px: tuple[int, int]
) -> _Way:
    """Return a way with the squared misfits, of both ends, of what closes the piece there."""
    _, ends = ends_of(request, found, solved, size_px)
    both = zip((ends.start, ends.stop), ends.cut, strict=True)
    shown = [end for end, cut in both if not cut]
    misfit_px2 = sum(min(end.misfit_px, NOT_ROUND_PX) ** 2 for end in shown)
    misfit_px2 += sum(NO_CIRCLE_PX2 for end in shown if not (end.circle and end.sd_mm < SURE_MM))
    return _Way(solved, float(misfit_px2), any(end.misfit_px > NOT_ROUND_PX for end in shown))
