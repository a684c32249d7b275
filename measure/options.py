"""The options that every command on a photo shares, declared once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.nearby import RESULTS

__all__ = [
    "AxisHeight",
    "AxisOffset",
    "Box",
    "Every",
    "Inches",
    "Json",
    "Known",
    "NoReport",
    "Out",
    "Photo",
    "Photos",
    "Setup",
    "StartEnd",
    "TargetSize",
    "Turned",
    "out_folder",
]

Photo = Annotated[Path, typer.Argument(metavar="PHOTO", help="The photo.", show_default=False)]
Photos = Annotated[
    list[Path],
    typer.Argument(
        metavar="PHOTO", help="The photo; several photos of one piece.", show_default=False
    ),
]
Turned = Annotated[
    str | None,
    typer.Option(
        metavar="DEG,DEG,...",
        help="How far the piece was turned about its axis for each photo, always the same way "
        "round: 0,60,120. Not moved unless given.",
    ),
]
Setup = Annotated[
    str,
    typer.Option(
        help="How the piece lies: bench (beside the card), upright (on its foot), level (chocked, "
        "needs --axis-height) or plane (card held in the plane of the axis)."
    ),
]
TargetSize = Annotated[
    str,
    typer.Option(
        "--target",
        help="Card or board in the photo: id1, a4, letter, a3, pocket, or WxH[xT] in mm.",
    ),
]
AxisHeight = Annotated[
    float | None,
    typer.Option(metavar="MM", help="Height of the axis above the bench, for level."),
]
AxisOffset = Annotated[
    float | None,
    typer.Option(
        metavar="MM",
        help="How far the axis lies behind the card's face, for plane; minus if it is nearer to "
        "the phone. 0 unless given.",
    ),
]
Box = Annotated[
    str | None, typer.Option(metavar="X,Y,W,H", help="Measure only in this box (pixels).")
]
Known = Annotated[
    list[str] | None,
    typer.Option(
        metavar="Z:DIAMETER", help="A caliper reading, mm or as 1-3/4in. Repeat for more."
    ),
]
StartEnd = Annotated[
    str | None,
    typer.Option("--from", metavar="END", help="Count z from this end: left, right, top, bottom."),
]
Every = Annotated[float, typer.Option(metavar="MM", help="Spacing of the stations.")]
Out = Annotated[
    Path | None,
    typer.Option(
        metavar="DIR", help="Folder for the results; PHOTO-measured beside the photo unless given."
    ),
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]
Inches = Annotated[
    bool, typer.Option("--inches", help="Inch fractions on screen and in the report.")
]
NoReport = Annotated[bool, typer.Option("--no-report", help="Write no report and no picture.")]


def out_folder(photo: Path, out: Path | None) -> Path:
    """Return the folder for the results: the one given, or PHOTO-measured beside the photo."""
    return out if out is not None else photo.parent / f"{photo.stem}{RESULTS}"
