"""Pages at 1:1: the story stick and the half-profile template, both hands, tiled."""

from __future__ import annotations

from measure.pdfpen import BOLD, FINE, MEDIUM, Pen
from measure.settings import setting_words
from measure.sheet import Sheet
from measure.storystick import Mark, spread_labels
from measure.template import (
    BETWEEN_MM,
    HEAD_MM,
    MARGIN_MM,
    OVERLAP_MM,
    Paper,
    Strip,
    Tile,
    fill_pages,
    template_strips,
    tiles,
)
from measure.units import Units

__all__ = ["BAR_MM", "STICK_MM", "draw_full_size"]

BAR_MM = 100.0
STICK_MM = 52.0
STICK_RULE_MM = 13.0
"""Height of the part of the stick that carries the marks; the labels stand above it."""
ENDS_MM = 6.0
"""Card beyond both ends of the piece."""
LABEL_MM = 4.4
CROSS_MM = 3.0
NARROW_MM = 145.0


def draw_full_size(pen: Pen, sheet: Sheet, units: Units, on: Paper) -> None:
    """Draw the pages; each band that is longer than a page goes on over as many as it needs."""
    strips = (Strip("stick", STICK_MM), *template_strips(sheet.profile, on))
    cut = tiles(sheet.length_mm, ENDS_MM, on)
    labels = _stick_labels(sheet)
    for number, page in enumerate(fill_pages(strips, on), start=1):
        for k, tile in enumerate(cut):
            pen.next_page()
            pen.bookmark(f"Full size {number}.{k + 1}")
            _page_words(pen, sheet, k, len(cut))
            top = on.height_mm - MARGIN_MM - HEAD_MM
            for strip in page:
                low = top - strip.height_mm
                band = _Band(pen, sheet, strip, tile, low)
                if strip.kind == "stick":
                    band.draw_stick(units, labels)
                else:
                    band.draw_template()
                band.draw_joins(k, len(cut))
                top = low - BETWEEN_MM
            _check_bar(pen)


def _page_words(pen: Pen, sheet: Sheet, k: int, count: int) -> None:
    y = pen.height_mm - MARGIN_MM - 4.0
    pen.text(MARGIN_MM, y, f"{sheet.name}: full size", 12, font=BOLD, room=105.0)
    sheets = f"Page {k + 1} of {count}. " if count > 1 else ""
    join = "Lay the next page on so that the crosses meet; glue. " if count > 1 else ""
    pen.text(pen.width_mm - MARGIN_MM, y, f"{sheets}{join}Print at actual size (100 %); "
             "check the bar.", 9, "end", room=pen.width_mm - 2 * MARGIN_MM - 110.0)  # fmt: skip


def _check_bar(pen: Pen) -> None:
    x, y = MARGIN_MM + 2.0, MARGIN_MM + 3.0
    pen.rule(x, y, x + BAR_MM, y)
    for end in (x, x + BAR_MM):
        pen.rule(end, y - 2.0, end, y + 2.0)
    pen.text(x + 0.5 * BAR_MM, y + 1.5, "100 mm between the middles of the end lines", 8, "middle")
    pen.text(x + BAR_MM + 6.0, y - 1.0, "If your print is off, do not cut: scale the print.", 8)


def _stick_labels(sheet: Sheet) -> list[float]:
    """Return where along the stick the label of each mark stands, mm from the foot."""
    places = [m.z_mm for m in sheet.marks]
    room = min(LABEL_MM, sheet.length_mm / max(len(places) - 1, 1))
    return spread_labels(places, room, -2.0, sheet.length_mm + 2.0)


class _Band:
    """One band on one page: turns millimetres along the piece into paper millimetres."""

    def __init__(self, pen: Pen, sheet: Sheet, strip: Strip, tile: Tile, low: float) -> None:
        self.pen, self.sheet, self.strip, self.tile, self.low = pen, sheet, strip, tile, low
        self.left = MARGIN_MM
        self.right = MARGIN_MM + tile.stop_mm - tile.start_mm

    def x(self, along: float) -> float:
        """Return the paper x of a distance along the band."""
        return self.left + along - self.tile.start_mm

    def along(self, z: float) -> float:
        """Return the distance along the band of a height: the mirrored band runs backward."""
        return self.sheet.length_mm - z if self.strip.kind == "mirrored" else z

    def y(self, r: float) -> float:
        """Return the paper y of a radius."""
        return self.low + r - self.strip.base_mm

    def shows(self, along: float) -> bool:
        """Say whether a place lies on this page."""
        return self.tile.start_mm - 1e-9 <= along <= self.tile.stop_mm + 1e-9

    def _clip(self) -> None:
        canvas = self.pen._canvas
        path = canvas.beginPath()
        k = 72.0 / 25.4
        path.rect((self.left - 0.2) * k, (self.low - 1.0) * k, (self.right - self.left + 0.4) * k,
                  (self.strip.height_mm + 2.0) * k)  # fmt: skip
        canvas.saveState()
        canvas.clipPath(path, stroke=0, fill=0)

    def draw_stick(self, units: Units, labels: list[float]) -> None:
        """Draw marks across a strip, and at each what to set."""
        pen, rule = self.pen, self.low + STICK_RULE_MM
        self._clip()
        left, right = self.x(-ENDS_MM), self.x(self.sheet.length_mm + ENDS_MM)
        pen.box(left, self.low, right - left, STICK_RULE_MM, MEDIUM)
        for mark, label in zip(self.sheet.marks, labels, strict=True):
            x, at = self.x(mark.z_mm), self.x(label)
            pen.rule(x, self.low, x, rule)
            if not (self.shows(label - 2.0) and self.shows(label + 2.0)):
                continue  # the page that shares this overlap has room for all of it
            pen.line(x, rule, at, rule + 3.0, FINE)
            pen.text(at + 1.1, rule + 3.6, _mark_words(mark, units), 8.8, angle=90.0,
                     room=STICK_MM - STICK_RULE_MM - 4.0)  # fmt: skip
        pen.text(self.x(-ENDS_MM) + 4.2, self.low + 1.5, "foot", 8, angle=90.0)
        pen.text(self.x(self.sheet.length_mm) + 4.0, self.low + 1.5, "top", 8, angle=90.0)
        pen._canvas.restoreState()

    def draw_template(self) -> None:
        """Draw outline, ends, card edge and axis of one hand."""
        pen, length = self.pen, self.sheet.length_mm
        top = self.low + self.strip.height_mm
        mirrored = self.strip.kind == "mirrored"
        self._clip()
        x0, x1 = self.x(-ENDS_MM), self.x(length + ENDS_MM)
        pen.rule(x0, top, x1, top)
        pen.line(x0, self.low, x1, self.low, FINE, (8.0, 1.5, 1.0, 1.5))
        for x in (x0, x1):
            pen.rule(x, self.low, x, top)
        origin = (self.x(self.along(0.0)), self.y(0.0))
        scale = (-1.0 if mirrored else 1.0, 1.0)
        for chain in self.sheet.chains:
            pen.chain(chain, origin, scale, 0.2)
        self._draw_ends()
        for gap in self.sheet.gaps:
            a, b = sorted((self.x(self.along(gap.z_from_mm)), self.x(self.along(gap.z_to_mm))))
            pen.box(a, self.low, b - a, self.strip.height_mm, FINE, None, (1.0, 1.0))
        pen._canvas.restoreState()
        self._draw_words(mirrored, x0, x1)

    def _draw_ends(self) -> None:
        """Draw the end faces as the template shows them: from the outline down to the axis."""
        for row, z in ((0, 0.0), (-1, self.sheet.length_mm)):
            r = 0.5 * float(self.sheet.profile.diameter_mm[row])
            x = self.x(self.along(z))
            self.pen.rule(x, self.low, x, max(self.y(r), self.low))

    def _draw_words(self, mirrored: bool, x0: float, x1: float) -> None:
        pen = self.pen
        left, right = max(x0, self.left), min(x1, self.right)
        hand = "right" if mirrored else "left"
        top = self.low + self.strip.height_mm
        axis = "Axis along the broken line."
        if self.strip.base_mm > 0.0:
            axis = f"The broken line is {self.strip.base_mm:.1f} mm from the axis."
        above = f"Template, foot at the {hand}. Above the line: card to hold against the work."
        below = f"Below the line: the piece. {axis}"
        if self.sheet.gaps:
            below += " Dashed boxes were not seen: do not cut there."
        if right - left < NARROW_MM:  # beside a short piece
            x, room = right + 3.0, pen.width_mm - MARGIN_MM - right - 3.0
        else:
            x, room = left + OVERLAP_MM + 2.0, right - left - 2 * OVERLAP_MM
        pen.text(x, top - 4.0, above, 8.8, room=room, clear=True)
        pen.text(x, self.low + 1.6, below, 8.2, room=room, clear=True)

    def draw_joins(self, k: int, count: int) -> None:
        """Draw the crosses and the line where the pages meet."""
        top = self.low + self.strip.height_mm
        for join, words in ((self.tile.join_left, k), (self.tile.join_right, k + 2)):
            if join is None:
                continue
            x = self.x(join)
            self.pen.line(x, self.low, x, top, FINE, (2.0, 2.0), 0.5)
            for y in (self.low + 0.2 * self.strip.height_mm, top - 1.5):
                self.pen.rule(x - CROSS_MM, y, x + CROSS_MM, y)
                self.pen.rule(x, y - CROSS_MM, x, y + CROSS_MM)
            # Beyond the join, in the card's edge: the outline never comes there.
            beyond = x - 2.0 if join == self.tile.join_left else x + 4.0
            self.pen.text(beyond, top - 12.5, f"to page {words}", 6.5, angle=90.0, grey=0.35)


def _mark_words(mark: Mark, units: Units) -> str:
    place = units.place(mark.z_mm)
    if not mark.settings:
        return place
    sizes = " | ".join(f"Ø {setting_words(s.diameter_mm, units)}" for s in mark.settings)
    return f"{place}:  {sizes}  {mark.name}"
