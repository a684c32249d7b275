"""Pages at 1:1: the story stick and the half-profile template, both hands, tiled."""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass

from measure.pdfpen import BOLD, FINE, MEDIUM, Pen
from measure.settings import MEASURE, setting_words
from measure.sheet import Sheet
from measure.sheetframe import end_faces
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
LABEL_MM, LEAST_LABEL_MM, LABEL_POINTS = 4.4, 3.3, 8.8
"""Words stand so far apart if there is room, and not nearer at their usual size."""
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
                    band.draw_template(units)
                band.draw_joins(k, len(cut))
                top = low - BETWEEN_MM
            _check_bar(pen, units)


def _page_words(pen: Pen, sheet: Sheet, k: int, count: int) -> None:
    y, right = pen.height_mm - MARGIN_MM - 3.0, pen.width_mm - MARGIN_MM
    room = 0.48 * (right - MARGIN_MM)
    pen.text(MARGIN_MM, y - 1.0, f"{sheet.name}: full size", 12, font=BOLD, room=room)
    dashed = "Dashed: not seen, measure at the piece. " if sheet.gaps else ""
    words = f"{dashed}Print at actual size (100 %); check the bar."
    pen.text(right, y, words, 8.5, "end", room=room)
    if count > 1:
        words = f"Page {k + 1} of {count}. Glue the pages together so that the crosses meet."
        pen.text(right, y - 4.0, words, 8.5, "end", room=room)


def _check_bar(pen: Pen, units: Units) -> None:
    bar = f"{BAR_MM:g} mm" + (f" ({units.fine(BAR_MM)} {units.name})" if units.inches else "")
    x, y = MARGIN_MM + 2.0, MARGIN_MM + 3.0
    pen.rule(x, y, x + BAR_MM, y)
    for end in (x, x + BAR_MM):
        pen.rule(end, y - 2.0, end, y + 2.0)
    pen.text(x + 0.5 * BAR_MM, y + 1.5, f"{bar} between the middles of the end lines", 8, "middle")
    words = f"Not {bar}? Do not cut. Print again at 100 %, without fitting to the page."
    pen.text(x + BAR_MM + 6.0, y - 1.0, words, 8,
             room=pen.width_mm - MARGIN_MM - x - BAR_MM - 6.0)  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Labels:
    """Which marks have words, where along the stick these stand, mm, and their size, points."""

    marks: tuple[Mark, ...]
    places_mm: tuple[float, ...]
    size: float


def _stick_labels(sheet: Sheet) -> _Labels:
    """Give every mark its words; where that is too dense, only those with a diameter to set."""
    marks, long = sheet.marks, sheet.length_mm
    if len(marks) * LEAST_LABEL_MM > long:
        ends = (marks[0], marks[-1])
        marks = tuple(m for m in marks if m.settings or m in ends)
    room = min(LABEL_MM, (long + 4.0) / max(len(marks) - 1, 1))
    places = spread_labels([m.z_mm for m in marks], room, -2.0, long + 2.0)
    size = LABEL_POINTS * min(1.0, room / LEAST_LABEL_MM)
    return _Labels(marks, tuple(places), size)


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

    def _clipped(self) -> AbstractContextManager[None]:
        wide, high = self.right - self.left + 0.4, self.strip.height_mm + 2.0
        return self.pen.clipped(self.left - 0.2, self.low - 1.0, wide, high)

    def draw_stick(self, units: Units, labels: _Labels) -> None:
        """Draw marks across a strip, and at each what to set."""
        pen, rule = self.pen, self.low + STICK_RULE_MM
        left, right = self.x(-ENDS_MM), self.x(self.sheet.length_mm + ENDS_MM)
        with self._clipped():
            pen.box(left, self.low, right - left, STICK_RULE_MM, MEDIUM)
            for gap in self.sheet.gaps:  # a dashed line along the stick, as in the drawing
                for y in (self.low + 4.0, rule - 4.0):
                    a, b = self.x(gap.z_from_mm), self.x(gap.z_to_mm)
                    pen.line(a, y, b, y, FINE, (1.0, 1.0))
            for mark in self.sheet.marks:
                pen.rule(self.x(mark.z_mm), self.low, self.x(mark.z_mm), rule)
            for mark, label in zip(labels.marks, labels.places_mm, strict=True):
                if not (self.shows(label - 2.0) and self.shows(label + 2.0)):
                    continue  # the page that shares this overlap has room for all of it
                at = self.x(label)
                pen.line(self.x(mark.z_mm), rule, at, rule + 3.0, FINE)
                room = STICK_MM - STICK_RULE_MM - 4.0
                words = _mark_words(mark, units)
                if pen.text_width(words, labels.size) > room:  # sizes before names
                    words = words.removesuffix(mark.name).rstrip()
                pen.text(at + 0.125 * labels.size, rule + 3.6, words, labels.size, angle=90.0,
                         room=room)  # fmt: skip
            pen.text(left + 4.2, self.low + 1.5, "foot", 8, angle=90.0)
            pen.text(right - 2.0, self.low + 1.5, "top", 8, angle=90.0)

    def draw_template(self, units: Units) -> None:
        """Draw outline, ends, card edge and axis of one hand; the words stand in the card."""
        pen, length = self.pen, self.sheet.length_mm
        top = self.low + self.strip.height_mm
        mirrored = self.strip.kind == "mirrored"
        x0, x1 = self.x(-ENDS_MM), self.x(length + ENDS_MM)
        with self._clipped():
            for gap in self.sheet.gaps:
                a, b = sorted((self.x(self.along(gap.z_from_mm)), self.x(self.along(gap.z_to_mm))))
                pen.box(a, self.low, b - a, self.strip.height_mm, FINE, None, (1.0, 1.0))
        self._draw_words(units, mirrored, x0, x1)  # first: they wipe what lies under them
        with self._clipped():
            pen.rule(x0, top, x1, top)
            pen.line(x0, self.low, x1, self.low, FINE, (8.0, 1.5, 1.0, 1.5))
            for x in (x0, x1):
                pen.rule(x, self.low, x, top)
            origin = (self.x(self.along(0.0)), self.y(0.0))
            low, high = sorted((self.along(self.tile.start_mm), self.along(self.tile.stop_mm)))
            for chain in self.sheet.chains:
                part = chain.between(low - 1.0, high + 1.0)
                if part is not None:
                    pen.chain(part, origin, (-1.0 if mirrored else 1.0, 1.0), 0.2)
            self._draw_ends()

    def _draw_ends(self) -> None:
        """Draw the end faces as the template shows them: from the outline down to the axis."""
        for z, row in end_faces(self.sheet):
            r = 0.5 * float(self.sheet.profile.diameter_mm[row])
            x = self.x(self.along(z))
            self.pen.rule(x, self.low, x, max(self.y(r), self.low))

    def _draw_words(self, units: Units, mirrored: bool, x0: float, x1: float) -> None:
        pen = self.pen
        left, right = max(x0, self.left), min(x1, self.right)
        hand = "right" if mirrored else "left"
        top = self.low + self.strip.height_mm
        axis = "Axis along the broken line."
        if self.strip.base_mm > 0.0:
            axis = (
                f"The broken line is {units.fine(self.strip.base_mm)} {units.name} from the axis."
            )
        above = f"Template, foot at the {hand}. Above the line: card to hold against the work."
        below = f"Below the line: the piece. {axis}"
        if self.sheet.gaps:
            below += " Dashed boxes were not seen: do not cut there."
        if right - left < NARROW_MM:  # beside a short piece
            x, room = right + 3.0, pen.width_mm - MARGIN_MM - right - 3.0
            pen.paragraph(x, pen.paragraph(x, top - 4.0, above, room, 8.8) - 0.6, below, room, 8.8)
            return
        x, room = left + OVERLAP_MM + 2.0, right - left - 2 * OVERLAP_MM
        pen.text(x, top - 4.0, above, 8.8, room=room, clear=True)
        pen.text(x, top - 8.3, below, 8.8, room=room, clear=True)

    def draw_joins(self, k: int, count: int) -> None:
        """Draw the crosses and the line where the pages meet."""
        stick = self.strip.kind == "stick"
        high = STICK_RULE_MM if stick else self.strip.height_mm
        top = self.low + high
        crosses = (self.low + CROSS_MM, top - CROSS_MM) if stick else (
            self.low + 0.2 * high, top - 1.5)  # fmt: skip
        for join, words in ((self.tile.join_left, k), (self.tile.join_right, k + 2)):
            if join is None:
                continue
            x = self.x(join)
            self.pen.line(x, self.low, x, top, FINE, (2.0, 2.0), 0.5)
            for y in crosses:
                self.pen.rule(x - CROSS_MM, y, x + CROSS_MM, y)
                self.pen.rule(x, y - CROSS_MM, x, y + CROSS_MM)
            if not stick:
                # Beyond the join, in the card's edge: the outline never comes there.
                beyond = x - 2.0 if join == self.tile.join_left else x + 4.0
                self.pen.text(beyond, top - 12.5, f"to page {words}", 6.5, angle=90.0, grey=0.35)


def _mark_words(mark: Mark, units: Units) -> str:
    place = units.place(mark.z_mm)
    if not mark.settings:
        return place
    if not any(s.is_known for s in mark.settings):
        return f"{place}:  {MEASURE}  {mark.name}"
    sizes = " | ".join(setting_words(s, units) for s in mark.settings)
    return f"{place}:  Ø {sizes}  {mark.name}"
