"""One photo to diameters: the steps, in order."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from calib.finding import FoundTarget, find_target
from calib.lens import Lens, lens_from_exif
from calib.photo import Photo
from calib.printed import PrintScale
from calib.refusal import BadFileError, RefusalError
from calib.targets import parse_target
from measure.boardzone import target_zone
from measure.boxcheck import check_box
from measure.boxcut import goes_past_box
from measure.caliper import with_readings
from measure.laps import Laps
from measure.restchoice import with_rest_chosen
from measure.result import TraceRequest, TraceResult
from measure.rivals import followed
from measure.scene import prepare
from measure.solved import Solved
from measure.solving import solve_outline
from measure.tracing import Tracing, finished

__all__ = ["Tracing", "measured", "prior_lens", "trace"]

Progress = Callable[[str], None]

ROUNDS = 3
"""How often what an outline solved anew rests on is renewed."""


def trace(
    photo: Photo,
    request: TraceRequest,
    progress: Progress = lambda _: None,
    lens: Lens | None = None,
    scale: PrintScale | None = None,
) -> TraceResult:
    """Return the diameters of the turned piece in a photo.

    Parameters
    ----------
    photo, request : what to measure and how it lies.
    progress : told the name of each step.
    lens : a calibrated lens that fits the photo; without it the prior that EXIF gives.
    scale : of a printed board, when that is the target.

    Raises
    ------
    RefusalError
        When target or piece are not found or contradict the set-up; the code says which.
    """
    return measured(photo, request, progress, lens, scale).result


def prior_lens(photo: Photo) -> Lens:
    """Return the lens prior of a photo: from its EXIF data."""
    return lens_from_exif(
        photo.size_px, photo.focal_35mm, photo.focal_relative_sd, photo.framing != "cropped"
    )


def measured(
    photo: Photo,
    request: TraceRequest,
    progress: Progress,
    lens: Lens | None = None,
    scale: PrintScale | None = None,
) -> Tracing:
    """Trace, keeping the steps' results; see `trace`."""
    check_box(photo.size_px, request.box_px, photo.name)
    laps = Laps()
    lens = prior_lens(photo) if lens is None else lens
    target = parse_target(request.target)
    progress("looking for the target")
    found = find_target(photo, lens, target, scale)
    laps.lap("target")
    progress("looking for the piece")
    covers = [] if found.is_board else [found.polygon_px]
    zone = target_zone(target, found.sight, found.view)
    scene = prepare(photo.bgr, covers, request.box_px, zone)
    solved = followed(photo, request, lens, found, scene, laps)
    solved = with_rest_chosen(request, lens, found, solved, photo.size_px)
    laps.lap("fit")
    if request.setup == "bench" and request.box_px is not None:
        whole = prepare(photo.bgr, covers, None, zone)
        past = goes_past_box(photo, lens, found, whole, solved.outline)
        solved = replace(solved, past_box=past)
    progress("measuring")
    try:
        tracing = finished(photo, request, found, solved)
    except RefusalError as refused:
        # What was passed over for a caliper reading's sake is no worse than this.
        raise (solved.contradicted or refused) from None
    if request.known and request.setup != "plane":
        _refuse_misread(photo, request, lens, found, solved)
    laps.lap("finish")
    return replace(tracing, result=replace(tracing.result, timings=laps.seconds))


def _refuse_misread(
    photo: Photo, request: TraceRequest, lens: Lens, found: FoundTarget, solved: Solved
) -> None:
    """Refuse a caliper reading that the photo, solved without it, contradicts.

    Taken in it bends everything else until it fits. At the lathe how level the card is held is
    what the reading is to tell, so that there the photo by itself says too little.

    Raises
    ------
    RefusalError
        `known-contradicts`.
    """
    bare = replace(request, known=())
    try:
        alone = solve_outline(bare, lens, found, solved.outline, ROUNDS)
        alone = with_rest_chosen(bare, lens, found, alone, photo.size_px)
        profile = finished(photo, bare, found, alone).result.profile
    except (RefusalError, ValueError):
        return  # the photo tells nothing without the reading
    try:
        with_readings(profile, request.known)
    except BadFileError:
        return  # nor at its place
