"""The work of `measure fit`: read the sizes, judge them, write what was asked for."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from calib.decimals import check_unit
from calib.ending import Outcome
from calib.folders import write_folder_whole
from measure.fitjudge import fit_data, judge_fit
from measure.fittext import fit_text
from measure.presets import preset_named, read_presets
from measure.replaced import replaced_words
from measure.resultfile import result_json
from measure.sizes import GivenSize, given_size, size_lengths
from measure.units import units_for

__all__ = ["work_fit"]


def work_fit(
    part: str,
    hole: str,
    wanted: str | None,
    presets_file: Path | None,
    same_photo: bool,
    out: Path | None,
    inches: bool,
) -> Outcome:
    """Judge a part and a hole as they were given on the command line.

    Raises
    ------
    RefusalError
        What the sizes, the presets or the writing refuse.
    """
    presets = read_presets(presets_file)
    if wanted is not None:
        presets = (preset_named(presets, wanted),)
    if inches:
        for text in (part, hole):
            check_unit(text, size_lengths(text))
    sizes = [given_size(text) for text in (part, hole)]
    if same_photo:
        sizes = [_in_one_photo(size) for size in sizes]
    report = judge_fit(sizes[0], sizes[1], presets)
    data = fit_data(report)
    text = fit_text(report, units_for(inches))
    if out is not None:
        text += replaced_words(out, data["kind"])
        write_folder_whole(out, {"result.json": result_json(data)})
    return Outcome(text, data, report.notices)


def _in_one_photo(size: GivenSize) -> GivenSize:
    return replace(size, size=replace(size.size, photo="the photo"))
