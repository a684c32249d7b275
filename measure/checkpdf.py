"""One page to pin up beside the lathe: the piece at scale, the strip, and what to do."""

from __future__ import annotations

import io
from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path

from reportlab.lib.pagesizes import A4, landscape
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from measure.check import CheckResult
from measure.checkstrip import check_strip, numbered
from measure.checkwords import CAUTIONS, check_words, place_words
from measure.sketch import Area, Sketch, Stroke
from measure.units import METRIC, Units

__all__ = ["check_pdf"]

_MM = 72.0 / 25.4
_MARGIN_MM = 12.0
_BODY_PT, _TITLE_PT = 8.5, 13.0


def check_pdf(result: CheckResult, units: Units = METRIC) -> bytes:
    """Return the page, A4 across, drawn to scale: print it at actual size."""
    regular, bold = _fonts()
    buffer = io.BytesIO()
    page = landscape(A4)
    canvas = Canvas(buffer, pagesize=page, invariant=1)
    canvas.setTitle(f"{result.piece.name} against {result.plan.name}")
    canvas.setViewerPreference("PrintScaling", "None")
    words = check_words(result, units)
    top = page[1] - _MARGIN_MM * _MM
    left, width = _MARGIN_MM * _MM, page[0] - 2.0 * _MARGIN_MM * _MM
    y = _write(canvas, [words.headline], left, top, width, bold, _TITLE_PT)
    y = _write(canvas, [words.laid], left, y, width, regular, _BODY_PT)
    sketch = check_strip(result, units, widest_mm=width / _MM, half=True)
    y = _draw(canvas, sketch, left, y - 2.0, regular, bold)
    columns = _columns(result, units)
    half = (width - 8.0 * _MM) / 2.0
    bottom = _MARGIN_MM * _MM + 12.0
    for index, lines in enumerate(columns):
        _write(canvas, lines, left + index * (half + 8.0 * _MM), y, half, regular, _BODY_PT, bottom)
    canvas.setFont(regular, 8.0)
    foot = " ".join(CAUTIONS) + " Print at actual size (100 %)."
    canvas.drawString(left, _MARGIN_MM * _MM - 4.0, foot)
    canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def _fonts() -> tuple[str, str]:
    """Return names of a regular and a bold face that know ± and letters of any Latin script."""
    spec = find_spec("matplotlib")
    if spec is None or spec.origin is None:
        raise ValueError("matplotlib, whose fonts the page needs, is not installed")
    folder = Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"
    for name, file in (("CheckSans", "DejaVuSans.ttf"), ("CheckSansBold", "DejaVuSans-Bold.ttf")):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(folder / file)))
    return "CheckSans", "CheckSansBold"


def _columns(result: CheckResult, units: Units) -> tuple[list[str], list[str]]:
    words = check_words(result, units)
    places = [
        f"{index}  {place_words(place, result, units)}"
        for index, place in enumerate(numbered(result), 1)
    ]
    first = places or ["Nothing to take off."]
    if len(words.places) > len(places):
        first.append(f"... {len(words.places) - len(places)} more in the report")
    second = [*words.remarks]
    second += [f"Not judged: {line}" for line in words.unjudged]
    second += [line.strip() for line in words.readings]
    second += [f"! {notice.message} {notice.advice}" for notice in result.notices]
    return first, second


def _write(
    canvas: Canvas,
    lines: Sequence[str],
    x: float,
    y: float,
    width: float,
    font: str,
    size: float,
    bottom: float = 0.0,
) -> float:
    """Write lines, wrapped, from y down; say so if they do not fit. Return the next y."""
    canvas.setFont(font, size)
    for index, line in enumerate(lines):
        parts = simpleSplit(line, font, size, width)
        # Room for the line that says that there is more, unless this one is the last.
        rows = len(parts) + (index < len(lines) - 1)
        if y - size * 1.3 * rows < bottom:
            canvas.drawString(x, y - size, f"... {len(lines) - index} more in the report")
            return y - size * 1.3
        for part in parts:
            canvas.drawString(x, y - size, part)
            y -= size * 1.3
        y -= size * 0.15
    return y


def _draw(
    canvas: Canvas, sketch: Sketch, left: float, top: float, regular: str, bold: str
) -> float:
    """Draw a sketch with its top left corner at (left, top), points. Return the y below it."""
    for item in sketch.items:
        if isinstance(item, Area | Stroke):
            path = canvas.beginPath()
            for index, (x, y) in enumerate(item.points):
                to = path.moveTo if index == 0 else path.lineTo
                to(left + x * _MM, top - y * _MM)
            if isinstance(item, Area):
                path.close()
                canvas.setFillColor(item.colour)
                canvas.drawPath(path, stroke=0, fill=1)
                continue
            canvas.setStrokeColor(item.colour)
            canvas.setLineWidth(item.width_mm * _MM)
            canvas.setDash([] if item.dash_mm is None else [v * _MM for v in item.dash_mm])
            canvas.drawPath(path, stroke=1, fill=0)
            continue
        canvas.setFillColor("#111111")
        canvas.setFont(bold if item.bold else regular, item.size_mm * _MM)
        draw = {
            "start": canvas.drawString,
            "middle": canvas.drawCentredString,
            "end": canvas.drawRightString,
        }[item.anchor]
        draw(left + item.x * _MM, top - item.y * _MM, item.text)
    canvas.setFillColor("#111111")
    canvas.setDash([])
    return top - sketch.height_mm * _MM - 2.0 * _MM
