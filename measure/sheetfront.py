"""First page of a making sheet: the piece with its stations, and the caliper settings."""

from __future__ import annotations

import numpy as np

from measure.pdfpen import BOLD, FINE, MEDIUM, Pen
from measure.settings import Setting, setting_words
from measure.sheet import Sheet
from measure.sheetframe import EDGE_MM, TITLE_MM, Place, best_scale, draw_piece, frame, heading
from measure.storystick import spread_labels
from measure.units import Units

__all__ = ["draw_front", "what_words"]

ROW_MM = 5.3
COLUMNS, COLUMNS_IN_INCHES = 3, 2
ABOVE_MM, BELOW_MM = 31.0, 30.0
LABEL_MM = 5.4
GREY = 0.35
SHORTEST_DRAWING_MM = 88.0


def what_words(setting: Setting, units: Units) -> str:
    """Return what is turned there: bead 6 wide, 2.5 proud."""
    if setting.width_mm <= 0.0:
        return setting.name
    sense = "proud" if setting.name.startswith(("bead", "swell")) else "deep"
    wide, high = units.place(setting.width_mm), units.number(setting.height_mm)
    return f"{setting.name} {wide} wide, {high} {sense}"


def draw_front(pen: Pen, sheet: Sheet, units: Units, page: str) -> None:
    """Draw the page; settings beyond what fits go on pages of their own."""
    inner = pen.width_mm - 2 * EDGE_MM
    floor = EDGE_MM + TITLE_MM
    most_rows = int((pen.height_mm - EDGE_MM - floor - SHORTEST_DRAWING_MM - 14.0) / ROW_MM)
    settings = list(enumerate(sheet.settings, start=1))
    columns = COLUMNS_IN_INCHES if units.inches else COLUMNS
    rows = min(-(-len(settings) // columns), most_rows)
    table_top = floor + 4.0 + ROW_MM * (rows + 1) + 8.0
    first = settings[: rows * columns]
    scale = _draw_stations(pen, sheet, units, table_top + 2.0, [s for _, s in first])
    frame(pen, sheet, units, page, scale)
    _draw_table(pen, units, first, rows, table_top, inner)
    rest = settings[rows * columns :]
    while rest:
        pen.next_page()
        frame(pen, sheet, units, f"{page}, continued", "none")
        top = pen.height_mm - EDGE_MM - 4.0
        rows = int((top - floor - 12.0) / ROW_MM) - 1
        _draw_table(pen, units, rest[: rows * columns], rows, top, inner)
        rest = rest[rows * columns :]


def _draw_stations(
    pen: Pen, sheet: Sheet, units: Units, low: float, settings: list[Setting]
) -> str:
    high = pen.height_mm - EDGE_MM - 2.0
    wide = pen.width_mm - 2 * EDGE_MM - 24.0
    room = high - low - ABOVE_MM - BELOW_MM
    scale, words = best_scale(sheet.length_mm, sheet.largest_mm, wide, room)
    left = 0.5 * (pen.width_mm - sheet.length_mm * scale)
    place = Place(left, low + BELOW_MM + 0.5 * room, scale)
    draw_piece(pen, sheet, place)
    span = (EDGE_MM + 6.0, pen.width_mm - EDGE_MM - 6.0)
    reach = 0.5 * sheet.largest_mm * scale
    _draw_diameters(pen, sheet, units, place, reach, settings, span)
    _draw_heights(pen, sheet, units, place, reach, span)
    y = place.axis_mm - reach - BELOW_MM + 3.0
    ends = place.x(0.0), place.x(sheet.length_mm)
    # From the nearest labels down: the outermost heights stand on the ends themselves.
    pen.dimension(*ends, y, f"{units.number(sheet.length_mm)} {units.name}", 10)
    return words


def _radius_near(sheet: Sheet, z: float) -> float:
    """Return the larger r at a height, within half a millimetre."""
    near = np.abs(sheet.profile.z_mm - z) <= 0.5
    if not near.any():
        return 0.0
    return 0.5 * float(np.max(sheet.profile.diameter_mm[near]))


def _draw_diameters(
    pen: Pen,
    sheet: Sheet,
    units: Units,
    place: Place,
    reach: float,
    settings: list[Setting],
    span: tuple[float, float],
) -> None:
    level = place.axis_mm + reach + 3.0
    labels = spread_labels([place.x(s.z_mm) for s in settings], LABEL_MM, *span)
    for number, (setting, x) in enumerate(zip(settings, labels, strict=True), start=1):
        at = place.x(setting.z_mm)
        edge = place.axis_mm + 0.5 * setting.diameter_mm * place.scale + 0.6
        pen.line(at, min(edge, level), at, level, FINE, grey=GREY)
        pen.line(at, level, x, level + 5.0, FINE, grey=GREY)
        words = f"Ø {units.number(setting.diameter_mm)}"
        pen.text(x + 1.2, level + 6.0, words, 9.5, angle=90.0, room=14.0)
        pen.circle(x, level + 24.3, 2.5, FINE)
        pen.text(x, level + 23.2, str(number), 8.5, "middle", font=BOLD, room=4.4)


def _draw_heights(
    pen: Pen, sheet: Sheet, units: Units, place: Place, reach: float, span: tuple[float, float]
) -> None:
    level = place.axis_mm - reach - 3.0
    heights = [m.z_mm for m in sheet.marks]
    most = int((span[1] - span[0]) / LABEL_MM)
    if len(heights) > most:  # crowded: only where a diameter is set, and the ends
        ends = (sheet.marks[0], sheet.marks[-1])
        heights = [m.z_mm for m in sheet.marks if m.settings or m in ends]
        heights = heights[:most]
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
    rows: int,
    top: float,
    inner: float,
) -> None:
    columns = COLUMNS_IN_INCHES if units.inches else COLUMNS
    y0 = heading(pen, EDGE_MM + 4.0, top - 4.0, f"Caliper settings, {units.name}", inner - 8.0)
    width = (inner - 8.0) / columns
    for column in range(columns):
        some = settings[column * rows : (column + 1) * rows]
        if not some:
            continue
        x = EDGE_MM + 4.0 + column * width
        # Right ends of number, place and settings, left end of the words; inches need more room.
        at, what = x + (18.0 if units.inches else 15.0), x + (19.5 if units.inches else 16.5)
        set_at, exact_at = x + width - 28.0, x + width - 3.0
        set_room = 15.0 if units.inches else 12.0
        for where, words, anchor in (
            (at, "at", "end"),
            (what, "what", "start"),
            (set_at, "set to", "end"),
            (exact_at, "exact Ø", "end"),
        ):
            pen.text(where, y0, words, 8, anchor, grey=GREY)
        for i, (number, s) in enumerate(some, start=1):
            y = y0 - i * ROW_MM
            pen.line(x, y - 1.5, x + width - 3.0, y - 1.5, FINE, grey=0.75)
            pen.text(x + 4.0, y, str(number), 9, "end", font=BOLD)
            pen.text(at, y, units.place(s.z_mm), 9.5, "end", room=at - x - 4.8)
            pen.text(what, y, what_words(s, units), 9.0, room=set_at - set_room - what)
            words = setting_words(s.diameter_mm, units)
            pen.text(set_at, y, words, 11, "end", font=BOLD, room=set_room)
            pen.text(exact_at, y, _exact(s, units), 9, "end", room=23.0)
        if column:
            pen.line(x - 1.5, y0 + 2.0, x - 1.5, y0 - rows * ROW_MM - 1.5, MEDIUM)


def _exact(s: Setting, units: Units) -> str:
    value = units.fine(s.diameter_mm) if units.inches else f"{s.diameter_mm:.1f}"
    return f"{value} ±{units.spread(s.u95_mm)}" if s.u95_mm > 0.0 else value
