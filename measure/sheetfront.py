"""First page of a making sheet: the piece with its stations, and the caliper settings."""

from __future__ import annotations

import numpy as np

from measure.pdfpen import BOLD, FINE, MEDIUM, PLAIN, Pen
from measure.settings import (
    LOOSE_MM,
    MEASURE,
    Setting,
    finish_words,
    left_words,
    setting_words,
)
from measure.sheet import Sheet
from measure.sheetframe import (
    EDGE_MM,
    TITLE_MM,
    Place,
    best_scale,
    draw_piece,
    fair_words,
    frame,
    heading,
    length_words,
    sense_word,
    unseen_words,
)
from measure.storystick import spread_labels
from measure.stretches import Stretch, stretches
from measure.units import Units

__all__ = ["draw_front", "what_words"]

ROW_MM = 5.3
COLUMN_MM, COLUMN_INCHES_MM = 84.0, 115.0
LINE_MM = 5.4
ABOVE_MM, BELOW_MM = 31.0, 30.0
LABEL_MM = 5.4
WORDS = 9.5
GREY = 0.35
SHORTEST_DRAWING_MM = 88.0
SQUEEZED_ROWS = 2
"""So many rows more are worth a smaller drawing: else they go on a page of their own."""


def what_words(setting: Setting, units: Units) -> str:
    """Return what is turned there: bead 6 wide, 2.5 proud."""
    if setting.width_mm <= 0.0:
        return setting.name
    # How wide a narrow one is does not show either.
    wide = "" if setting.fine else f" {units.place(setting.width_mm)} wide"
    high = units.number(setting.height_mm)
    return f"{setting.name}{wide}, {high} {sense_word(setting.name, setting.fine)}"


def draw_front(pen: Pen, sheet: Sheet, units: Units, page: str) -> None:
    """Draw the piece with its stations, and the settings under it.

    A piece with more settings than labels go side by side is drawn whole once, then stretch by
    stretch. Settings beyond what fits under a drawing go on pages of their own.
    """
    span = _label_span(pen)
    most = int((span[1] - span[0]) / LABEL_MM) + 1
    parts = stretches(sheet.settings, sheet.length_mm, most)
    if len(parts) == 1:
        _draw_stretch(pen, sheet, units, page, parts[0])
        return
    _draw_overview(pen, sheet, units, page, parts)
    for part in parts:
        pen.next_page()
        where = units.span(part.low_mm, part.high_mm)
        _draw_stretch(pen, sheet, units, f"stretch {part.name}, {where}", part)


def _draw_stretch(pen: Pen, sheet: Sheet, units: Units, page: str, part: Stretch) -> None:
    inner = pen.width_mm - 2 * EDGE_MM
    floor = EDGE_MM + TITLE_MM
    # The drawing keeps to three-quarter size if the paper has room; the table can go on overleaf.
    tall = ABOVE_MM + BELOW_MM + min(0.75 * sheet.largest_mm, 70.0)
    drawing = max(SHORTEST_DRAWING_MM, min(tall, 0.55 * pen.height_mm))
    said = [
        (line, font)
        for words, font in ((_warning(sheet, units), BOLD), (_fair(sheet, units), PLAIN))
        for line in pen.wrapped(words, inner - 8.0, WORDS, font)
    ]
    drawing += LINE_MM * len(said)
    most_rows = int((pen.height_mm - EDGE_MM - floor - drawing - 14.0) / ROW_MM)
    columns = max(int((inner - 8.0) / (COLUMN_INCHES_MM if units.inches else COLUMN_MM)), 1)
    settings = list(part.settings)
    needed = -(-len(settings) // columns)
    rows = needed if needed <= most_rows + SQUEEZED_ROWS and most_rows > 0 else most_rows
    # Small paper may have no room for a table under the drawing.
    table_top = floor + 4.0 + ROW_MM * (rows + 1) + 8.0 if rows > 0 else floor + 3.0
    low = table_top + 2.0
    for words, font in said[::-1]:
        pen.text(EDGE_MM + 4.0, low, words, WORDS, font=font)
        low += LINE_MM
    scale = _draw_stations(pen, sheet, units, low, part)
    frame(pen, sheet, units, page, scale)
    while settings:
        if rows > 0:
            _draw_table(pen, units, settings[: rows * columns], (rows, columns), table_top, inner)
            settings = settings[rows * columns :]
        if settings:
            pen.next_page()
            frame(pen, sheet, units, f"{page}, continued", "")
            table_top = pen.height_mm - EDGE_MM - 4.0
            rows = int((table_top - floor - 12.0) / ROW_MM) - 1


def _warning(sheet: Sheet, units: Units) -> str:
    """Say what was not seen, and what is not known well enough to part down to."""
    words = [unseen_words(sheet, units)] if sheet.gaps else []
    if not all(s.is_known for s in sheet.settings):
        least = f"{units.fine(LOOSE_MM)} {units.name}"
        narrow = " or too narrow to show" if any(s.fine for s in sheet.settings) else ""
        words.append(f"“{MEASURE}”: not known to {least}{narrow}, take it from the piece.")
    return " ".join(words)


def _fair(sheet: Sheet, units: Units) -> str:
    return "" if sheet.stray is None else fair_words(sheet.stray, units)


def _draw_overview(
    pen: Pen, sheet: Sheet, units: Units, page: str, parts: tuple[Stretch, ...]
) -> None:
    """Draw the whole piece with the stretches that follow, and say what is in them."""
    floor = EDGE_MM + TITLE_MM
    low = floor + 14.0 + LINE_MM * len(parts)
    high = pen.height_mm - EDGE_MM - 12.0
    scale, words = best_scale(
        sheet.length_mm, sheet.largest_mm, pen.width_mm - 2 * EDGE_MM - 24.0, high - low - 20.0
    )
    frame(pen, sheet, units, page, words)
    left = 0.5 * (pen.width_mm - sheet.length_mm * scale)
    place = Place(left, 0.5 * (low + 14.0 + high), scale)
    draw_piece(pen, sheet, place)
    reach = 0.5 * sheet.largest_mm * scale
    for part in parts:
        x0, x1 = place.x(part.low_mm), place.x(part.high_mm)
        if part.low_mm > 0.0:
            pen.line(x0, place.axis_mm - reach - 4.0, x0, place.axis_mm + reach + 8.0, FINE,
                     (3.0, 1.5))  # fmt: skip
        pen.text(0.5 * (x0 + x1), place.axis_mm + reach + 4.0, part.name, 14, "middle", font=BOLD)
    words = length_words(sheet, units)
    pen.dimension(place.x(0.0), place.x(sheet.length_mm), place.axis_mm - reach - 10.0, words, 10)
    room = pen.width_mm - 2 * EDGE_MM - 8.0
    y = heading(pen, EDGE_MM + 4.0, low - 4.0, "Drawn by stretches on the next pages", room)
    for part in parts:
        first, last = part.settings[0][0], part.settings[-1][0]
        pen.text(EDGE_MM + 4.0, y, part.name, 11, font=BOLD)
        where = units.span(part.low_mm, part.high_mm)
        pen.text(EDGE_MM + 12.0, y, f"{where}, settings {first} to {last}", 10, room=room - 8.0)
        y -= LINE_MM


def _label_span(pen: Pen) -> tuple[float, float]:
    return EDGE_MM + 6.0, pen.width_mm - EDGE_MM - 6.0


def _draw_stations(pen: Pen, sheet: Sheet, units: Units, low: float, part: Stretch) -> str:
    high = pen.height_mm - EDGE_MM - 2.0
    wide = pen.width_mm - 2 * EDGE_MM - 24.0
    room = high - low - ABOVE_MM - BELOW_MM
    long = part.high_mm - part.low_mm
    scale, words = best_scale(long, sheet.largest_mm, wide, room)
    left = 0.5 * (pen.width_mm - long * scale) - part.low_mm * scale
    place = Place(left, low + BELOW_MM + 0.5 * room, scale)
    reach = 0.5 * sheet.largest_mm * scale
    ends = place.x(part.low_mm), place.x(part.high_mm)
    if part.name:
        foot, top = part.low_mm <= 0.0, part.high_mm >= sheet.length_mm
        x0, x1 = ends[0] - (8.0 if foot else 0.0), ends[1] + (8.0 if top else 0.0)
        with pen.clipped(x0, place.axis_mm - reach - 1.0, x1 - x0, 2.0 * reach + 2.0):
            draw_piece(pen, sheet, place)
        for x, is_end in zip(ends, (foot, top), strict=True):
            if not is_end:
                pen.line(x, place.axis_mm - reach - 1.0, x, place.axis_mm + reach + 1.0, FINE,
                         (3.0, 1.5))  # fmt: skip
    else:
        draw_piece(pen, sheet, place)
    span = _label_span(pen)
    _draw_diameters(pen, units, place, reach, part.settings, span)
    _draw_heights(pen, sheet, units, place, reach, part, span)
    if not part.name:
        # From the nearest labels down: the outermost heights stand on the ends themselves.
        y = place.axis_mm - reach - BELOW_MM + 3.0
        pen.dimension(*ends, y, length_words(sheet, units), 10)
    return words


def _radius_near(sheet: Sheet, z: float) -> float:
    """Return the larger r at a height, within half a millimetre."""
    near = np.abs(sheet.profile.z_mm - z) <= 0.5
    if not near.any():
        return 0.0
    return 0.5 * float(np.max(sheet.profile.diameter_mm[near]))


def _draw_diameters(
    pen: Pen,
    units: Units,
    place: Place,
    reach: float,
    settings: tuple[tuple[int, Setting], ...],
    span: tuple[float, float],
) -> None:
    level = place.axis_mm + reach + 3.0
    labels = spread_labels([place.x(s.z_mm) for _, s in settings], LABEL_MM, *span)
    for (number, setting), x in zip(settings, labels, strict=True):
        at = place.x(setting.z_mm)
        edge = place.axis_mm + 0.5 * setting.diameter_mm * place.scale + 0.6
        pen.line(at, min(edge, level), at, level, FINE, grey=GREY)
        pen.line(at, level, x, level + 5.0, FINE, grey=GREY)
        words = f"Ø {units.number(setting.diameter_mm)}" if setting.is_known else MEASURE
        pen.text(x + 1.2, level + 6.0, words, 9.5, angle=90.0, room=14.0)
        pen.circle(x, level + 24.3, 2.5, FINE)
        pen.text(x, level + 23.2, str(number), 8.5, "middle", font=BOLD, room=4.4)


def _draw_heights(
    pen: Pen,
    sheet: Sheet,
    units: Units,
    place: Place,
    reach: float,
    part: Stretch,
    span: tuple[float, float],
) -> None:
    level = place.axis_mm - reach - 3.0
    marks = [m for m in sheet.marks if part.low_mm <= m.z_mm <= part.high_mm]
    if len(marks) > int((span[1] - span[0]) / LABEL_MM):  # only where a diameter is set
        marks = [m for m in marks if m.settings]
    heights = [m.z_mm for m in marks]
    labels = spread_labels([place.x(z) for z in heights], LABEL_MM, *span)
    for z, x in zip(heights, labels, strict=True):
        at = place.x(z)
        edge = place.axis_mm - _radius_near(sheet, z) * place.scale - 0.6
        pen.line(at, max(edge, level), at, level, FINE, grey=GREY)
        pen.line(at, level, x, level - 5.0, FINE, grey=GREY)
        pen.text(x + 1.2, level - 6.0, units.place(z), 9.5, "end", angle=90.0, room=13.0)


def _draw_table(
    pen: Pen,
    units: Units,
    settings: list[tuple[int, Setting]],
    shape: tuple[int, int],
    top: float,
    inner: float,
) -> None:
    rows, columns = shape
    y0 = heading(pen, EDGE_MM + 4.0, top - 4.0, f"Caliper settings, {units.name}", inner - 8.0)
    how = (
        f"Part down to the bold size: it leaves {left_words(units)} on the diameter. "
        "Then finish to the diameter beside it."
    )
    pen.text(pen.width_mm - EDGE_MM - 4.0, top - 4.0, how, 9, "end", room=inner - 60.0)
    width = (inner - 8.0) / columns
    for column in range(columns):
        some = settings[column * rows : (column + 1) * rows]
        if not some:
            continue
        x = EDGE_MM + 4.0 + column * width
        # Right ends of number, place and settings, left end of the words; inches need more room.
        at, what = x + (21.0 if units.inches else 15.0), x + (22.5 if units.inches else 16.5)
        set_at, exact_at = x + width - 28.0, x + width - 3.0
        set_room = 15.0 if units.inches else 12.0
        for where, words, anchor in (
            (at, "at", "end"),
            (what, "what", "start"),
            (set_at, "part to Ø", "end"),
            (exact_at, "finish Ø", "end"),
        ):
            pen.text(where, y0, words, 8, anchor, grey=GREY)
        for i, (number, s) in enumerate(some, start=1):
            y = y0 - i * ROW_MM
            pen.line(x, y - 1.5, x + width - 3.0, y - 1.5, FINE, grey=0.75)
            pen.text(x + 4.2, y, str(number), 9, "end", font=BOLD, room=4.2)
            pen.text(at, y, units.place(s.z_mm), 9.5, "end", room=at - x - 4.8)
            pen.text(what, y, what_words(s, units), 9.0, room=set_at - set_room - what - 1.5)
            words = setting_words(s, units)
            pen.text(set_at, y, words, 11, "end", font=BOLD, room=set_room)
            pen.text(exact_at, y, finish_words(s, units), 9, "end", room=23.0)
        if column:
            pen.line(x - 1.5, y0 + 2.0, x - 1.5, y0 - rows * ROW_MM - 1.5, MEDIUM)
