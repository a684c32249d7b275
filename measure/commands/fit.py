"""`measure fit`: will a part go into a hole, and how much to take off."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from measure.options import Inches, Json

__all__ = ["register"]

PART_HELP = (
    "The part that goes in: 43.6±0.1 in mm, 1-3/4in, or FILE@97 (a place), FILE@bore, FILE@step2."
)
HOLE_HELP = "The hole it goes into, likewise; or MECHANISM.toml@BORE."

PartSize = Annotated[str, typer.Argument(help=PART_HELP, show_default=False)]
HoleSize = Annotated[str, typer.Argument(help=HOLE_HELP, show_default=False)]
Wanted = Annotated[
    str | None,
    typer.Option(
        metavar="FIT",
        help="Only this fit: glued, push, turning, or a clearance such as 0.2,0.4 (mm).",
    ),
]
Out = Annotated[
    Path | None, typer.Option(metavar="DIR", help="Folder for result.json; none unless given.")
]
Presets = Annotated[Path | None, typer.Option(help="A file of your own fits (TOML).")]
SamePhoto = Annotated[
    bool, typer.Option("--same-photo", help="Both sizes were measured in one photo.")
]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("fit")(fit)


def fit(
    part: PartSize,
    hole: HoleSize,
    wanted: Wanted = None,
    presets: Presets = None,
    same_photo: SamePhoto = False,
    out: Out = None,
    as_json: Json = False,
    inches: Inches = False,
) -> None:
    """Tell the clearance between two round parts, and how much to take off for a fit."""
    from calib.ending import Outcome, conclude
    from measure.fitwork import work_fit

    def work() -> Outcome:
        return work_fit(part, hole, wanted, presets, same_photo, out, inches)

    conclude(work, as_json)
