"""One trace from photo to files: reads, measures, writes, and says what came of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from calib.board import BOARDS
from calib.ending import Outcome
from calib.folders import write_folder_whole
from calib.lenschoice import choose_lens
from calib.photo import read_photo
from calib.printed import print_scale
from calib.refusal import BadFileError
from measure.options import out_folder
from measure.progress import StepWatch
from measure.result import TraceRequest
from measure.resultfile import trace_data
from measure.table import trace_table
from measure.trace import trace
from measure.tracefiles import REPORT, TRACE_NAMES, trace_files
from measure.units import units_for

__all__ = ["trace_photo"]


def trace_photo(
    photos: Sequence[Path],
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
    photos : exactly one for now.
    out : folder for the results; None for PHOTO-measured beside the photo.
    inches : for screen, picture and report.
    report : whether to write picture and report.
    quietly : name no steps on the terminal.

    Raises
    ------
    RefusalError
        If the photo cannot be read or measured, or the folder not be written.
    """
    if len(photos) != 1:
        raise BadFileError(
            "several-photos",
            f"{len(photos)} photos were named; one is measured at a time.",
            "Name one photo.",
        )
    units = units_for(inches)
    with StepWatch(shown=False if quietly else None) as progress:
        progress("Reading the photo")
        photo = read_photo(photos[0])
        scale = print_scale(request.target) if request.target in BOARDS else None
        choice = choose_lens(photo)
        result = trace(photo, request, progress, lens=choice.lens, scale=scale)
        result = replace(result, notices=(*choice.notices, *result.notices))
        progress("Writing the results")
        folder = out_folder(photos[0], out)
        data = trace_data(result)
        files = trace_files(
            result, data, photo.bgr, every_mm=request.every_mm, units=units, report=report
        )
        write_folder_whole(folder, files, TRACE_NAMES)
    data["out"] = str(folder)
    data["files"] = list(files)
    text = trace_table(result, request.every_mm, units)
    text += f"\n\nWritten to {folder / REPORT if report else folder}"
    return Outcome(text, data, result.notices)
