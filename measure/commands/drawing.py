"""`measure drawing`: a photo of a scale drawing or a template becomes a plan."""

from __future__ import annotations

from typing import Annotated

import typer

from calib.ending import Outcome, conclude
from measure.options import Box, Every, Inches, Json, NoReport, Out, Photo, StartEnd, TargetSize

__all__ = ["register"]

What = Annotated[
    str,
    typer.Option(help="line: the middle of a pencil line. edge: the edge of a flat template."),
]
ProfileKind = Annotated[
    str, typer.Option("--profile", help="Both sides drawn (full) or one (half); auto finds out.")
]
DrawnScale = Annotated[
    str, typer.Option(metavar="1:N", help="Scale of the drawing: 1:2 if drawn at half size.")
]
Height = Annotated[
    float,
    typer.Option(metavar="MM", help="Thickness of a template that lies beside the card."),
]


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def drawing(
        photo: Photo,
        what: What = "line",
        profile: ProfileKind = "auto",
        drawn_scale: DrawnScale = "1:1",
        height: Height = 0.0,
        target: TargetSize = "id1",
        start: StartEnd = None,
        every: Every = 5.0,
        box: Box = None,
        out: Out = None,
        as_json: Json = False,
        inches: Inches = False,
        no_report: NoReport = False,
    ) -> None:
        """Turn a drawing or a template, card on the sheet, into a plan."""

        def work() -> Outcome:
            from measure.drawingjob import drawing_photo
            from measure.drawingrequest import build_drawing_request

            request = build_drawing_request(
                what=what, profile=profile, drawn_scale=drawn_scale, height=height,
                target=target, start=start, every=every, box=box,
            )  # fmt: skip
            return drawing_photo(
                photo, request, out=out, inches=inches, report=not no_report, quietly=as_json
            )

        conclude(work, as_json)
