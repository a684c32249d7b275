"""Photos of one piece that was not moved: which of them agree, and what they say as one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.lens import Lens
from calib.refusal import Notice, RefusalError
from measure.measured import Measured
from measure.planmaking import plan_of_profile
from measure.register import Placement, register
from measure.result import END, TraceRequest, TraceResult
from measure.severalviews import OneView, at_one, has_moved, runs_backward
from measure.sidebyside import side_by_side
from measure.tracing import Tracing, solved_anew

__all__ = ["Shot", "as_one", "counts_backward", "differ", "laid_on", "offset_of"]

FloatArray = NDArray[np.float64]

CONTRADICTS, SHARE = 1.6, 0.5
"""A photo is left out where it is so many times its and the others' U95 together away from them at
so large a share of the places."""


@dataclass(frozen=True, slots=True)
class Shot:
    """One photo traced; `prior` is that of its lens, `orientation` EXIF's value."""

    tracing: Tracing
    prior: Lens
    orientation: int = 1

    @property
    def result(self) -> TraceResult:
        """What it gives by itself."""
        return self.tracing.result


def as_one(shots: Sequence[Shot], request: TraceRequest) -> tuple[list[TraceResult], list[Notice]]:
    """Return the results of the photos that agree, brought to one estimate, and who was left out.

    The photo that sees the start end best leads: all places count from there.

    Parameters
    ----------
    shots : of one piece that was not moved, all counted from the same end.
    request : what was asked of each.

    Raises
    ------
    RefusalError
        `photos-differ`: two photos contradict each other, and no third says which is wrong, or
        all of them cannot be of one scene.
    """
    kept, notices = _agreeing(list(shots))
    if len(kept) < 2:
        return [shot.result for shot in kept], notices
    kept.sort(key=lambda shot: (shot.result.z_zero != END, shot.tracing.start_sd_mm))
    first = kept[0].result
    views = [_view(shot, offset_of(first, shot.result, "no")) for shot in kept]
    moved = [k for k in range(1, len(kept)) if has_moved(views[0], views[k])]
    notices += [
        Notice(
            "piece-moved",
            f"In {kept[k].result.photo_name} the piece lies elsewhere beside the card than in "
            f"{first.photo_name}: it was left out.",
            "Leave piece and card where they are, and move the phone only.",
        )
        for k in moved
    ]
    # What two lays of a piece have in common is its shape alone, and where along it the one begins
    # in the other no photo says: two of one mill came out 1.5 mm apart along it, at 0.15 stated.
    kept = [shot for k, shot in enumerate(kept) if k not in moved]
    views = [view for k, view in enumerate(views) if k not in moved]
    if len(kept) < 2:
        return [first], notices
    try:
        anew = [
            solved_anew(shot.tracing, request, fit)
            for shot, fit in zip(kept, at_one(views), strict=True)
        ]
    except ValueError:
        raise differ(first.photo_name, kept[-1].result.photo_name) from None
    return [tracing.result for tracing in anew], notices


def counts_backward(first: Shot, other: Shot) -> bool:
    """Return whether the other photo counts z from the other end of the piece."""
    return runs_backward(_view(first, 0.0), _view(other, 0.0))


def offset_of(first: TraceResult, other: TraceResult, flip: str = "auto") -> float:
    """Return by how much z of the first photo is larger than the other's at the same place, mm.

    `flip` and refusals as in `laid_on`.
    """
    return laid_on(first, other, flip).offset_mm


def laid_on(first: TraceResult, other: TraceResult, flip: str = "auto") -> Placement:
    """Return where the other photo's profile lies along the first's.

    `flip` as in `measure.register.register`.

    Raises
    ------
    RefusalError
        `photos-differ`, or `photos-flipped` where the other is counted from the other end.
    """
    plan = plan_of_profile(first.profile, first.photo_name)
    try:
        placement, _ = register(Measured.of_trace(other), plan, flip=flip)
    except RefusalError:
        raise differ(first.photo_name, other.photo_name) from None
    if placement.flipped:
        raise RefusalError(
            "photos-flipped",
            f"{other.photo_name} is counted from the other end than {first.photo_name}.",
            "Leave the piece the same way round, or trace it apart with --from.",
        )
    return placement


def differ(first: str, other: str) -> RefusalError:
    """Return the refusal of photos of two pieces."""
    return RefusalError(
        "photos-differ",
        f"{other} does not show the same piece as {first}, or another part of it.",
        "Name photos of one piece only.",
    )


def _view(shot: Shot, offset_mm: float) -> OneView:
    tracing = shot.tracing
    return OneView(
        estimate=tracing.estimate,
        curves=tracing.curves,
        carried=tracing.carried,
        profile=tracing.result.profile,
        sight=tracing.found.sight,
        prior=shot.prior,
        shift_mm=tracing.shift_mm,
        offset_mm=offset_mm,
        orientation=shot.orientation,
    )


def _agreeing(shots: list[Shot]) -> tuple[list[Shot], list[Notice]]:
    """Return the photos without those that contradict the others, the worst left out first."""
    notices: list[Notice] = []
    while len(shots) > 1:
        apart = [_apart(shot, [s for s in shots if s is not shot]) for shot in shots]
        worst = int(np.argmax(apart))
        if apart[worst] < SHARE:
            break
        if len(shots) == 2:
            raise differ(shots[0].result.photo_name, shots[1].result.photo_name)
        name = shots.pop(worst).result.photo_name
        notices.append(
            Notice(
                "photo-left-out",
                f"{name} contradicts the other photos and was left out.",
                "Trace it by itself and look at its picture: another piece, or a shadow followed?",
            )
        )
    return shots, notices


def _apart(shot: Shot, others: list[Shot]) -> float:
    """Return the share of a photo's places at which most of the others contradict it."""
    shares = []
    for other in others:
        try:
            offset = offset_of(other.result, shot.result, "no")
            pair = [other.result.profile, shot.result.profile]
            rows = side_by_side(pair, [0.0, offset])
        except (RefusalError, ValueError):
            shares.append(1.0)
            continue
        level = rows.by_all
        if not np.any(level):
            shares.append(1.0)
            continue
        gap = np.abs(rows.diameter_mm[0] - rows.diameter_mm[1])[level]
        doubt = np.hypot(rows.u95_mm[0], rows.u95_mm[1])[level]
        shares.append(float(np.mean(gap > CONTRADICTS * doubt)))
    return float(np.median(shares))
