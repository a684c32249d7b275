"""One check from photo or profile and plan to files, and what to say of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from calib.ending import Outcome
from calib.folders import write_folder_whole
from calib.refusal import BadFileError
from measure.caliper import with_readings
from measure.check import CheckRequest, CheckResult, check
from measure.checknotices import check_notices
from measure.checkwords import check_text
from measure.deviationsfile import check_data, deviations_csv
from measure.judge import OUTSIDE
from measure.measured import Measured, is_profile, read_measured
from measure.options import out_folder
from measure.plan import Plan
from measure.planfile import read_plan
from measure.profilefile import rows_csv
from measure.progress import StepWatch
from measure.replaced import (
    CHECK_SHEET,
    CHECKED,
    DEVIATIONS,
    replaced_names,
    replaced_words,
)
from measure.result import TraceRequest, TraceResult
from measure.resultfile import result_json, trace_data
from measure.stations import stations
from measure.tracefiles import PROFILE, REPORT, RESULT, STATIONS
from measure.units import Units, units_for

__all__ = ["CHECK_NAMES", "check_files", "check_profile", "run_check"]

CHECK_NAMES = (DEVIATIONS, PROFILE, RESULT, REPORT, CHECKED, CHECK_SHEET, STATIONS)
"""All that a check may write."""
_STATUS_OUTSIDE = 4


def run_check(
    piece: Path,
    plan: Path,
    request: CheckRequest,
    trace_request: TraceRequest,
    *,
    plan_units: str | None,
    out: Path | None,
    inches: bool,
    report: bool,
    fail_outside: bool,
    quietly: bool,
) -> Outcome:
    """Check a photo, or an earlier trace, against a plan and write the folder.

    Raises
    ------
    RefusalError
        Something cannot be read, measured or registered, or the folder not be written.
    """
    units = units_for(inches)
    # The plan first: a slip in it should not cost the time of a trace.
    drawn = read_plan(plan, plan_units)
    with StepWatch(shown=False if quietly else None) as progress:
        if is_profile(piece):
            result, files, data = check_profile(piece, drawn, request, trace_request, units, report)
            folder = out if out is not None else _beside(piece)
        else:
            result, files, data = _check_photo(
                piece, drawn, request, trace_request, units, report, progress
            )
            folder = out_folder(piece, out)
        progress("Writing the results")
        _refuse_overwriting(piece, plan, folder)
        replaced = replaced_words(folder, data["kind"])
        write_folder_whole(folder, files, replaced_names(folder, CHECK_NAMES))
    data["out"] = str(folder)
    data["files"] = list(files)
    result = in_units(result, units)
    text = check_text(result, units)
    text += f"\n\nWritten to {folder / REPORT if report else folder}{replaced}"
    status = _STATUS_OUTSIDE if fail_outside and result.verdict == OUTSIDE else 0
    return Outcome(text, data, result.notices, status)


def check_profile(
    path: Path,
    plan: Plan,
    request: CheckRequest,
    trace_request: TraceRequest,
    units: Units,
    report: bool,
) -> tuple[CheckResult, dict[str, bytes], dict[str, Any]]:
    """Check an earlier trace; caliper readings are taken in here, the rest was settled there."""
    if trace_request.box_px is not None or trace_request.start is not None:
        raise BadFileError(
            "bad-option",
            f"{path.name} is an earlier trace: --box and --from were settled when it was made.",
            "Leave them out, or give the photo.",
        )
    piece = read_measured(path)
    _refuse_settled(path, piece, trace_request)
    if trace_request.known:
        known = trace_request.known
        piece = replace(
            piece,
            profile=with_readings(piece.profile, known),
            known_mm=(*piece.known_mm, *(z for z, _ in known)),
        )
    result = check(piece, plan, request)
    data = check_data(result)
    shown = in_units(result, units)
    files = check_files(shown, data, trace_request.every_mm, units, report, picture=None)
    return result, files, data


def _refuse_settled(path: Path, piece: Measured, asked: TraceRequest) -> None:
    """Refuse what only a photo can be measured by, unless the trace was."""
    usual = TraceRequest()
    named = {
        "--setup": asked.setup not in (usual.setup, piece.setup),
        "--target": asked.target != usual.target,
        "--axis-height": asked.axis_height_mm is not None,
        "--axis-offset": asked.axis_offset_mm != usual.axis_offset_mm,
    }
    for option, given in named.items():
        if given:
            raise BadFileError(
                "bad-option",
                f"{path.name} is an earlier trace: {option} was settled when it was made.",
                "Leave it out, or give the photo.",
            )


def _check_photo(
    path: Path,
    plan: Plan,
    request: CheckRequest,
    trace_request: TraceRequest,
    units: Units,
    report: bool,
    progress: StepWatch,
) -> tuple[CheckResult, dict[str, bytes], dict[str, Any]]:
    from measure.tracejob import trace_one

    traced: TraceResult
    photo, traced = trace_one(path, trace_request, progress)
    progress("Checking against the plan")
    result = check(Measured.of_trace(traced), plan, request)
    # The trace's warnings first: what they say holds for the check as well.
    result = replace(result, notices=(*traced.notices, *result.notices))
    data = {**trace_data(traced), **check_data(result)}
    picture = None
    if report:
        from measure.checkpicture import check_picture

        picture = check_picture(photo.bgr, traced, result, units)
    shown = in_units(result, units)
    files = check_files(shown, data, trace_request.every_mm, units, report, picture)
    return result, files, data


def check_files(
    result: CheckResult,
    data: dict[str, Any],
    every_mm: float,
    units: Units,
    report: bool,
    picture: bytes | None,
) -> dict[str, bytes]:
    """Return the contents by file name; all but report, picture and sheet are in mm."""
    files = {
        DEVIATIONS: deviations_csv(result.rows),
        PROFILE: rows_csv(result.piece.profile),
        STATIONS: rows_csv(stations(result.piece.profile, every_mm)),
        RESULT: result_json(data),
    }
    if report:
        # Only here: drawing and filling in pages take longer to import than to do.
        from measure.checkpdf import check_pdf
        from measure.checkreport import check_report

        files[CHECK_SHEET] = check_pdf(result, units)
        if picture is not None:
            files[CHECKED] = picture
        names = (*files, REPORT)
        page = check_report(result, picture, every_mm, units, names[:-1])
        files[REPORT] = page.encode("utf-8")
    return files


def in_units(result: CheckResult, units: Units) -> CheckResult:
    """Return a check whose notices have their lengths in the units of screen and report."""
    again = {
        notice.code: notice
        for notice in check_notices(
            result.piece,
            result.plan,
            result.placement,
            result.rows,
            result.advice,
            units,
            same_photo=result.request.same_photo,
        )
    }
    return replace(result, notices=tuple(again.get(n.code, n) for n in result.notices))


def _beside(path: Path) -> Path:
    """Return NAME-checked beside the trace's folder, so that the trace itself stays."""
    folder = path if path.is_dir() else path.parent
    if path.suffix.lower() == ".csv" and path.name != PROFILE:
        return folder / f"{path.stem}-checked"
    folder = folder.resolve()
    return folder.parent / f"{folder.name.removesuffix('-measured')}-checked"


def _refuse_overwriting(piece: Path, plan: Path, folder: Path) -> None:
    """Refuse to write over the trace or the plan that the check reads."""
    for source in (piece, plan):
        home = source if source.is_dir() else source.parent
        own = source.name if not source.is_dir() else PROFILE
        if is_profile(source) and own in CHECK_NAMES and home.resolve() == folder.resolve():
            raise BadFileError(
                "out-is-source",
                f"The results would replace {source}, which the check reads.",
                "Name another folder with --out.",
            )
