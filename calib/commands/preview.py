"""`calib preview`: what a photo will give, and which one change to it gains most."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.ending import Outcome, conclude


def register(app: typer.Typer) -> None:
    """Add the subcommand."""
    app.command(name="preview")(preview)


def preview(
    photo: Annotated[Path, typer.Argument(metavar="PHOTO", help="The photo.", show_default=False)],
    diameter: Annotated[float, typer.Option(metavar="MM", help="Diameter of the piece.")] = 50.0,
    length: Annotated[float, typer.Option(metavar="MM", help="Length of the piece.")] = 180.0,
    setup: Annotated[
        str, typer.Option(help="How the piece lies: bench, upright, level or plane.")
    ] = "bench",
    target: Annotated[
        str, typer.Option(help="Card or board: id1, a4, letter, a3, pocket, or WxH[xT] in mm.")
    ] = "id1",
    axis_height: Annotated[
        float | None, typer.Option(metavar="MM", help="Axis above the bench, for level.")
    ] = None,
    axis_offset: Annotated[
        float | None, typer.Option(metavar="MM", help="Axis behind the card, for plane.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Say what a photo will give before you measure, and what would make it better."""

    def work() -> Outcome:
        from calib.previewjob import asked_for, preview_photo

        asked = asked_for(setup, diameter, length, axis_height, axis_offset)
        return preview_photo(photo, target, asked)

    conclude(work, as_json)
