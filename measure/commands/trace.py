"""`measure trace`: diameters along the axis, from one photo or several of one piece."""

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
    Turned,
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
        turned: Turned = None,
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
            if len(photos) == 1 and turned is None:
                return trace_photo(
                    photos[0], request, out=out, inches=inches, report=not no_report,
                    quietly=as_json,
                )  # fmt: skip
            from measure.turnedjob import trace_photos
            from measure.turnedrequest import check_several

            turns = check_several(photos, request, turned)
            return trace_photos(
                photos, turns, request, out=out, inches=inches, report=not no_report,
                quietly=as_json,
            )  # fmt: skip

        conclude(work, as_json)
