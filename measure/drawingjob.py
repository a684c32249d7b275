"""One drawing from photo to files: a plan that `measure check --plan` reads."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from calib.ending import Outcome
from calib.folders import write_folder_whole
from calib.lenschoice import choose_lens
from calib.photo import read_photo
from calib.printed import scale_of_target
from measure.drawing import measure_drawing
from measure.drawingrequest import DrawingRequest
from measure.drawingwords import drawing_data, drawing_text
from measure.options import out_folder
from measure.profilefile import profile_csv, rows_csv
from measure.progress import StepWatch
from measure.replaced import replaced_names, replaced_words
from measure.resultfile import result_json
from measure.stations import stations
from measure.tracefiles import PICTURE, PROFILE, REPORT, RESULT, STATIONS, TRACE_NAMES
from measure.units import units_for

__all__ = ["drawing_photo"]


def drawing_photo(
    path: Path,
    request: DrawingRequest,
    *,
    out: Path | None,
    inches: bool,
    report: bool,
    quietly: bool,
) -> Outcome:
    """Measure a drawing and write its folder.

    Raises
    ------
    RefusalError
        If the photo cannot be read or measured, or the folder not be written.
    """
    units = units_for(inches)
    with StepWatch(shown=False if quietly else None) as progress:
        progress("Reading the photo")
        photo = read_photo(path)
        scale = scale_of_target(request.target)
        choice = choose_lens(photo)
        drawing = measure_drawing(photo, request, progress, choice.lens, scale)
        result = drawing.result
        drawing = replace(
            drawing, result=replace(result, notices=(*choice.notices, *result.notices))
        )
        progress("Writing the results")
        data = drawing_data(drawing)
        profile = drawing.result.profile
        files = {
            PROFILE: profile_csv(profile),
            STATIONS: rows_csv(stations(profile, request.every_mm)),
            RESULT: result_json(data),
        }
        if report:
            # Only here: drawing and filling in pages take longer to import than to do.
            from measure.annotate import annotate
            from measure.drawingreport import drawing_report

            picture = annotate(photo.bgr, drawing.result, request.every_mm, units)
            files[PICTURE] = picture
            files[REPORT] = drawing_report(drawing, picture, request.every_mm, units).encode()
        folder = out_folder(path, out)
        replaced = replaced_words(folder, data["kind"])
        write_folder_whole(folder, files, replaced_names(folder, TRACE_NAMES))
    data["out"] = str(folder)
    data["files"] = list(files)
    text = drawing_text(drawing, request.every_mm, units)
    text += f"\n\nWritten to {folder / REPORT if report else folder}{replaced}"
    text += f"\nTo hold a piece against it: measure check PHOTO --plan {folder}"
    return Outcome(text, data, drawing.result.notices)
