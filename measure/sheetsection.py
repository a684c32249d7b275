"""The section on a making sheet: bores in the piece, the wall beside them, what to bore when."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from measure.inches import MM_PER_INCH
from measure.mechanism import FOOT
from measure.pdfpen import BOLD, FINE, MEDIUM, Pen
from measure.sheet import Sheet
from measure.sheetframe import Place, best_scale, draw_piece, heading, shaft_words
from measure.storystick import spread_labels
from measure.units import Units
from measure.wall import Section, Wall

__all__ = ["draw_bore_table", "draw_section"]

FloatArray = NDArray[np.float64]

WOOD = 0.88
GRAPH_MM = 20.0
MOST_THIN = 6
GRAPH_TOP_MM = 20.0
"""Walls beyond this are drawn at it: what is thick needs no reading."""


def draw_section(
    pen: Pen, sheet: Sheet, section: Section, units: Units,
    left: float, right: float, top: float, low: float,
) -> None:  # fmt: skip
    """Draw the cut piece between left and right, and the graph of its wall below it."""
    y = heading(pen, left, top, "Section", right - left)
    body_top, body_low = y - 4.5, low + GRAPH_MM + 11.0
    scale, words = best_scale(
        sheet.length_mm, sheet.largest_mm, right - left - 20.0, body_top - body_low
    )
    x0 = left + 10.0 + 0.5 * (right - left - 20.0 - scale * sheet.length_mm)
    place = Place(x0, 0.5 * (body_top + body_low), scale)
    thin = (
        f"arrows: wall below {units.number(section.min_wall_mm)} at worst; " if section.thin else ""
    )
    pen.text(right, top, f"{thin}scale: {words}", 9, "end")
    _fill_wood(pen, sheet, place)
    for wall in section.walls:
        _draw_bore_rooms(pen, wall, place)
    draw_piece(pen, sheet, place, edges=False)
    _draw_joint(pen, sheet, section, place)
    _draw_thin(pen, section, units, place, 0.5 * sheet.largest_mm * scale)
    _draw_graph(pen, sheet, section, units, place, low + 7.0)


def _fill_wood(pen: Pen, sheet: Sheet, place: Place) -> None:
    for piece in sheet.profile.pieces():
        z, r = sheet.profile.z_mm[piece], 0.5 * sheet.profile.diameter_mm[piece]
        x = place.x0_mm + place.scale * z
        ring = np.concatenate(
            [
                np.column_stack([x, place.axis_mm + place.scale * r]),
                np.column_stack([x, place.axis_mm - place.scale * r])[::-1],
            ]
        )
        pen.polygon(ring, WOOD)


def _draw_bore_rooms(pen: Pen, wall: Wall, place: Place) -> None:
    """Clear what the bores take out and draw their edges; heights come from the wall's rows."""
    bore = wall.bore_mm
    cuts = np.flatnonzero(np.abs(np.diff(bore)) > 1e-9) + 1
    edges = [0, *cuts.tolist(), len(bore)]
    for a, b in pairwise(edges):
        if bore[a] <= 0.0:
            continue
        x0, x1 = place.x(float(wall.height_mm[a])), place.x(float(wall.height_mm[b - 1]))
        r = 0.5 * float(bore[a]) * place.scale
        pen.box(x0, place.axis_mm - r, x1 - x0, 2.0 * r, MEDIUM, 1.0)


def _draw_joint(pen: Pen, sheet: Sheet, section: Section, place: Place) -> None:
    if len(section.parts) < 2:
        return
    body, cap = section.parts
    x = place.x(cap.low_mm)
    r = 0.5 * sheet.largest_mm * place.scale
    pen.line(x, place.axis_mm - r - 3.0, x, place.axis_mm + r + 3.0, MEDIUM, (3.0, 1.5))
    if body.neck_mm is not None:
        neck, top = 0.5 * body.neck_mm[0] * place.scale, place.x(body.high_mm)
        inside = 0.5 * _bore_at(section.walls[0], body.high_mm) * place.scale
        for side in (1.0, -1.0):
            low = place.axis_mm + (inside if side > 0.0 else -neck)
            pen.box(x, low, top - x, neck - inside, MEDIUM, WOOD)


def _bore_at(wall: Wall, height: float) -> float:
    return float(wall.bore_mm[int(np.argmin(np.abs(wall.height_mm - height)))])


def _draw_thin(pen: Pen, section: Section, units: Units, place: Place, reach: float) -> None:
    """Point at the thin places and write what is left there at worst."""
    level = place.axis_mm + reach + 2.0
    labels = spread_labels([place.x(t.at_mm) for t in section.thin], 9.0, place.x(0.0) - 5.0, 1e4)
    for thin, at in zip(section.thin, labels, strict=True):
        wall = next(w for w in section.walls if w.part == thin.part)
        i = int(np.argmin(np.abs(wall.height_mm - thin.at_mm)))
        x = place.x(thin.at_mm)
        rim = place.axis_mm + 0.5 * float(np.nan_to_num(wall.outside_mm[i])) * place.scale
        pen.line(at, level + 2.5, x, level, FINE)
        pen.arrow(x, level, x, rim, 2.2)
        pen.text(at, level + 3.2, units.number(thin.worst_mm), 9.5, "middle", font=BOLD)


def _draw_graph(
    pen: Pen, sheet: Sheet, section: Section, units: Units, place: Place, low: float
) -> None:
    high = low + GRAPH_MM
    x0, x1 = place.x(0.0), place.x(sheet.length_mm)
    pen.line(x0, low, x1, low, FINE)
    pen.line(x0, low, x0, high, FINE)
    tallest = max((float(np.nanmax(w.nominal_mm)) for w in section.walls
                   if np.isfinite(w.nominal_mm).any()), default=10.0)  # fmt: skip
    top = min(max(tallest, 1.6 * section.min_wall_mm), GRAPH_TOP_MM)
    step = GRAPH_MM / top
    pen.text(x0, high + 1.2, f"Wall, {units.name}: line as planned, broken line at worst", 8.5)
    for value in _ticks(top, units):
        pen.line(x0 - 1.2, low + value * step, x0, low + value * step, FINE)
        pen.text(x0 - 2.0, low + value * step - 1.0, units.number(value), 7.5, "end")
    least = low + section.min_wall_mm * step
    pen.line(x0, least, x1, least, FINE, (1.0, 1.0))
    pen.text(x1 + 1.0, least - 1.0, f"min {units.number(section.min_wall_mm)}", 8)
    fine, named = _height_steps(sheet.length_mm, units)
    for k, z in enumerate(np.arange(0.0, sheet.length_mm + 0.1, fine)):
        pen.line(place.x(float(z)), low, place.x(float(z)), low - 1.0, FINE)
        if k % named == 0:
            pen.text(place.x(float(z)), low - 4.2, units.place(float(z)), 8, "middle")
    for wall in section.walls:
        for values, dash, width in ((wall.nominal_mm, (), 0.35), (wall.worst_mm, (1.2, 0.8), 0.18)):
            _draw_run(pen, wall.height_mm, values, place, (low, step, top), dash, width)


def _draw_run(
    pen: Pen, height: FloatArray, values: FloatArray, place: Place,
    graph: tuple[float, float, float], dash: tuple[float, ...], width: float,
) -> None:  # fmt: skip
    low, step, top = graph
    good = np.isfinite(values)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(np.int8), [0]])))
    for a, b in edges.reshape(-1, 2):
        if b - a < 2:
            continue
        x = place.x0_mm + place.scale * height[a:b]
        y = low + step * np.clip(values[a:b], 0.0, top)
        pen.polyline(np.column_stack([x, y]), width, dash)


def _ticks(top: float, units: Units) -> list[float]:
    wide, close = (0.25 * MM_PER_INCH, 0.125 * MM_PER_INCH) if units.inches else (5.0, 2.0)
    step = wide if top > 8.0 else close
    return [float(v) for v in np.arange(0.0, top + 1e-9, step)]


def _height_steps(length_mm: float, units: Units) -> tuple[float, int]:
    """Return the spacing of the ticks along the piece, mm, and every how many is named."""
    if units.inches:
        return (0.5 * MM_PER_INCH, 4) if length_mm < 350.0 else (2.0 * MM_PER_INCH, 2)
    if length_mm < 350.0:
        return 10.0, 5 if length_mm > 120.0 else 2
    return (50.0, 2) if length_mm < 1500.0 else (200.0, 1)


def draw_bore_table(
    pen: Pen,
    sheet: Sheet,
    section: Section,
    units: Units,
    left: float,
    right: float,
    top: float,
    low: float,
) -> None:
    """Write the bores in the order to bore them, depth stops, neck, shaft and thin places."""
    y = heading(pen, left, top, f"Boring, {units.name}, in this order", right - left)
    for at, words, anchor in ((6.0, "bore", "start"), (right - left - 48.0, "from", "start"),
                              (right - left - 20.0, "Ø", "end"),
                              (right - left, "stop at depth", "end")):  # fmt: skip
        pen.text(left + at, y + 0.6, words, 8, anchor, grey=0.35)
    for number, placed in enumerate(section.bores, start=1):
        y -= 5.2
        b = placed.bore
        pen.text(left + 3.5, y, str(number), 9, "end", font=BOLD)
        name = f"{b.name} ({b.diameter_mm:g} mm)" if units.inches else b.name
        pen.text(left + 6.0, y, name, 9, room=right - left - 56.0)
        where = "foot" if b.from_end == FOOT else "top"
        pen.text(right - 48.0, y, f"{b.part} {where}", 9, room=18.0)
        pen.text(right - 20.0, y, units.number(b.diameter_mm), 11, "end", font=BOLD)
        stop = "through" if b.depth_mm is None else units.number(b.depth_mm)
        pen.text(right, y, stop, 10, "end", font=BOLD)
        pen.line(left, y - 1.5, right, y - 1.5, FINE, grey=0.75)
    y -= 7.0
    notes, size = _notes(sheet, section, units), 9.0
    while (
        size > 6.6
        and sum(len(pen.wrapped(n, right - left, size)) * size * 0.441 + 1.0 for n in notes)
        > y - low + 3.0
    ):
        size -= 0.2
    for words in notes:
        y = pen.paragraph(left, y, words, right - left, size) - 1.0


def _notes(sheet: Sheet, section: Section, units: Units) -> list[str]:
    notes = [sheet.first_drill]
    if section.recess_mm is not None:
        recess, neck = section.recess_mm
        neck_part = section.parts[0].neck_mm
        long = f", {units.number(neck_part[1])} long" if neck_part else ""
        notes.append(
            f"Neck Ø {units.number(neck)}{long}, in the recess of {units.number(recess)}: "
            f"{units.number(recess - neck)} {units.name} of clearance to turn by hand."
        )
    mechanism = sheet.mechanism
    if mechanism is not None and mechanism.shaft_length_mm is not None:
        if section.shaft_cut_mm is not None:
            cut, sold = section.shaft_cut_mm, mechanism.shaft_length_mm
            words = f"{shaft_words(sheet, cut, units)} (sold {units.number(sold)})"
            if cut > sold:
                words = (
                    f"The shaft must be {units.number(cut)} {units.name} long; the one sold, "
                    f"{units.number(sold)}, is too short"
                )
            notes.append(f"{words}, held by {mechanism.shaft_fixed_by}. Try the real part first.")
        else:
            notes.append("The mechanism file does not say where the shaft sits: cut it by trial.")
    thinnest = sorted(section.thin, key=lambda t: t.worst_mm)
    for thin in thinnest[:MOST_THIN]:
        span = units.span(thin.from_mm, thin.to_mm)
        if units.place(thin.from_mm) == units.place(thin.to_mm):
            span = f"{units.place(thin.from_mm)} {units.name}"
        notes.append(
            f"Thin, {thin.part}, {span}: {units.number(thin.nominal_mm)} left at "
            f"{units.place(thin.at_mm)}, {units.number(thin.worst_mm)} at worst."
        )
    if len(thinnest) > MOST_THIN:
        notes.append(f"{len(thinnest) - MOST_THIN} more thin places: see the arrows.")
    if not section.thin:
        notes.append(
            f"No wall below {units.number(section.min_wall_mm)} {units.name} where it was seen."
        )
    notes.append("A through bore longer than the bit: half way from each end.")
    return [n for n in notes if n]
