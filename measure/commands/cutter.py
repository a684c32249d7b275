"""`measure cutter`: what a boring tool will cut."""

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

ToolPhotos = Annotated[
    list[Path],
    typer.Argument(
        metavar="PHOTO", help="The photo; or several of the tool turned.", show_default=False
    ),
]
Turned = Annotated[
    str | None,
    typer.Option(
        metavar="DEGREES", help="How far the tool was turned about its length: 0,90 for two photos."
    ),
]
Form = Annotated[str, typer.Option(help="round, or flat for a spade-like blade.")]
Thickness = Annotated[
    float | None, typer.Option(metavar="MM", help="Thickness of a flat blade, by calipers.")
]
Shank = Annotated[
    str | None,
    typer.Option(metavar="END", help="Where the shank points: left, right, top, bottom."),
]
Mechanism = Annotated[
    Path | None, typer.Option(metavar="FILE", help="A mechanism (TOML) to hold the tool against.")
]


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def cutter(
        photos: ToolPhotos,
        turned: Turned = None,
        form: Form = "round",
        thickness: Thickness = None,
        shank: Shank = None,
        mechanism: Mechanism = None,
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
        """Tell the steps of a boring tool, what each cuts, and what to bore first."""

        def work() -> Outcome:
            from measure.cutterjob import measure_cutter
            from measure.request import build_request
            from measure.toolrequest import build_tool_request

            asked = build_tool_request(
                len(photos), turned=turned, form=form, thickness=thickness, shank=shank
            )
            request = build_request(
                setup=setup, target=target, axis_height=axis_height, axis_offset=axis_offset,
                start=start, every=every, box=box, known=known,
            )  # fmt: skip
            return measure_cutter(
                photos, request, asked, mechanism_file=mechanism, out=out, inches=inches,
                report=not no_report, quietly=as_json,
            )  # fmt: skip

        conclude(work, as_json)
