"""`calib card`: draw a printable measuring board."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.ending import Outcome, conclude

SMALLEST_DPI, LARGEST_DPI = 72, 1200


def register(app: typer.Typer) -> None:
    """Add the subcommand."""
    app.command(name="card")(card)


def card(
    size: Annotated[str, typer.Option(help="a4, letter, a3; pocket to hold by hand.")] = "a4",
    out: Annotated[
        Path | None, typer.Option(help="PDF to write; card-SIZE.pdf if left out.")
    ] = None,
    image: Annotated[
        Path | None, typer.Option(help="Write a PNG picture; the PDF as well if --out is given.")
    ] = None,
    dpi: Annotated[int, typer.Option(help="Dots per inch of the picture.")] = 600,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Draw a measuring board to print: a frame of chequers that the piece lies in."""
    conclude(lambda: _work(size, out, image, dpi), as_json)


def _work(size: str, out: Path | None, image: Path | None, dpi: int) -> Outcome:
    from calib.boardpage import board_page, page_pdf, page_picture, picture_png
    from calib.folders import write_whole
    from calib.targets import board_named

    board, dpi = board_named(size), _checked_dpi(dpi)
    page = board_page(board)
    out, image = _settled(out, ".pdf"), _settled(image, ".png")
    pdf = out if out is not None or image is not None else Path(f"card-{board.name}.pdf")
    if pdf is not None:
        write_whole(pdf, page_pdf(page))
    if image is not None:
        write_whole(image, picture_png(page_picture(page, dpi), dpi))
    files = [str(path) for path in (pdf, image) if path is not None]
    window = board.window_mm
    room = "" if window is None else f" Room for a piece: {window[0]:g} x {window[1]:g} mm."
    text = (
        f"Wrote {' and '.join(files)}.{room}\n"
        "Print at actual size (100 %), never 'fit to page'. Measure both 100 mm bars, then type:\n"
        f"  calib printed --size {board.name} --bar-x MM --bar-y MM"
    )
    return Outcome(text, {"kind": "card", "size": board.name, "files": files})


def _settled(path: Path | None, suffix: str) -> Path | None:
    """Return a file to write with its suffix; a slip in its folder's name makes no new folder."""
    from calib.refusal import BadFileError

    if path is None:
        return None
    if not path.parent.is_dir():
        raise BadFileError(
            "no-such-folder",
            f"There is no folder {path.parent}.",
            "Check its name, or make the folder first.",
        )
    return path if path.suffix or path.is_dir() else path.with_name(path.name + suffix)


def _checked_dpi(dpi: int) -> int:
    from calib.refusal import BadFileError

    if not SMALLEST_DPI <= dpi <= LARGEST_DPI:
        raise BadFileError(
            "bad-dpi", f"--dpi {dpi} cannot be drawn.", f"Use {SMALLEST_DPI} to {LARGEST_DPI}."
        )
    return dpi
