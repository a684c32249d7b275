"""The making sheet as a PDF: which pages there are, in which order."""

from __future__ import annotations

from measure.pdfpen import Pen
from measure.sheet import Sheet
from measure.sheetback import draw_back
from measure.sheetfront import draw_front
from measure.sheetscale import draw_full_size
from measure.template import Paper, paper
from measure.units import METRIC, Units

__all__ = ["sheet_pdf"]


def sheet_pdf(sheet: Sheet, on: Paper | None = None, units: Units = METRIC) -> bytes:
    """Return the making sheet as PDF: two pages to pin up, then what is cut out at 1:1.

    Viewers are told not to scale it (ISO 32000-1, table 150, PrintScaling None).

    Raises
    ------
    RefusalError
        `paper-too-small` if the template does not fit.
    """
    on = on or paper("a4")
    pen = Pen(on.width_mm, on.height_mm, f"Making sheet: {sheet.name}")
    pen.bookmark("Piece and settings")
    draw_front(pen, sheet, units, "the piece")
    pen.next_page()
    pen.bookmark("Blank and order of work")
    draw_back(pen, sheet, units)
    draw_full_size(pen, sheet, units, on)
    return pen.finish()
