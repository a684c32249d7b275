"""One trace from photo to files: reads, measures, writes, and says what came of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from calib.ending import Outcome
from calib.folders import write_folder_whole
from calib.lenschoice import choose_lens
from calib.photo import Photo, read_photo
from calib.printed import scale_of_target
from measure.options import out_folder
from measure.progress import Progress, StepWatch, quiet
from measure.replaced import replaced_names, replaced_words
from measure.result import TraceRequest, TraceResult
from measure.resultfile import trace_data
from measure.table import trace_table
from measure.trace import measured, prior_lens
from measure.tracefiles import REPORT, TRACE_NAMES, trace_files
from measure.units import units_for
from measure.unmoved import Shot

__all__ = ["trace_one", "trace_photo", "trace_shot"]


def trace_photo(
    path: Path,
    request: TraceRequest,
    *,
    out: Path | None,
    inches: bool,
    report: bool,
    quietly: bool,
) -> Outcome:
    """Measure one photo and write its folder.

    Parameters
    ----------
    out : folder for the results; None for PHOTO-measured beside the photo.
    inches : for screen, picture and report.
    report : whether to write picture and report.
    quietly : name no steps on the terminal.

    Raises
    ------
    RefusalError
        If the photo cannot be read or measured, or the folder not be written.
    """
    units = units_for(inches)
    with StepWatch(shown=False if quietly else None) as progress:
        photo, result = trace_one(path, request, progress)
        progress("Writing the results")
        folder = out_folder(path, out)
        data = trace_data(result)
        files = trace_files(
            result, data, photo.bgr, every_mm=request.every_mm, units=units, report=report
        )
        replaced = replaced_words(folder, data["kind"])
        write_folder_whole(folder, files, replaced_names(folder, TRACE_NAMES))
    data["out"] = str(folder)
    data["files"] = list(files)
    text = trace_table(result, request.every_mm, units)
    text += f"\n\nWritten to {folder / REPORT if report else folder}{replaced}"
    return Outcome(text, data, result.notices)


def trace_one(
    path: Path, request: TraceRequest, progress: Progress = quiet, name: str | None = None
) -> tuple[Photo, TraceResult]:
    """Read and measure one photo, with what is known of its lens and of a printed board.

    `name` is what it is called in all that is said; None for the file's name.

    Raises
    ------
    RefusalError
        If it cannot be read or measured.
    """
    photo, shot = trace_shot(path, request, progress, name)
    return photo, shot.result


def trace_shot(
    path: Path, request: TraceRequest, progress: Progress = quiet, name: str | None = None
) -> tuple[Photo, Shot]:
    """Read and measure one photo, keeping what it takes to bring it together with others.

    `name` as for `trace_one`.

    Raises
    ------
    RefusalError
        If it cannot be read or measured.
    """
    progress("Reading the photo")
    photo = read_photo(path)
    photo = replace(photo, name=name or photo.name)
    scale = scale_of_target(request.target)
    choice = choose_lens(photo)
    lens = prior_lens(photo) if choice.lens is None else choice.lens
    tracing = measured(photo, request, progress, lens, scale)
    result = tracing.result
    result = replace(result, notices=(*choice.notices, *result.notices))
    return photo, Shot(replace(tracing, result=result), lens, photo.orientation)
