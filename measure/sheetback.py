"""Second page of a making sheet: section, blank, order of work, cautions."""

from __future__ import annotations

from measure.features import OUTLINE, Feature
from measure.pdfpen import BOLD, FINE, MEDIUM, Pen
from measure.settings import LOOSE_MM, MEASURE, limit_words
from measure.sheet import Sheet
from measure.sheetframe import (
    AS_MARKED,
    EDGE_MM,
    HEADING_MM,
    TITLE_MM,
    frame,
    heading,
    sense_word,
)
from measure.sheetsection import draw_bore_table, draw_section
from measure.speeds import SPEED_SOURCE
from measure.storystick import spread_labels
from measure.units import Units
from measure.wall import Section
from measure.woods import DENSITY_SOURCE

__all__ = ["draw_back", "feature_words"]

LARGEST_TEXT, SMALLEST_TEXT = 10.5, 6.6
LARGEST_WORDS, PARAGRAPH_MM = 8.2, 0.8
LARGEST_SIDE_MM, SMALLEST_SIDE_MM = 24.0, 16.0
"""Of the drawing of the blank's end."""
USUAL_SHARE, LARGEST_SHARE = 0.46, 0.54
"""Of the page's height that goes below a section."""
SPEEDS_MM = 25.5
LINE_MM = 5.4
SMALL_PAPER_MM = 190.0


def draw_back(pen: Pen, sheet: Sheet, units: Units) -> None:
    """Draw the page; on small paper the section has a page of its own."""
    left, right = EDGE_MM + 4.0, pen.width_mm - EDGE_MM - 4.0
    top, low = pen.height_mm - EDGE_MM - 7.0, EDGE_MM + TITLE_MM + 2.0
    section = sheet.section
    if section is None:
        under = _draw_words(pen, sheet, units, (left, right, top, low))
    elif pen.height_mm < SMALL_PAPER_MM:
        frame(pen, sheet, units, "section, boring", AS_MARKED)
        _draw_boring(pen, sheet, section, units, (left, right, top, low))
        pen.next_page()
        frame(pen, sheet, units, "blank, order of work", "")
        under = top
    else:
        frame(pen, sheet, units, "blank, boring, order of work", AS_MARKED)
        middle = low + _lower_share(pen, sheet, units, 0.31 * (right - left) - 6.0) * (top - low)
        _draw_boring(pen, sheet, section, units, (left, right, top, middle + 3.0))
        under = middle - 4.0
    wide = right - left
    work, care = left + 0.31 * wide, left + 0.68 * wide
    _draw_blank(pen, sheet, units, left, work - 6.0, under, low)
    y = _draw_list(pen, "Order of work", sheet.steps, work, care - 6.0, under, low + SPEEDS_MM)
    _draw_speeds(pen, sheet, work, care - 6.0, y - 3.0)
    _draw_list(pen, "Take care", sheet.cautions, care, right, under, low)


def _draw_boring(
    pen: Pen, sheet: Sheet, section: Section, units: Units, box: tuple[float, float, float, float]
) -> None:
    left, right, top, low = box
    split = left + 0.6 * (right - left)
    if pen.height_mm < SMALL_PAPER_MM:
        split = left + 0.5 * (right - left)
    draw_section(pen, sheet, section, units, left, split - 5.0, top, low)
    draw_bore_table(pen, sheet, section, units, split + 3.0, right, top, low)


def _draw_list(
    pen: Pen,
    title: str,
    items: tuple[str, ...],
    left: float,
    right: float,
    top: float,
    low: float,
) -> float:
    """Write numbered items as large as the space lets them be; return the y below."""
    y = heading(pen, left, top, title, right - left)
    size = LARGEST_TEXT
    while size > SMALLEST_TEXT and _height(pen, items, right - left - 5.0, size) > y - low:
        size -= 0.2
    for number, item in enumerate(items, start=1):
        pen.text(left + 3.0, y, str(number), size, "end", font=BOLD)
        y = pen.paragraph(left + 5.0, y, item, right - left - 5.0, size) - 0.9
    return y


def _draw_speeds(pen: Pen, sheet: Sheet, left: float, right: float, top: float) -> None:
    y = heading(pen, left, top, "Lathe speed, rev/min", right - left)
    width = (right - left) / 3.0
    speeds = sheet.speeds
    for i, (name, (slow, fast)) in enumerate(
        (("rough", speeds.roughing), ("shape", speeds.shaping), ("sand", speeds.sanding))
    ):
        pen.text(left + i * width, y + 0.8, name, 8.5)
        pen.text(left + i * width, y - 4.0, _speed(slow, fast), 10.5, font=BOLD, room=width - 2.0)
    pen.paragraph(left, y - 8.0, f"From {SPEED_SOURCE}.", right - left, 6.6)


def _speed(slow: int, fast: int) -> str:
    return f"{slow} to {fast}" if slow < fast else f"up to {fast}"


def _height(pen: Pen, items: tuple[str, ...], room: float, size: float) -> float:
    lines = sum(len(pen.wrapped(item, room, size)) for item in items)
    return lines * size * 25.4 / 72.0 * 1.25 + 0.9 * len(items)


def _draw_blank(
    pen: Pen, sheet: Sheet, units: Units, left: float, right: float, top: float, low: float
) -> None:
    y = heading(pen, left, top, f"Blank, {units.name}", right - left)
    for blank in sheet.blanks:
        size = f"{units.place(blank.side_mm)} × {units.place(blank.side_mm)} × "
        name = min(pen.text_width(blank.part, 9), 0.4 * (right - left))
        pen.text(left, y - 0.4, blank.part, 9, room=name)
        pen.text(right, y - 0.4, size + units.place(blank.length_mm), 11, "end", font=BOLD,
                 room=right - left - name - 2.0)  # fmt: skip
        y -= 5.6
    words, points, side = _blank_words(sheet, units), LARGEST_WORDS, LARGEST_SIDE_MM
    room = y - low - 5.5
    while points > SMALLEST_TEXT and _words_high(pen, words, right - left, points) + side > room:
        points -= 0.2
        side = max(side - 0.5, SMALLEST_SIDE_MM)
    y = _blank_pictures(pen, sheet, units, left, right, y - 1.0, side)
    for sentence in words:
        y = pen.paragraph(left, y, sentence, right - left, points) - PARAGRAPH_MM


def _lower_share(pen: Pen, sheet: Sheet, units: Units, wide: float) -> float:
    """Return how much of the page's height the blank needs below a section."""
    need = _words_high(pen, _blank_words(sheet, units), wide, LARGEST_WORDS)
    need += 12.0 + 5.6 * len(sheet.blanks) + LARGEST_SIDE_MM
    inner = pen.height_mm - 2 * EDGE_MM - TITLE_MM - 9.0
    return min(max(USUAL_SHARE, need / inner), LARGEST_SHARE)


def _words_high(pen: Pen, words: list[str], room: float, size: float) -> float:
    lines = sum(len(pen.wrapped(sentence, room, size)) for sentence in words)
    return lines * size * 25.4 / 72.0 * 1.25 + PARAGRAPH_MM * len(words)


def _blank_pictures(
    pen: Pen, sheet: Sheet, units: Units, left: float, right: float, y: float, side: float
) -> float:
    """Draw the blank's end with the piece inside it, and its layers; return the y below."""
    blank = sheet.blanks[-1]
    scale = side / blank.side_mm
    low = y - side
    if sheet.layers:
        total = sum(layer.planed_mm for layer in sheet.layers)
        scale = side / total
        at = low
        woods = list(dict.fromkeys(layer.wood.lower() for layer in sheet.layers))
        for layer in sheet.layers:
            high = layer.planed_mm * scale
            shade = 0.95 - 0.5 * woods.index(layer.wood.lower()) / len(woods)
            pen.box(left, at, side, high, FINE, shade)
            at += high
    pen.box(left, low, side, side, MEDIUM)
    middle = (left + 0.5 * side, low + 0.5 * side)
    pen.circle(*middle, 0.5 * sheet.largest_mm * scale, MEDIUM)
    pen.line(middle[0] - 2, middle[1], middle[0] + 2, middle[1], FINE)
    pen.line(middle[0], middle[1] - 2, middle[0], middle[1] + 2, FINE)
    x = left + side + 4.0
    if sheet.layers:
        _layer_labels(pen, sheet, units, x, right, low, side)
        return low - 4.5
    # The blank from the side: chucking and parting hatched, the piece between.
    long, allow = right - x, sheet.allow
    step = long / blank.length_mm
    bottom, high = low + 7.0, max(min(blank.side_mm * step, side - 9.0), 5.0)
    pen.box(x, bottom, long, high, MEDIUM)
    cuts = (allow.chucking_mm + allow.parting_mm, blank.length_mm - allow.squaring_mm)
    for cut in cuts:
        pen.line(x + cut * step, bottom, x + cut * step, bottom + high, FINE, (1.0, 0.8))
    if cuts[0] * step > 7.0:
        pen.text(x + 0.5 * cuts[0] * step, bottom + 0.5 * high - 1.0, "chuck", 8, "middle",
                 room=cuts[0] * step - 1.0)  # fmt: skip
    pen.text(x + 0.5 * (cuts[0] + cuts[1]) * step, bottom + 0.5 * high - 1.0,
             units.place(blank.finished_mm), 9, "middle")  # fmt: skip
    pen.dimension(x, right, low + 0.5, units.place(blank.length_mm), 9)
    return low - 4.5


def _layer_labels(
    pen: Pen, sheet: Sheet, units: Units, x: float, right: float, low: float, side: float
) -> None:
    total = sum(layer.planed_mm for layer in sheet.layers)
    places, at = [], 0.0
    for layer in sheet.layers:
        places.append(low + (at + 0.5 * layer.planed_mm) * side / total)
        at += layer.planed_mm
    labels = spread_labels(places, min(4.0, (side + 4.0) / len(places)), low, low + side)
    for layer, place, y in zip(sheet.layers, places, labels, strict=True):
        pen.line(x - 4.0, place, x - 0.5, y, FINE)
        words = f"{layer.wood} {units.number(layer.planed_mm)} (saw {units.number(layer.sawn_mm)})"
        pen.text(x, y - 1.0, words, 8.2, room=right - x)


def _blank_words(sheet: Sheet, units: Units) -> list[str]:
    a = sheet.allow
    words = [
        f"Allowed: {units.number(a.diameter_mm)} on the diameter; along the grain "
        f"{units.number(a.chucking_mm)} chucking, {units.number(a.parting_mm)} parting, "
        f"{units.number(a.squaring_mm)} squaring (common practice)."
    ]
    if sheet.gaps:
        words.append("What was not seen may be thicker: look before you saw.")
    if sheet.layers:
        faces = 2 * (len(sheet.layers) - 1)
        words.append(
            f"{len(sheet.layers)} layers, {faces} faces to glue; planed thickness (sawn beside). "
            "Bottom first in the order drawn, grain along the blank in every layer, rings "
            "alternating. Keep the joints symmetrical about the centre or they wander."
        )
    if sheet.plank is not None and sheet.count is not None:
        p = sheet.plank
        size = " × ".join(units.place(v) for v in (p.length_mm, p.width_mm, p.thickness_mm))
        what = "of the thickest layer" if sheet.layers else f"blanks ({sheet.blanks[-1].part})"
        words.append(f"Plank {size}: {sheet.count} {what}.")
    if sheet.density_kg_m3 is not None and sheet.blank_kg is not None:
        named = sheet.wood.replace(".", "").isdigit()
        source = "the density you gave" if named else DENSITY_SOURCE
        piece = f", piece {sheet.piece_kg * 1000:.0f} g" if sheet.piece_kg is not None else ""
        wood = "" if named else f"{'as if all were ' if sheet.layers else ''}{sheet.wood}; "
        words.append(
            f"Weight: blank {sheet.blank_kg:.2f} kg{piece}, at {sheet.density_kg_m3:.0f} kg/m³ "
            f"({wood}{source})."
        )
    return words


def feature_words(feature: Feature, units: Units) -> str:
    """Return a sentence: bead 6 wide, 2.5 proud, at 97."""
    f = feature
    at, wide = units.place(f.z_mid_mm), units.place(f.width_mm)
    if f.kind == "shoulder":
        a, b = units.number(f.diameter_from_mm), units.number(f.diameter_to_mm)
        return f"{at}: shoulder from Ø {a} to {b}"
    span = f"{units.place(f.z_from_mm)} to {units.place(f.z_to_mm)}"
    bow = f.kind in ("bead", "swell", "cove", "hollow") and not f.half
    part = f.from_gap or f.to_gap
    if part:
        span = f"seen {span}"
    if f.kind == OUTLINE:
        known = f"Ø {units.number(f.diameter_mm)} at {at}"
        return f"{span}: {known if f.u95_mm <= LOOSE_MM else MEASURE}"
    if part and bow:
        return f"{span}: {f.name} Ø {units.number(f.diameter_mm)} at {at}"
    if bow:
        high = f"{units.number(f.height_mm)} {sense_word(f.name, f.fine)}"
        return f"{span}: {f.name} {wide} wide, {high}, at {at}"
    if f.kind in ("cylinder", "fillet", "tenon"):
        return f"{span}: {f.name} Ø {units.number(f.diameter_mm)}{limit_words(f.fine)}"
    a, b = units.number(f.diameter_from_mm), units.number(f.diameter_to_mm)
    return f"{span}: {'outline' if part else f.name} Ø {a} to {b}"


def _draw_words(
    pen: Pen, sheet: Sheet, units: Units, box: tuple[float, float, float, float]
) -> float:
    """Say the piece in words, foot first; return the y where the blank may begin.

    On a page of its own if the paper is small or the words are many.
    """
    left, right, top, low = box
    lines = [feature_words(f, units) for f in sheet.features]
    lowest = low + 0.55 * (top - low)
    small = pen.height_mm < SMALL_PAPER_MM
    if small or len(lines) > 3 * _rows_between(top, lowest):
        frame(pen, sheet, units, "the piece in words", "")
        _draw_features(pen, units, lines, (left, right, top, low), 2 if small else 3)
        pen.next_page()
        frame(pen, sheet, units, "blank, order of work", "")
        return top
    frame(pen, sheet, units, "blank, order of work", "")
    return _draw_features(pen, units, lines, (left, right, top, lowest), 3) - 4.0


def _rows_between(top: float, lowest: float) -> int:
    """Return how many lines go under a heading."""
    return max(int((top - HEADING_MM - lowest) / LINE_MM), 1)


def _draw_features(
    pen: Pen, units: Units, lines: list[str], box: tuple[float, float, float, float], columns: int
) -> float:
    """Write the lines in two columns, in more if need be; return the y below."""
    left, right, top, lowest = box
    y0 = heading(pen, left, top, f"The piece from the foot, {units.name}", right - left)
    most = _rows_between(top, lowest)
    columns = 2 if len(lines) <= 2 * most else columns
    rows = min(-(-len(lines) // columns), most)
    width = (right - left) / columns
    if len(lines) > rows * columns:
        kept = rows * columns - 1
        lines = [*lines[:kept], f"and {len(lines) - kept} more, see the settings"]
    for i, line in enumerate(lines):
        x = left + (i // rows) * width
        pen.text(x, y0 - LINE_MM * (i % rows), line, 10, room=width - 6.0)
    return y0 - LINE_MM * rows - 2.0
