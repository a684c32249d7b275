"""`calib lens`: know a phone's lens from photos of the printed board; keep the lenses known."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.ending import conclude


def register(app: typer.Typer) -> None:
    """Add the subcommand."""
    app.command(name="lens")(lens)


def lens(
    photos: Annotated[
        list[Path] | None, typer.Argument(help="Ten photos of the board.", show_default=False)
    ] = None,
    chessboard: Annotated[
        str | None, typer.Option(help="Plain chessboard instead: inner corners, as in 9x6.")
    ] = None,
    square: Annotated[float | None, typer.Option(metavar="MM", help="Side of its squares.")] = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for the report; lens-measured if left out.")
    ] = None,
    no_report: Annotated[bool, typer.Option("--no-report", help="Write no report.")] = False,
    list_all: Annotated[bool, typer.Option("--list", help="List the lenses known.")] = False,
    forget: Annotated[str | None, typer.Option(help="Forget the lens of this name.")] = None,
    export: Annotated[Path | None, typer.Option(help="Write a lens file to hand on.")] = None,
    import_: Annotated[Path | None, typer.Option("--import", help="Take in a lens file.")] = None,
    name: Annotated[str | None, typer.Option(help="Which lens --export means.")] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Import over a lens known already.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Calibrate a phone's lens: focal length, centre and bending, once for all later photos."""
    from calib.lensjob import LensRequest, lens_work

    request = LensRequest(
        photos=tuple(photos or ()),
        chessboard=chessboard,
        square_mm=square,
        out=out,
        report=not no_report,
        list_all=list_all,
        forget=forget,
        export=export,
        import_file=import_,
        name=name,
        replace=replace,
        shows_progress=not as_json,
    )
    conclude(lambda: lens_work(request), as_json)
