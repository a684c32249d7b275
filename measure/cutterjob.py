"""One tool from its photos to its files: reads, measures, writes, and says what came of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.ending import Outcome
from calib.folders import write_folder_whole
from calib.lenschoice import choose_lens
from calib.photo import read_photo
from calib.printed import scale_of_target
from calib.refusal import Notice, RefusalError
from measure.blade import Thickness, assumed_thickness
from measure.cutter import FLAT, measure_tool
from measure.flatrest import laid_flat
from measure.mechanism import read_mechanism
from measure.options import out_folder
from measure.photocopies import refuse_copies
from measure.profilefile import profile_csv, rows_csv
from measure.progress import StepWatch
from measure.replaced import replaced_names, replaced_words
from measure.result import CUT, TraceRequest
from measure.resultfile import result_json
from measure.rimoutline import Cylinder
from measure.roundedges import round_edges
from measure.stations import stations
from measure.steparcs import Look
from measure.tool import Tool
from measure.tooldata import tool_data
from measure.toolplan import BoringPlan, plan_boring
from measure.toolrequest import ToolRequest
from measure.toolroles import find_roles
from measure.tooltext import tool_text
from measure.tooltraces import ToolPhotos, shank_is_first, trace_tool
from measure.toolview import steps_of
from measure.tracefiles import PICTURE, PROFILE, REPORT, RESULT, STATIONS, TRACE_NAMES
from measure.units import Units, units_for

__all__ = ["measure_cutter"]

LOOKS_ROUND = Notice(
    "form-doubtful",
    "The tool was told to be flat, but the photo shows edges that bulge as a round one's do.",
    "If it is round leave out --form flat: these sizes are then all wrong.",
)
THICKNESS_GIVEN_SD_MM = 0.05
"""Of a blade's thickness measured with calipers (common practice, no source)."""


def measure_cutter(
    paths: Sequence[Path],
    request: TraceRequest,
    asked: ToolRequest,
    *,
    mechanism_file: Path | None,
    out: Path | None,
    inches: bool,
    report: bool,
    quietly: bool,
) -> Outcome:
    """Measure a tool and write its folder.

    Raises
    ------
    RefusalError
        If a photo or file cannot be read, the tool not be measured, or the folder not written.
    """
    units = units_for(inches)
    refuse_copies(paths)
    # The mechanism first: a slip in it should not cost the time of a trace.
    mechanism = None if mechanism_file is None else read_mechanism(mechanism_file)
    with StepWatch(shown=False if quietly else None) as progress:
        progress("Reading the photo")
        pictures = [read_photo(path) for path in paths]
        choices = [choose_lens(picture) for picture in pictures]
        scale = scale_of_target(request.target)
        lenses = [choice.lens for choice in choices]
        photos = trace_tool(pictures, request, asked.turned_rad, progress, lenses, scale)
        progress("Telling the steps")
        tool = _tool(photos, asked)
        if asked.form == FLAT:
            tool = _with_doubt(photos, tool, pictures[0].bgr, asked)
        plan = plan_boring(tool, mechanism, inches)
        progress("Writing the results")
        data = tool_data(photos, tool, plan, asked.form)
        folder = out_folder(paths[0], out)
        files = _files(photos, tool, plan, pictures[0].bgr, data, request.every_mm, units, report)
        replaced = replaced_words(folder, data["kind"])
        write_folder_whole(folder, files, replaced_names(folder, TRACE_NAMES))
    data["out"] = str(folder)
    data["files"] = list(files)
    text = tool_text(photos.first, tool, plan, photos.side_names, units)
    text += f"\n\nWritten to {folder / REPORT if report else folder}{replaced}"
    of_lens = dict.fromkeys(notice for choice in choices for notice in choice.notices)
    notices = [*of_lens, *photos.first.notices, *photos.notices, *tool.notices]
    return Outcome(text, data, notices)


def _tool(photos: ToolPhotos, asked: ToolRequest) -> Tool:
    shank_first = None if asked.shank is None else shank_is_first(photos.first, asked.shank)
    thickness = None
    if asked.thickness_mm is not None:
        thickness = Thickness(asked.thickness_mm, THICKNESS_GIVEN_SD_MM, "given")
    views = [trace.view for trace in photos.traces]
    if asked.form == FLAT and photos.first.setup == "bench":
        steps = steps_of(views[0])
        shank = steps[find_roles(steps, shank_first).shank]
        thick = (thickness or assumed_thickness()).mm
        for k, trace in enumerate(photos.traces):
            views[k] = laid_flat(views[k], shank.diameter_mm, thick, trace.bench_mm)
    tool = measure_tool(
        views, photos.turned_rad, form=asked.form, thickness=thickness, shank_first=shank_first
    )
    return _with_cuts(photos, tool)


def _with_doubt(photos: ToolPhotos, tool: Tool, bgr: NDArray[np.uint8], asked: ToolRequest) -> Tool:
    """Say so where the first photo shows steps of a tool told to be flat to be round.

    A shank is round whatever it carries; blades were told to lie on the bench.
    """
    trace = photos.traces[0]
    if trace.rims is None or photos.first.setup != "bench":
        return tool
    shank_first = None if asked.shank is None else shank_is_first(photos.first, asked.shank)
    shank = find_roles(steps_of(trace.view), shank_first).shank
    cylinders = [
        Cylinder(s.z_from_mm, s.z_to_mm, 0.25 * (s.at_from_mm + s.at_to_mm), 0.0)
        for s in trace.rims.steps
    ]
    solved = trace.rims.estimate
    edges = round_edges(Look(bgr, solved.view, solved.axis), cylinders)
    if not set(edges) - {shank}:
        return tool
    return replace(tool, notices=(LOOKS_ROUND, *tool.notices))


def _with_cuts(photos: ToolPhotos, tool: Tool) -> Tool:
    """Refuse a tool whose working end is cut off; say so of a shank.

    Raises
    ------
    RefusalError
        `tool-cut`.
    """
    first = photos.first
    tip, held = first.far_end, first.z_zero
    if tool.roles.tip_first:
        tip, held = held, tip
    if tip == CUT:
        raise RefusalError(
            "tool-cut",
            f"The working end of the tool is cut off in {first.photo_name}.",
            "Take the photo again with the whole tool in it; or name the shank's end with --shank.",
        )
    if held != CUT:
        return tool
    notice = Notice(
        "shank-cut",
        "The shank is cut off in the picture; its axis was taken from what is seen of it.",
        "Lay the tool down whole for a better axis.",
    )
    return replace(tool, notices=(notice, *tool.notices))


def _files(
    photos: ToolPhotos,
    tool: Tool,
    plan: BoringPlan,
    bgr: NDArray[np.uint8],
    data: dict[str, object],
    every_mm: float,
    units: Units,
    report: bool,
) -> dict[str, bytes]:
    first = photos.first
    files = {
        PROFILE: profile_csv(first.profile),
        STATIONS: rows_csv(stations(first.profile, every_mm)),
        RESULT: result_json(data),
    }
    if report:
        # Only here: drawing and filling in pages take longer to import than to do.
        from measure.cutterreport import cutter_report
        from measure.toolpicture import tool_picture

        picture = tool_picture(bgr, first, tool, units)
        files[PICTURE] = picture
        files[REPORT] = cutter_report(photos, picture, tool, plan, units).encode("utf-8")
    return files
