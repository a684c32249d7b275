"""The files that a trace leaves in its folder, as bytes by name."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from measure.profilefile import profile_csv, rows_csv
from measure.result import TraceResult
from measure.resultfile import result_json
from measure.stations import stations
from measure.units import Units

__all__ = ["OVALS", "PICTURE", "REPORT", "TRACE_NAMES", "trace_files"]

PROFILE, STATIONS, RESULT = "profile.csv", "stations.csv", "result.json"
PICTURE, REPORT = "measured.jpg", "report.html"
OVALS = "ovality.csv"
TRACE_NAMES = (PROFILE, STATIONS, RESULT, PICTURE, REPORT, OVALS)
"""All that a trace may write: those of an earlier trace are replaced or taken away."""


def trace_files(
    result: TraceResult,
    data: dict[str, Any],
    bgr: NDArray[np.uint8],
    *,
    every_mm: float,
    units: Units,
    report: bool,
    remarks: Sequence[str] = (),
) -> dict[str, bytes]:
    """Return the contents by file name.

    Parameters
    ----------
    data : what goes into result.json.
    bgr : (H, W, 3) the photo as displayed.
    every_mm : spacing of the stations.
    units : for report and picture; the other files are always in mm.
    report : whether to draw the picture and the page.
    remarks : sentences for the top of the page.
    """
    files = {
        PROFILE: profile_csv(result.profile),
        STATIONS: rows_csv(stations(result.profile, every_mm)),
        RESULT: result_json(data),
    }
    if report:
        # Only here: drawing and filling in pages take longer to import than to do.
        from measure.annotate import annotate
        from measure.report import trace_report

        picture = annotate(bgr, result, every_mm, units)
        files[PICTURE] = picture
        files[REPORT] = trace_report(result, picture, every_mm, units, remarks).encode("utf-8")
    return files
