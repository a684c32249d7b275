"""`calib printed`: remember what the check bars of a printed board measure."""

from __future__ import annotations

from typing import Annotated

import typer

from calib.ending import Outcome, conclude


def register(app: typer.Typer) -> None:
    """Add the subcommand."""
    app.command(name="printed")(printed)


def printed(
    size: Annotated[str, typer.Option(help="Which board: a4, letter, a3, pocket.")] = "a4",
    bar_x: Annotated[
        float | None, typer.Option(metavar="MM", help="The X bar as you measure it.")
    ] = None,
    bar_y: Annotated[
        float | None, typer.Option(metavar="MM", help="The Y bar as you measure it.")
    ] = None,
    bar_u: Annotated[
        float | None,
        typer.Option(
            metavar="MM",
            help="Standard uncertainty of a reading: rule 0.15 (if left out), calipers 0.05.",
        ),
    ] = None,
    forget: Annotated[bool, typer.Option("--forget", help="Forget this board's reading.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Remember how large your printer drew the board. Without a reading: show what is known."""
    conclude(lambda: _work(size, bar_x, bar_y, bar_u, forget), as_json)


def _work(
    size: str, bar_x: float | None, bar_y: float | None, bar_u: float | None, forget: bool
) -> Outcome:
    from calib import printed as prints
    from calib.refusal import BadFileError, Notice
    from calib.targets import board_named

    name = board_named(size).name
    given = bar_x is not None or bar_y is not None
    if (
        (bar_x is None) != (bar_y is None)
        or (forget and given)
        or (bar_u is not None and not given)
    ):
        raise BadFileError(
            "bar-reading",
            "Both bars are needed, --bar-x and --bar-y.",
            "The printer may stretch the two ways differently: measure both.",
        )
    notices: tuple[Notice, ...] = ()
    if bar_x is not None and bar_y is not None:
        reading = prints.bar_reading(
            bar_x, bar_y, prints.DEFAULT_BAR_U_MM if bar_u is None else bar_u
        )
        notices = prints.bar_notices(reading)
        prints.remember_reading(name, reading)
    if forget:
        prints.forget_reading(name)
    scale = prints.print_scale(name)
    if scale.measured:
        text = (
            f"{name}: X {100 * scale.x:.2f} %, Y {100 * scale.y:.2f} % of the drawn size, "
            f"known to {100 * max(scale.sd_x, scale.sd_y):.2f} %."
        )
    else:
        text = (
            f"{name}: not measured; its scale is trusted to {100 * scale.sd_x:.1f} % only.\n"
            "Measure both 100 mm bars, then type: "
            f"calib printed --size {name} --bar-x MM --bar-y MM"
        )
    data = {
        "kind": "printed",
        "size": name,
        "measured": scale.measured,
        "scale_x": scale.x,
        "scale_y": scale.y,
        "scale_sd_x": scale.sd_x,
        "scale_sd_y": scale.sd_y,
        "warnings": [{"code": n.code, "message": n.message, "advice": n.advice} for n in notices],
    }
    return Outcome(text, data, notices)
