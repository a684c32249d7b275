"""`measure trace`: diameters along the axis from one photo."""

from __future__ import annotations

import typer

from calib.ending import Outcome, conclude
from measure.options import (
    AxisHeight,
    AxisOffset,
    Box,
    Every,
    Inches,
    Json,
    Known,
    NoReport,
    Out,
    Photos,
    Setup,
    StartEnd,
    TargetSize,
)

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def trace(
        photos: Photos,
        setup: Setup = "bench",
        target: TargetSize = "id1",
        axis_height: AxisHeight = None,
        axis_offset: AxisOffset = None,
        start: StartEnd = None,
        every: Every = 5.0,
        box: Box = None,
        known: Known = None,
        out: Out = None,
        as_json: Json = False,
        inches: Inches = False,
        no_report: NoReport = False,
    ) -> None:
        """Measure the diameters of a turned piece along its axis."""

        def work() -> Outcome:
            from measure.request import build_request
            from measure.tracejob import trace_photo

            request = build_request(
                setup=setup,
                target=target,
                axis_height=axis_height,
                axis_offset=axis_offset,
                start=start,
                every=every,
                box=box,
                known=known,
            )
            return trace_photo(
                photos, request, out=out, inches=inches, report=not no_report, quietly=as_json
            )

        conclude(work, as_json)
