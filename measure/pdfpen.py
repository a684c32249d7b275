"""A drawing pen for PDF pages: millimetres, lines, arcs, text that fits, any user's text."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
from numpy.typing import NDArray

from measure.chain import Chain, arc_centre

__all__ = ["BOLD", "FINE", "HEAVY", "MEDIUM", "PLAIN", "Pen", "missing_letters"]

FloatArray = NDArray[np.float64]

POINT_MM = 25.4 / 72.0
FINE, MEDIUM, HEAVY = 0.13, 0.25, 0.5
"""Line widths, mm; steps of ISO 128."""
PLAIN, BOLD, _WIDE = "Helvetica", "Helvetica-Bold", "Wide"
SMALLEST_POINTS = 5.0
TIP_MM = 0.02


class Pen:
    """Draws on a PDF. Coordinates are mm from the lower left corner of the page.

    Lengths given to a method are mm on paper, sizes of text are points.
    """

    def __init__(self, width_mm: float, height_mm: float, title: str) -> None:
        """Begin a document whose pages all have this size."""
        from reportlab.pdfgen.canvas import Canvas

        self.width_mm, self.height_mm = width_mm, height_mm
        self._stream = io.BytesIO()
        size = (width_mm / POINT_MM, height_mm / POINT_MM)
        self._canvas: Any = Canvas(self._stream, pagesize=size, invariant=1, pageCompression=1)
        self._canvas.setTitle(_printable(title))
        self._canvas.setViewerPreference("PrintScaling", "None")
        self._begin()

    def _begin(self) -> None:
        self._canvas.setLineCap(0)
        self._canvas.setLineJoin(1)

    def next_page(self) -> None:
        """End the page and begin the next."""
        self._canvas.showPage()
        self._begin()

    def finish(self) -> bytes:
        """End the last page and return the document."""
        self._canvas.showPage()
        self._canvas.save()
        return self._stream.getvalue()

    def bookmark(self, name: str) -> None:
        """Name this page in the viewer's outline."""
        self._canvas.bookmarkPage(name)
        self._canvas.addOutlineEntry(name, name)

    def _stroke(self, width: float, dash: tuple[float, ...], grey: float) -> None:
        self._canvas.setLineWidth(width / POINT_MM)
        self._canvas.setDash([v / POINT_MM for v in dash])
        self._canvas.setStrokeGray(grey)

    def line(
        self,
        x0: float,
        y0: float,
        x1: float,
        y1: float,
        width: float = FINE,
        dash: tuple[float, ...] = (),
        grey: float = 0.0,
    ) -> None:
        """Draw a straight line."""
        self._stroke(width, dash, grey)
        self._canvas.line(*(v / POINT_MM for v in (x0, y0, x1, y1)))

    def rule(self, x0: float, y0: float, x1: float, y1: float, width: float = 0.2) -> None:
        """Draw an upright or level line as a filled shape.

        Viewers and printers snap thin strokes and rectangles to their dots; what a hand measures
        from, or joins pages by, must stand where it should. So its ends are very blunt points.
        """
        half = 0.5 * width
        a, b = np.array([x0, y0]), np.array([x1, y1])
        along = (b - a) / max(float(np.hypot(*(b - a))), 1e-9)
        side, tip = half * np.array([-along[1], along[0]]), TIP_MM * along
        corners = [a - side, a - tip, a + side, b + side, b + tip, b - side]
        self.polygon(np.array(corners), 0.0)

    def polyline(
        self,
        points: FloatArray,
        width: float = MEDIUM,
        dash: tuple[float, ...] = (),
        grey: float = 0.0,
    ) -> None:
        """Draw joined straight lines through (n, 2) points."""
        self._stroke(width, dash, grey)
        path = self._canvas.beginPath()
        path.moveTo(*(points[0] / POINT_MM))
        for point in points[1:]:
            path.lineTo(*(point / POINT_MM))
        self._canvas.drawPath(path)

    def polygon(
        self, points: FloatArray, fill: float | None, width: float = 0.0, grey: float = 0.0
    ) -> None:
        """Fill a closed shape with a grey (1 is white), draw its edge if it has a width."""
        self._stroke(width, (), grey)
        path = self._canvas.beginPath()
        path.moveTo(*(points[0] / POINT_MM))
        for point in points[1:]:
            path.lineTo(*(point / POINT_MM))
        path.close()
        if fill is not None:
            self._canvas.setFillGray(fill)
        self._canvas.drawPath(path, stroke=int(width > 0.0), fill=int(fill is not None))
        self._canvas.setFillGray(0.0)

    def box(
        self,
        x: float,
        y: float,
        width: float,
        height: float,
        line: float = FINE,
        fill: float | None = None,
        dash: tuple[float, ...] = (),
    ) -> None:
        """Draw a rectangle from its lower left corner."""
        self._stroke(line, dash, 0.0)
        if fill is not None:
            self._canvas.setFillGray(fill)
        sides = [v / POINT_MM for v in (x, y, width, height)]
        self._canvas.rect(*sides, stroke=int(line > 0.0), fill=int(fill is not None))
        self._canvas.setFillGray(0.0)

    def circle(
        self, x: float, y: float, radius: float, width: float = FINE, dash: tuple[float, ...] = ()
    ) -> None:
        """Draw a circle."""
        self._stroke(width, dash, 0.0)
        self._canvas.circle(x / POINT_MM, y / POINT_MM, radius / POINT_MM)

    def chain(
        self,
        chain: Chain,
        origin: tuple[float, float],
        scale: tuple[float, float],
        width: float = MEDIUM,
    ) -> None:
        """Draw lines and arcs as curves; scale is (along, across), negative to mirror."""
        self._stroke(width, (), 0.0)
        path = self._canvas.beginPath()

        def at(z: float, r: float) -> tuple[float, float]:
            return (
                (origin[0] + scale[0] * z) / POINT_MM,
                (origin[1] + scale[1] * r) / POINT_MM,
            )

        path.moveTo(*at(float(chain.z_mm[0]), float(chain.r_mm[0])))
        for k in range(len(chain.bulge)):
            a = (float(chain.z_mm[k]), float(chain.r_mm[k]))
            b = (float(chain.z_mm[k + 1]), float(chain.r_mm[k + 1]))
            if chain.is_arc(k):
                for c1, c2, end in _beziers(a, b, float(chain.bulge[k])):
                    path.curveTo(*at(*c1), *at(*c2), *at(*end))
            else:
                path.lineTo(*at(*b))
        self._canvas.drawPath(path)

    def arrow(self, x0: float, y0: float, x1: float, y1: float, size: float = 2.0) -> None:
        """Draw a fine line with a filled head at its end."""
        self.line(x0, y0, x1, y1)
        length = float(np.hypot(x1 - x0, y1 - y0))
        if length == 0.0:
            return
        u = np.array([x1 - x0, y1 - y0]) / length
        n = np.array([-u[1], u[0]])
        tip = np.array([x1, y1])
        self.polygon(np.array([tip, tip - size * u + 0.17 * size * n,
                               tip - size * u - 0.17 * size * n]), 0.0)  # fmt: skip

    def dimension(self, x0: float, x1: float, y: float, words: str, size: float = 9.0) -> None:
        """Draw a dimension along x with arrows outward and its words above the middle."""
        middle, wide = 0.5 * (x0 + x1), self.text_width(words, size) + 2.0
        if abs(x1 - x0) > wide + 6.0:
            self.arrow(middle, y, x0, y)
            self.arrow(middle, y, x1, y)
        else:
            self.arrow(x0 - 5.0, y, x0, y)
            self.arrow(x1 + 5.0, y, x1, y)
        self.text(middle, y + 1.0, words, size, "middle")

    @contextmanager
    def clipped(self, x: float, y: float, width: float, height: float) -> Iterator[None]:
        """Keep what is drawn meanwhile inside a rectangle."""
        self._canvas.saveState()
        path = self._canvas.beginPath()
        path.rect(*(v / POINT_MM for v in (x, y, width, height)))
        self._canvas.clipPath(path, stroke=0, fill=0)
        try:
            yield
        finally:
            self._canvas.restoreState()

    def text_width(self, words: str, size: float, font: str = PLAIN) -> float:
        """Return the width of a line of text, mm."""
        from reportlab.pdfbase.pdfmetrics import stringWidth

        clean = _printable(words)
        return float(stringWidth(clean, _font_for(clean, font), size)) * POINT_MM

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size: float = 8.0,
        anchor: str = "start",
        *,
        font: str = PLAIN,
        angle: float = 0.0,
        room: float | None = None,
        grey: float = 0.0,
        clear: bool = False,
    ) -> None:
        """Write one line; `room` makes it smaller, then shorter, until it fits so many mm.

        `clear` wipes what lies under level text that begins at x.
        """
        clean = _printable(words)
        if room is not None:
            size, clean = self._fitted(clean, size, font, room)
        if clear:
            wide, high = self.text_width(clean, size, font), size * POINT_MM
            self.box(x - 0.8, y - 0.25 * high, wide + 1.6, 1.15 * high, 0.0, 1.0)
        canvas = self._canvas
        canvas.saveState()
        canvas.setFillGray(grey)
        canvas.translate(x / POINT_MM, y / POINT_MM)
        canvas.rotate(angle)
        canvas.setFont(_font_for(clean, font), size)
        draw = {"start": canvas.drawString, "middle": canvas.drawCentredString,
                "end": canvas.drawRightString}[anchor]  # fmt: skip
        draw(0.0, 0.0, clean)
        canvas.restoreState()

    def _fitted(self, words: str, size: float, font: str, room: float) -> tuple[float, str]:
        width = self.text_width(words, size, font)
        if width <= room:
            return size, words
        smaller = max(size * room / width, SMALLEST_POINTS, 0.7 * size)
        while len(words) > 1 and self.text_width(words, smaller, font) > room + 1e-6:
            words = words[:-2] + "…"
        return smaller, words

    def paragraph(
        self, x: float, y: float, words: str, room: float, size: float = 8.0, font: str = PLAIN
    ) -> float:
        """Write text in lines of at most `room` mm, the first baseline at y; return the next."""
        for line in self.wrapped(words, room, size, font):
            self.text(x, y, line, size, font=font)
            y -= size * POINT_MM * 1.25
        return y

    def wrapped(self, words: str, room: float, size: float, font: str = PLAIN) -> list[str]:
        """Return the lines of a paragraph."""
        lines, line = [], ""
        for word in _printable(words).split():
            longer = f"{line} {word}" if line else word
            if line and self.text_width(longer, size, font) > room:
                lines.append(line)
                longer = word
            line = longer
        return [*lines, line] if line else lines


def _beziers(
    a: tuple[float, float], b: tuple[float, float], bulge: float
) -> list[tuple[tuple[float, float], tuple[float, float], tuple[float, float]]]:
    """Return cubic curves along an arc; at 45 degrees each they keep within 5e-6 of the radius."""
    zc, rc, radius = arc_centre(a, b, bulge)
    sweep = -4.0 * float(np.arctan(bulge))
    count = max(int(np.ceil(abs(sweep) / (np.pi / 4.0))), 1)
    start = float(np.arctan2(a[1] - rc, a[0] - zc))
    step = sweep / count
    reach = 4.0 / 3.0 * float(np.tan(step / 4.0)) * radius
    out = []
    for i in range(count):
        t0, t1 = start + i * step, start + (i + 1) * step
        p0 = (zc + radius * np.cos(t0), rc + radius * np.sin(t0))
        p1 = (zc + radius * np.cos(t1), rc + radius * np.sin(t1))
        c1 = (p0[0] - reach * np.sin(t0), p0[1] + reach * np.cos(t0))
        c2 = (p1[0] + reach * np.sin(t1), p1[1] - reach * np.cos(t1))
        out.append((c1, c2, b if i == count - 1 else p1))
    return out


def missing_letters(words: str) -> str:
    """Return the letters of a text, once each, that a pen cannot write: it writes ? instead."""
    plain = "".join(c for c in dict.fromkeys(words) if c.isprintable())
    return "".join(c for c, put in zip(plain, _printable(plain), strict=True) if c != put)


def _printable(words: str) -> str:
    """Return text that can be written: what no font here has becomes a question mark."""
    plain = "".join(c if c.isprintable() else " " for c in words)
    try:
        plain.encode("cp1252")
    except UnicodeEncodeError:
        from reportlab.pdfbase.pdfmetrics import getFont

        known = getFont(_wide_font()).face.charToGlyph
        return "".join(c if ord(c) in known else "?" for c in plain)
    return plain


def _font_for(words: str, font: str) -> str:
    """Return the font, or one with more letters where the PDF's own cannot write the text."""
    try:
        words.encode("cp1252")
    except UnicodeEncodeError:
        return _wide_font()
    return font


def _wide_font() -> str:
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    if _WIDE not in pdfmetrics.getRegisteredFontNames():
        from pathlib import Path

        from matplotlib import get_data_path

        file = Path(get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"
        pdfmetrics.registerFont(TTFont(_WIDE, str(file)))
    return _WIDE
