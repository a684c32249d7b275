"""`measure hole`: the circles of an end face."""

from __future__ import annotations

from typing import Annotated

import typer

from calib.ending import Outcome, conclude
from measure.options import Box, Inches, Json, NoReport, Out, Photo, TargetSize

__all__ = ["register"]

EndSetup = Annotated[str, typer.Option(help="Always end: the end face toward the phone.")]
Card = Annotated[
    str | None,
    typer.Option(
        help="Where the card is: coplanar (held level with the face; taken unless given), on-face "
        "(lying on it) or at-foot (on the bench, needs --face-height)."
    ),
]
FaceHeight = Annotated[
    float | None, typer.Option(metavar="MM", help="Height of the end face over the bench.")
]
PlaneUnsure = Annotated[
    float,
    typer.Option(metavar="MM", help="Standard uncertainty of how level card and face are."),
]
Depth = Annotated[
    list[str] | None,
    typer.Option(
        metavar="NAME:MM", help="Depth of a circle below the face, as step1:9.3. Repeat for more."
    ),
]
# What the other commands on a photo know, and an end face has not: named in the refusal.
NoStart = Annotated[str | None, typer.Option("--from", hidden=True)]
NoEvery = Annotated[float | None, typer.Option(hidden=True)]
NoKnown = Annotated[list[str] | None, typer.Option(hidden=True)]


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def hole(
        photo: Photo,
        card: Card = None,
        face_height: FaceHeight = None,
        plane_unsure: PlaneUnsure = 0.3,
        depth: Depth = None,
        setup: EndSetup = "end",
        target: TargetSize = "id1",
        start: NoStart = None,
        every: NoEvery = None,
        box: Box = None,
        known: NoKnown = None,
        out: Out = None,
        as_json: Json = False,
        inches: Inches = False,
        no_report: NoReport = False,
    ) -> None:
        """Tell the diameters of an end face: rim, bores and recesses."""

        def work() -> Outcome:
            from measure.holejob import hole_photo
            from measure.holerequest import build_hole_request

            request = build_hole_request(
                card=card, face_height=face_height, plane_unsure=plane_unsure, depth=depth,
                target=target, box=box, setup=setup, known=known, start=start,
                every=every,
            )  # fmt: skip
            return hole_photo(
                photo, request, out=out, inches=inches, report=not no_report, quietly=as_json
            )

        conclude(work, as_json)
