"""An outline solved anew with the rims of its ends, where they are seen as circles."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace

import numpy as np

from calib.finding import FoundTarget
from calib.lens import Lens
from measure.endrimsight import RimSight, rim_on
from measure.pieceends import PieceEnds, arc_of, piece_ends
from measure.result import TraceRequest
from measure.setting import curves_of
from measure.sides import SideCurve
from measure.solved import Solved
from measure.solving import solve_outline

__all__ = ["ends_of", "with_rims"]

FOCAL_KNOWN = 0.006
"""A rim tells nothing of a focal length, nor of anything else, that is known to this share of
it."""
SURE_MM = 0.3
"""An end known no better may be a low dome's, seen aslant from inside, or have a broken edge: its
arc passes for a circle, but for a wrong one."""
CONTRADICTS_SDS = 2.5
"""What moves the focal length by so many of its standard deviations is no face's rim (in 160
rendered photos none moved it by more than one)."""


def with_rims(
    request: TraceRequest,
    lens: Lens,
    found: FoundTarget,
    solved: Solved,
    size_px: tuple[int, int],
) -> Solved:
    """Return the outline solved with the rims of its ends, or as it was where they say nothing.

    Parameters
    ----------
    request, lens, found : as it was solved; `size_px` (width, height) of the photo.
    """
    before = solved.estimate
    if np.sqrt(before.covariance[0, 0]) < FOCAL_KNOWN * before.view.lens.focal_px:
        return solved
    rims = list(_rims(request, found, solved, size_px))
    if not rims:
        return solved
    like = solved.rests[0] if solved.rests else None
    with suppress(ValueError):
        anew = solve_outline(request, lens, found, solved.outline, 1, before, like, rims=rims)
        moved = abs(anew.estimate.x[0] - before.x[0])
        if moved < CONTRADICTS_SDS * np.sqrt(before.covariance[0, 0]):
            return replace(solved, estimate=anew.estimate, rests=anew.rests)
    return solved


def _rims(
    request: TraceRequest, found: FoundTarget, solved: Solved, size_px: tuple[int, int]
) -> Iterator[RimSight]:
    """Yield the rims that close the piece and are seen as circles."""
    view, axis, outline = solved.estimate.view, solved.estimate.axis, solved.outline
    curves, ends = ends_of(request, found, solved, size_px)
    for first, end, cut in zip((True, False), (ends.start, ends.stop), ends.cut, strict=True):
        # The rim that stands on the bench has its say already.
        if (
            end.circle
            and end.sd_mm < SURE_MM
            and not cut
            and not (first and request.setup == "upright")
        ):
            arc = np.flatnonzero(arc_of(outline, curves, first))
            rim = rim_on(outline, view, axis, arc, end.z_mm, 1.0 if first else -1.0)
            if rim is not None:
                yield rim


def ends_of(
    request: TraceRequest, found: FoundTarget, solved: Solved, size_px: tuple[int, int]
) -> tuple[tuple[SideCurve, SideCurve], PieceEnds]:
    """Return both side curves of a solved outline, and its ends."""
    view, axis, outline = solved.estimate.view, solved.estimate.axis, solved.outline
    curves, _ = curves_of(outline, view, axis)
    bench = -found.thickness_mm
    ends = piece_ends(size_px, request, bench, outline, view, axis, curves, solved.open_ends)
    return curves, ends
