"""The options that every command on a photo shares, declared once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = [
    "Box",
    "Every",
    "Inches",
    "Json",
    "Known",
    "NoReport",
    "Out",
    "Photo",
    "StartEnd",
    "TargetSize",
]

Photo = Annotated[Path, typer.Argument(help="The photo.", show_default=False)]
TargetSize = Annotated[
    str, typer.Option("--target", help="Card or board in the photo: id1, a4, letter, a3, pocket, or WxH[xT] in mm.")
]
Box = Annotated[str | None, typer.Option(help="Measure only inside X,Y,W,H (pixels).")]
Known = Annotated[
    list[str] | None, typer.Option(help="A caliper reading, Z:DIAMETER in mm. Repeat for more.")
]
StartEnd = Annotated[
    str | None, typer.Option("--from", help="Count z from this end: left, right, top, bottom.")
]
Every = Annotated[float, typer.Option(help="Spacing of the stations, mm.")]
Out = Annotated[Path | None, typer.Option(help="Folder for the results.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]
Inches = Annotated[bool, typer.Option("--inches", help="Inch fractions on screen and in the report.")]
NoReport = Annotated[bool, typer.Option("--no-report", help="Write no report and no picture.")]
