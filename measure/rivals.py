"""The choice among rival outlines: the first whose sides are those of one round piece."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from itertools import chain, takewhile

import numpy as np
from numpy.typing import NDArray

from calib.finding import FoundTarget, linear_table
from calib.lens import Lens
from calib.photo import Photo
from calib.refusal import RefusalError
from measure.endbulge import bulges_of, ends_straight
from measure.facelike import along_card_share, encloses_card, is_disc
from measure.footfind import found_foot, stood_on
from measure.freedside import with_side_freed
from measure.goingon import gone_on, longer_at, may_go_on
from measure.laps import Laps
from measure.mending import mended
from measure.outline import refine_outline
from measure.paired import Rim, paired_rim
from measure.pieceends import is_cut, pixel_mm
from measure.plainoutline import (
    cleared_silhouettes,
    cluster_silhouettes,
    plain_silhouettes,
)
from measure.plainrod import is_plain_rod, plain_rod
from measure.result import TraceRequest
from measure.rimorder import goes_on, in_order
from measure.scene import Scene
from measure.searchedoutline import searched_silhouettes
from measure.setting import curves_of, foot_misfit_px
from measure.solved import Solved
from measure.solving import LIES_PERHAPS, axis_ends_of, not_turned, solve_outline
from measure.startend import from_start
from measure.strangers import burnt_share, lies_within, much_the_same, strange_share
from measure.tufts import without_tufts
from measure.twopieces import lie_apart, two_pieces

__all__ = ["followed", "intrinsics_of", "no_piece", "rim_near"]

FloatArray = NDArray[np.float64]

SYMMETRY_LEAST = 0.3
SURE_LEAST, BORNE_OUT_LEAST = 0.96, 0.7
"""Share of an outline that must show an edge on both sides: to look no further, and at all."""
RIVALS_MOST, GROWN_MOST = 5, 3
"""Outlines that are solved before the photo is given up, and how often one is carried on."""
FOOT_CLEAR_PX = 1.0
"""A foot that strays by less from a circle on the bench is the piece's."""
BY_CARD_MOST = 0.15
"""An outline of which more runs along the card's sides is no piece's, but of a strip of what the
card lies on: 0.31 and more, of true pieces 0 (rendered photos)."""
SEARCHES = (
    ((plain_silhouettes,), SURE_LEAST),
    ((cluster_silhouettes, searched_silhouettes), BORNE_OUT_LEAST),
    ((cleared_silhouettes,), BORNE_OUT_LEAST),
)
"""Where outlines come from, the quickest first, and how sure each must be to look no further. A
cluster may be but part of a piece: only what the search finds tells."""


def followed(
    photo: Photo,
    request: TraceRequest,
    lens: Lens,
    found: FoundTarget,
    scene: Scene,
    laps: Laps,
) -> Solved:
    """Return the best outline solved; rivals are tried in the order of what bears them out.

    Raises
    ------
    RefusalError
        `no-piece`, `not-turned`, `plain-rod`, `two-pieces`, or what the turner said that
        contradicts the photo.
    """
    intrinsics = intrinsics_of(found, lens)
    tried = plain = False
    attempts = 0
    contradicted: RefusalError | None = None
    likeliest: tuple[Rim, Solved] | None = None
    agreed: list[Solved] = []
    rims: list[Rim] = []
    for searches, sure in SEARCHES:
        for silhouette in chain.from_iterable(search(scene, intrinsics) for search in searches):
            if silhouette.symmetry >= SYMMETRY_LEAST:
                rims.append(rim_near(photo, scene, intrinsics, silhouette.sides_px(scene)))
        laps.lap("piece")
        for rim in _sure_enough(rims, sure)[:RIVALS_MOST]:
            grown = rim
            try:
                solved = _follow(photo, request, lens, found, rim.sides_px, laps)
            except RefusalError as refused:
                # A caliper reading that contradicts one outline may bear out all of it, or the
                # next.
                solved, bare = None, replace(request, known=())
                alone = _follow(photo, bare, lens, found, rim.sides_px, laps)
                if alone is not None and alone.round:
                    grown, _ = _whole(photo, bare, lens, found, scene, laps, rim, alone)
                    if grown is not rim:
                        with suppress(RefusalError):
                            solved = _follow(photo, request, lens, found, grown.sides_px, laps)
                    contradicted = contradicted or (refused if solved is None else None)
                else:
                    tried |= alone is not None
            good = solved is not None and (
                solved.quite_round
                if tried and not _one_rim(solved, agreed, attempts)
                else solved.round
            )
            # Of two that agree, one in the other, the larger is the piece, though less was seen.
            if solved is not None and good and not any(_within(solved, it) for it in agreed):
                _, whole = _whole(photo, request, lens, found, scene, laps, grown, solved)
                return replace(whole, contradicted=contradicted)
            if solved is not None and likeliest is None:
                roughly = solved.roughly_round_again if tried else solved.roughly_round
                likeliest = (grown, solved) if roughly or solved.closely_round else None
            tried |= solved is not None
            attempts += 1
            plain |= solved is not None and solved.plain
            if solved is not None and solved.agrees:
                agreed.append(solved)
            rims = [other for other in rims if other is not rim]
    if contradicted is not None:
        raise contradicted
    if likeliest is not None:
        # None that came after it does better.
        return _whole(photo, request, lens, found, scene, laps, *likeliest)[1]
    boxed = request.box_px is not None
    if plain:
        raise plain_rod(photo.name)
    if not boxed and lie_apart(scene):
        raise two_pieces(photo.name)
    standing = request.setup == "upright"
    raise not_turned(photo.name, standing) if tried else no_piece(photo.name, boxed, standing)


def rim_near(
    photo: Photo, scene: Scene, intrinsics: FloatArray, rough: tuple[FloatArray, FloatArray]
) -> Rim:
    """Return the rim that both sides of the photo show near a rough outline, two (n, 2), pixels."""
    size, paper = 1.0 / scene.scale, scene.paper
    return paired_rim(photo.bgr, linear_table(), intrinsics, rough, size, paper)


def _one_rim(solved: Solved, agreed: Sequence[Solved], attempts: int) -> bool:
    """Return whether all `attempts` outlines before it agreed, and were of much the same rim.

    They were not followed far enough; that does not speak against one that is.
    """
    return len(agreed) == attempts and all(
        much_the_same(solved.outline, it.outline) for it in agreed
    )


def _within(solved: Solved, other: Solved) -> bool:
    return lies_within(solved.outline, other.outline)


def _whole(
    photo: Photo,
    request: TraceRequest,
    lens: Lens,
    found: FoundTarget,
    scene: Scene,
    laps: Laps,
    rim: Rim,
    solved: Solved,
) -> tuple[Rim, Solved]:
    """Return the outline that goes on past the ends of one solved, where both sides bear it out.

    Where it seems to go on, but cannot be followed, those ends are open.
    """
    intrinsics = intrinsics_of(found, lens)
    for _ in range(GROWN_MOST):
        rough = gone_on(photo.bgr, linear_table(), scene, intrinsics, rim)
        if rough is None:
            break
        longer = rim_near(photo, scene, intrinsics, rough)
        laps.lap("piece")
        further: Solved | None = None
        if goes_on(longer, rim):
            try:
                further = _follow(photo, request, lens, found, longer.sides_px, laps)
            except RefusalError:
                break  # a caliper reading bears out the part
        if further is None or not further.quite_round:
            if may_go_on(longer, rim):
                ends = longer_at(longer, solved.outline.ends_px())
                solved = replace(solved, open_ends=ends)
            break
        rim, solved = longer, further
    return rim, solved


def _sure_enough(rims: list[Rim], sure: float) -> list[Rim]:
    """Return the rims to try, the likeliest first, up to the first that is not sure enough.

    A part of a piece may be as sure as can be: while the whole is not, there is more to look for.
    """
    likely = [rim for rim in in_order(rims) if rim.borne_out >= BORNE_OUT_LEAST]
    return list(takewhile(lambda rim: rim.borne_out >= sure, likely))


def intrinsics_of(found: FoundTarget, lens: Lens) -> FloatArray:
    """Return the (3, 3) camera matrix of the full photo, without distortion."""
    f, (cx, cy) = found.view.lens.focal_px, lens.centre_px
    return np.array([[f, 0.0, cx], [0.0, f, cy], [0.0, 0.0, 1.0]])


def _follow(
    photo: Photo,
    request: TraceRequest,
    lens: Lens,
    found: FoundTarget,
    sides: tuple[FloatArray, FloatArray],
    laps: Laps,
) -> Solved | None:
    """Follow one coarse outline and solve; None when its sides are not those of a round piece."""
    ordered = from_start(sides, _start(request))
    solved = _solved(photo, request, lens, found, ordered, laps)
    if request.setup == "upright" and solved is not None:
        return _stood(photo, request, lens, found, ordered, laps, solved)
    return solved


def _stood(
    photo: Photo,
    request: TraceRequest,
    lens: Lens,
    found: FoundTarget,
    sides: tuple[FloatArray, FloatArray],
    laps: Laps,
    solved: Solved,
) -> Solved:
    """Return a standing piece solved with its foot where the bench shows it, if that fits better.

    Its shadow may have been followed instead.
    """
    bench = -found.thickness_mm
    ends = axis_ends_of(solved.outline)
    off = foot_misfit_px(solved.outline, ends, solved.estimate.view, bench)
    if off < FOOT_CLEAR_PX:
        return solved
    foot = found_foot(photo.bgr, linear_table(), solved.outline, ends, found.view, bench)
    if foot is None:
        return solved
    other = _solved(photo, request, lens, found, stood_on(sides, foot, ends), laps)
    if other is None:
        return solved
    ends = axis_ends_of(other.outline)
    better = foot_misfit_px(other.outline, ends, other.estimate.view, bench) < off
    return other if better and (other.round or not solved.round) else solved


def _solved(
    photo: Photo,
    request: TraceRequest,
    lens: Lens,
    found: FoundTarget,
    ordered: tuple[FloatArray, FloatArray],
    laps: Laps,
) -> Solved | None:
    """Return what sides, in order from the start, are refined to and solved; None if not."""
    outline = refine_outline(photo.bgr, linear_table(), ordered)
    outline = without_tufts(photo.bgr, linear_table(), outline)
    laps.lap("outline")
    try:
        solved = solve_outline(request, lens, found, outline, 3)
        for _ in range(2):
            estimate = solved.estimate
            better = mended(photo.bgr, solved.outline, estimate.view, estimate.axis)
            if better is None:
                break
            better = without_tufts(photo.bgr, linear_table(), better)
            solved = solve_outline(request, lens, found, better, 2, estimate)
        solved = with_side_freed(request, lens, found, solved)
        solved = replace(
            solved,
            strange=strange_share(photo.bgr, linear_table(), solved.outline),
            burnt=burnt_share(photo.bgr, solved.outline),
        )
        solved = _with_misreadings(photo.size_px, request, found, solved)
    except ValueError:
        solved = None
    laps.lap("fit")
    return solved


def _with_misreadings(
    size_px: tuple[int, int], request: TraceRequest, found: FoundTarget, solved: Solved
) -> Solved:
    """Return an outline with whether it is that of something else: a sheet, a box, a rule."""
    outline, view, axis = solved.outline, solved.estimate.view, solved.estimate.axis
    curves, _ = curves_of(outline, view, axis)
    start, stop = (is_cut(size_px, request.box_px, outline, curves, f) for f in (True, False))
    ends = bulges_of(outline, view, axis, (start, stop))
    # Who draws a box round it has said what it is.
    plain = request.box_px is None and is_plain_rod(curves, ends)
    misread = ends_straight(ends)
    if request.setup != "upright":
        misread |= is_disc(outline, view, float(axis.point_mm[2]))
    if not found.is_board:
        card, scale = found.polygon_px, pixel_mm(view, axis)
        misread |= encloses_card(outline, card)
        misread |= along_card_share(outline, card, scale) > BY_CARD_MOST
    return replace(solved, misread=misread, plain=plain)


def _start(request: TraceRequest) -> str | None:
    # A piece on its foot is seen from above: the foot is its lower end in the picture.
    return "bottom" if request.start is None and request.setup == "upright" else request.start


def no_piece(photo_name: str, boxed: bool, standing: bool = False) -> RefusalError:
    """Return what to say where nothing mirrors itself, in the whole photo or in a box.

    `standing` is whether it was said to stand on its end.
    """
    return RefusalError(
        "no-piece",
        f"No turned piece is to be seen in {photo_name}{', inside the box' if boxed else ''}.",
        (LIES_PERHAPS if standing else "")
        + "Lay it clear of the target on a plain bench of another tone, "
        + ("and draw the box round it." if boxed else "whole in the picture, or give --box.")
        + " For an end face there is measure hole, for a drawing measure drawing.",
    )
