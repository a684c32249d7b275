"""`measure check`: does a piece match its plan?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

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
    Setup,
    StartEnd,
    TargetSize,
)

__all__ = ["register"]

Piece = Annotated[Path, typer.Argument(help="The photo, or an earlier trace.", show_default=False)]
PlanFile = Annotated[
    Path,
    typer.Option("--plan", metavar="FILE", help="CSV, DXF, SVG, TOML, or an earlier trace."),
]
PlanUnits = Annotated[
    str | None, typer.Option("--plan-units", metavar="UNIT", help="mm, cm or inch.")
]
Tolerance = Annotated[
    str | None,
    typer.Option(
        metavar="PROUD,SHY",
        help="Allowed on the diameter, mm; or class f, m, c, v of ISO 2768-1 (m unless said).",
    ),
]
Datum = Annotated[
    str | None,
    typer.Option(metavar="WHERE", help="Lay it on by start, end, best, or the shoulder at Z."),
]
Flip = Annotated[str, typer.Option(help="Turn the piece end for end: auto, yes or no.")]
SamePhoto = Annotated[
    bool, typer.Option("--same-photo", help="Piece and plan were traced from one photo.")
]
FailOutside = Annotated[
    bool, typer.Option("--fail-outside", help="End with status 4 if a place is outside.")
]


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def check(
        piece: Piece,
        plan: PlanFile,
        tolerance: Tolerance = None,
        datum: Datum = None,
        flip: Flip = "auto",
        plan_units: PlanUnits = None,
        same_photo: SamePhoto = False,
        fail_outside: FailOutside = False,
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
        """Say where a piece is proud or shy of its plan, and what to take off where."""

        def work() -> Outcome:
            from measure.checkjob import run_check
            from measure.checkrequest import build_check_request
            from measure.request import build_request

            trace_request = build_request(
                setup=setup, target=target, axis_height=axis_height, axis_offset=axis_offset,
                start=start, every=every, box=box, known=known,
            )  # fmt: skip
            request = build_check_request(tolerance, datum, flip, same_photo)
            return run_check(
                piece, plan, request, trace_request, plan_units=plan_units, out=out,
                inches=inches, report=not no_report, fail_outside=fail_outside, quietly=as_json,
            )  # fmt: skip

        conclude(work, as_json)
