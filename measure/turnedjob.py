"""Several photos of one piece from photos to files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.ending import Outcome
from calib.folders import write_folder_whole
from calib.photo import Photo, read_photo
from calib.refusal import BadFileError, Notice, RefusalError
from measure.options import out_folder
from measure.progress import Progress, StepWatch
from measure.replaced import replaced_names, replaced_words
from measure.result import TraceRequest, TraceResult
from measure.resultfile import trace_data
from measure.startend import far_end_name
from measure.table import trace_table
from measure.tracefiles import OVALS, REPORT, TRACE_NAMES, trace_files
from measure.tracejob import trace_one, trace_shot
from measure.turned import bring_together
from measure.turnedwords import oval_data, oval_lines, ovals_csv
from measure.units import units_for
from measure.unmoved import Shot, as_one, counts_backward

__all__ = ["trace_photos"]

FloatArray = NDArray[np.float64]

_FEWEST_TURNED = 2
"""One side says nothing of how oval a piece is, and is traced without `--turned`."""


def trace_photos(
    photos: Sequence[Path],
    turned_rad: FloatArray | None,
    request: TraceRequest,
    *,
    out: Path | None,
    inches: bool,
    report: bool,
    quietly: bool,
) -> Outcome:
    """Measure photos of one piece and write one folder, by the first photo's name.

    Parameters
    ----------
    turned_rad : how far the piece was turned before each photo; None if it was not moved.
    out, inches, report, quietly : as for one photo.

    Raises
    ------
    RefusalError
        If a photo cannot be read or measured, they do not show one piece, or the folder cannot
        be written.
    """
    units = units_for(inches)
    with StepWatch(shown=False if quietly else None) as progress:
        if turned_rad is None:
            first, results, notices = _as_one(photos, request, progress)
        else:
            first, results, turned_rad, notices = _each(photos, turned_rad, request, progress)
        progress("Bringing the photos together")
        together = bring_together(results, turned_rad, notices)
        progress("Writing the results")
        folder = out_folder(photos[0], out)
        result = together.result
        if result.photo_name != first.name:
            # The first photo was left out: the picture is of the one that leads.
            names = _names(photos)
            first = read_photo(next(p for p in photos if names[p] == result.photo_name))
        data = {**trace_data(result), **oval_data(together)}
        words = oval_lines(together, units)
        files = trace_files(
            result,
            data,
            first.bgr,
            every_mm=request.every_mm,
            units=units,
            report=report,
            remarks=[" ".join(line.split()) + "." for line in words],
        )
        if turned_rad is not None:
            files[OVALS] = ovals_csv(together)
        replaced = replaced_words(folder, data["kind"])
        write_folder_whole(folder, files, replaced_names(folder, TRACE_NAMES))
    data["out"] = str(folder)
    data["files"] = list(files)
    text = "\n".join([*words, trace_table(result, request.every_mm, units)])
    text += f"\n\nWritten to {folder / REPORT if report else folder}{replaced}"
    return Outcome(text, data, result.notices)


def _each(
    photos: Sequence[Path],
    turned_rad: FloatArray,
    request: TraceRequest,
    progress: Progress,
) -> tuple[Photo, list[TraceResult], FloatArray, list[Notice]]:
    """Return the first photo that was measured, all results, their turns, and what to say.

    Photos that cannot be measured are left out and named, as long as two others can.
    """
    first: Photo | None = None
    results: list[TraceResult] = []
    turns: list[float] = []
    notices: list[Notice] = []
    refused: RefusalError | None = None
    names = _names(photos)
    for path, turn in zip(photos, turned_rad.tolist(), strict=True):
        try:
            photo, result = trace_one(path, request, progress, names[path])
        except BadFileError as error:
            raise type(error)(*_named(names[path], error.notice)) from None
        except RefusalError as error:
            refused = refused or type(error)(*_named(names[path], error.notice))
            notices.append(_left_out(names[path], error.notice))
            continue
        first = first or photo
        results.append(result)
        turns.append(turn)
    if first is None or len(results) < _FEWEST_TURNED:
        raise refused or ValueError("got fewer than two photos")
    return first, results, np.array(turns), notices


def _as_one(
    photos: Sequence[Path], request: TraceRequest, progress: Progress
) -> tuple[Photo, list[TraceResult], list[Notice]]:
    """Return the first photo that was measured, and the results of those that agree, made one.

    Photos that cannot be measured are left out and named, as long as another one can.
    """
    first: Photo | None = None
    shots: list[Shot] = []
    notices: list[Notice] = []
    refused: RefusalError | None = None
    for path, name in _names(photos).items():
        try:
            photo, shot = trace_shot(path, request, progress, name)
            if shots and counts_backward(shots[0], shot):
                # The phone went round the bench: what was left is right now.
                other = far_end_name(shot.result.axis_px)
                _, shot = trace_shot(path, replace(request, start=other), progress, name)
        except BadFileError as error:
            raise type(error)(*_named(name, error.notice)) from None
        except RefusalError as error:
            refused = refused or type(error)(*_named(name, error.notice))
            notices.append(_left_out(name, error.notice))
            continue
        first = first or photo
        shots.append(shot)
    if first is None:
        raise refused or ValueError("got no photos")
    progress("Solving the photos as one")
    results, left_out = as_one(shots, request)
    return first, results, [*notices, *left_out]


def _names(photos: Sequence[Path]) -> dict[Path, str]:
    """Return what each photo is called: by its file, with the way to it where two are named alike.

    Two phones both begin at IMG_0001, and what is said of one photo must not be taken for another.
    """
    files = [path.name for path in photos]
    return {path: path.name if files.count(path.name) == 1 else str(path) for path in photos}


def _left_out(name: str, notice: Notice) -> Notice:
    _, said, advice = _named(name, notice)
    return Notice("photo-left-out", f"{said} It was left out.", advice)


def _named(name: str, notice: Notice) -> tuple[str, str, str]:
    """Return what a refusal says, the photo named: one of several is meant."""
    said = notice.message
    return notice.code, said if name in said else f"{name}: {said}", notice.advice
