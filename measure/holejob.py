"""One end face from photo to files: reads, measures, writes, and says what came of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from calib.ending import Outcome
from calib.folders import write_folder_whole
from calib.lenschoice import choose_lens
from calib.photo import read_photo
from calib.printed import scale_of_target
from calib.sourcewords import source_words
from calib.targets import parse_target
from measure.hole import measure_hole
from measure.holerequest import HoleRequest
from measure.holetext import CARD_WORDS, circle_words, hole_data, hole_text
from measure.mating import COVERAGE
from measure.options import out_folder
from measure.progress import StepWatch
from measure.replaced import replaced_names, replaced_words
from measure.resultfile import result_json
from measure.tracefiles import PICTURE, REPORT, RESULT, TRACE_NAMES
from measure.units import units_for

__all__ = ["hole_photo"]


def hole_photo(
    path: Path,
    request: HoleRequest,
    *,
    out: Path | None,
    inches: bool,
    report: bool,
    quietly: bool,
) -> Outcome:
    """Measure the end face in a photo and write its folder.

    Raises
    ------
    RefusalError
        If the photo cannot be read or measured, or the folder not be written.
    """
    units = units_for(inches)
    target = parse_target(request.target)
    with StepWatch(shown=False if quietly else None) as progress:
        progress("Reading the photo")
        photo = read_photo(path)
        scale = scale_of_target(request.target)
        choice = choose_lens(photo)
        result = measure_hole(photo, request, target, progress, choice.lens, scale)
        result = replace(result, notices=(*choice.notices, *result.notices))
        progress("Writing the results")
        data = hole_data(result)
        files = {RESULT: result_json(data)}
        if report:
            # Only here: filling in pages takes longer to import than to do.
            from measure.holepicture import hole_picture
            from measure.page import fill_page, picture_source

            picture = hole_picture(photo.bgr, result, units)
            files[PICTURE] = picture
            files[REPORT] = fill_page(
                "hole.html",
                title=f"{result.photo_name}: its circles",
                photo=result.photo_name,
                card=CARD_WORDS[result.card],
                sources=source_words(result.scale_from, result.lens_from),
                notices=result.notices,
                rows=[circle_words(circle, units) for circle in result.circles],
                plane=f"±{units.spread(COVERAGE * result.plane.sd_mm)} {units.name}",
                picture=picture_source(picture),
            ).encode("utf-8")
        folder = out_folder(path, out)
        replaced = replaced_words(folder, data["kind"])
        write_folder_whole(folder, files, replaced_names(folder, TRACE_NAMES))
    data["out"] = str(folder)
    data["files"] = list(files)
    text = hole_text(result, units)
    text += f"\n\nWritten to {folder / REPORT if report else folder}{replaced}"
    return Outcome(text, data, result.notices)
