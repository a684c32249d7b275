"""`measure sheet`: what the turner pins up, cuts out and holds against the work."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.ending import Outcome, conclude
from measure.options import Inches, Json

__all__ = ["register"]

Piece = Annotated[
    Path, typer.Argument(help="A trace (folder or profile.csv) or a plan.", show_default=False)
]
Out = Annotated[Path | None, typer.Option(help="The PDF; beside the piece unless said.")]
MechanismFile = Annotated[
    Path | None, typer.Option("--mechanism", metavar="FILE", help="Bores of a mechanism (TOML).")
]
Split = Annotated[
    float | None, typer.Option(metavar="MM", help="Height of the joint between body and cap.")
]
Foot = Annotated[str, typer.Option(help="Which end is the foot: start (z = 0) or end.")]
Fair = Annotated[bool, typer.Option("--fair", help="Draw fitted lines and arcs.")]
Name = Annotated[str | None, typer.Option(help="Name of the piece on the sheet.")]
PaperName = Annotated[str, typer.Option("--paper", help="a5, a4, a3, letter or tabloid.")]
MinWall = Annotated[float, typer.Option(metavar="MM", help="Thinner walls are pointed out.")]
Clearance = Annotated[
    float, typer.Option("--neck-clearance", metavar="MM", help="Of the neck in the cap, on the Ø.")
]
AllowDiameter = Annotated[float, typer.Option(metavar="MM", help="Blank over largest diameter.")]
AllowLength = Annotated[float, typer.Option(metavar="MM", help="Chucking, parting, squaring.")]
Layers = Annotated[
    str | None,
    typer.Option(
        metavar="WOOD MM,...", help='Glued-up blank, planed: "maple 20, walnut 5, maple 45".'
    ),
]
PlankSize = Annotated[str | None, typer.Option("--plank", metavar="LxWxT", help="A plank, mm.")]
Wood = Annotated[str | None, typer.Option(help="For the weight: a wood, or its kg/m3.")]
PlanUnits = Annotated[str | None, typer.Option(metavar="UNIT", help="Of a plan: mm, cm or inch.")]
Dxf = Annotated[Path | None, typer.Option(help="Also write the outline as DXF.")]
Svg = Annotated[Path | None, typer.Option(help="Also write the outline as SVG, 1:1.")]
Csv = Annotated[Path | None, typer.Option(help="Also write the rows as drawn.")]
Stl = Annotated[
    Path | None, typer.Option(help="Also the outside as a solid, if all of it was seen.")
]


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def sheet(
        piece: Piece,
        out: Out = None,
        mechanism: MechanismFile = None,
        split: Split = None,
        foot: Foot = "start",
        fair: Fair = False,
        name: Name = None,
        paper: PaperName = "a4",
        min_wall: MinWall = 5.0,
        neck_clearance: Clearance = 0.4,
        allow_diameter: AllowDiameter = 10.0,
        allow_length: AllowLength = 70.0,
        layers: Layers = None,
        plank: PlankSize = None,
        wood: Wood = None,
        plan_units: PlanUnits = None,
        dxf: Dxf = None,
        svg: Svg = None,
        csv: Csv = None,
        stl: Stl = None,
        inches: Inches = False,
        as_json: Json = False,
    ) -> None:
        """Draw a making sheet: settings, blank, section, story stick and template at 1:1."""

        def work() -> Outcome:
            from measure.sheetjob import SheetAsked, run_sheet

            return run_sheet(
                SheetAsked(
                    piece=piece, out=out, mechanism=mechanism, split=split, foot=foot, fair=fair,
                    name=name, paper=paper, min_wall=min_wall, neck_clearance=neck_clearance,
                    allow_diameter=allow_diameter, allow_length=allow_length, layers=layers,
                    plank=plank, wood=wood, plan_units=plan_units, dxf=dxf, svg=svg, csv=csv,
                    stl=stl, inches=inches,
                )
            )  # fmt: skip

        conclude(work, as_json)
