"""What the pages of a making sheet share: frame, title strip, the piece drawn to scale."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from measure.pdfpen import BOLD, FINE, HEAVY, MEDIUM, Pen
from measure.sheet import Sheet
from measure.stray import OVER_MM, Stray
from measure.units import Units

__all__ = [
    "AS_MARKED",
    "EDGE_MM",
    "HEADING_MM",
    "TITLE_MM",
    "Place",
    "best_scale",
    "draw_piece",
    "end_faces",
    "fair_words",
    "frame",
    "heading",
    "length_words",
    "sense_word",
    "shaft_words",
    "unseen_words",
]

AS_MARKED = "Scale as marked"
NO_DRAWING = "No drawing to scale here"
EDGE_MM = 8.0
TITLE_MM = 17.0
HEADING_MM = 6.2
CELLS, SMALL_CELLS, SMALL_MM = (0.0, 0.42, 0.6, 0.78, 1.0), (0.0, 0.3, 0.49, 0.68, 1.0), 220.0
"""Where the cells of the title strip begin; a page no wider than this leaves the name less."""
CORNER_RAD = 0.2
BESIDE_MM = 2.0
SHAFT_LOOSE_MM = 0.3
"""A length known no worse than this needs no word of warning (common practice, no source)."""

SCALES = (
    (5.0, "5 : 1"),
    (2.0, "2 : 1"),
    (1.0, "full size"),
    (0.75, "three-quarter size"),
    (0.5, "half size"),
    (1 / 3, "1 : 3"),
    (0.25, "1 : 4"),
    (0.2, "1 : 5"),
    (0.125, "1 : 8"),
    (0.1, "1 : 10"),
    (0.05, "1 : 20"),
    (0.02, "1 : 50"),
)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a drawing of the piece lies: paper x of z = 0, paper y of the axis, mm per mm."""

    x0_mm: float
    axis_mm: float
    scale: float

    def x(self, z: float) -> float:
        """Return the paper x of a height."""
        return self.x0_mm + self.scale * z


def best_scale(length_mm: float, height_mm: float, wide: float, high: float) -> tuple[float, str]:
    """Return the largest scale in workshop use at which a piece fits a space."""
    for scale, words in SCALES:
        if length_mm * scale <= wide and height_mm * scale <= high:
            return scale, words
    scale = min(wide / length_mm, high / height_mm)
    return scale, f"1 : {1.0 / scale:.0f}"


def frame(pen: Pen, sheet: Sheet, units: Units, page: str, scale: str) -> None:
    """Draw the border and the title strip along the foot of the page.

    `scale` in words, such as "half size"; empty where nothing is drawn to scale.
    """
    w, h = pen.width_mm - 2 * EDGE_MM, pen.height_mm - 2 * EDGE_MM
    pen.box(EDGE_MM, EDGE_MM, w, h, HEAVY)
    top = EDGE_MM + TITLE_MM
    pen.line(EDGE_MM, top, EDGE_MM + w, top, MEDIUM)
    cells = CELLS if w > SMALL_MM else SMALL_CELLS
    for share in cells[1:-1]:
        pen.line(EDGE_MM + share * w, EDGE_MM, EDGE_MM + share * w, top, FINE)
    x = [EDGE_MM + share * w + 3.0 for share in cells]
    room = [(b - a) * w - 5.0 for a, b in pairwise(cells)]
    pen.text(x[0], top - 7.5, sheet.name, 16, font=BOLD, room=room[0])
    subject = f"Making sheet: {page}" + (f". {sheet.taken}." if sheet.taken else "")
    pen.text(x[0], EDGE_MM + 3.5, subject, 9.5, room=room[0])
    lengths = [f"Length {length_words(sheet, units)}"]
    if any(notice.code == "end-cut" for notice in sheet.notices):
        lengths.append("cut off by the photo")
    elif not sheet.is_seen_to_the_ends:
        lengths.append("not seen to the end")
    lengths.append(f"Largest Ø {units.number(sheet.largest_mm)} {units.name}")
    drawn = scale if scale.startswith(AS_MARKED) else f"Drawn {scale}"
    where = [drawn if scale else NO_DRAWING, "Places from the foot end"]
    for i, lines in enumerate((lengths, where, _known(sheet, units)), start=1):
        step = (TITLE_MM - 4.0) / len(lines)
        for k, words in enumerate(lines):
            y = top - 2.0 - (k + 0.5) * step - 1.4
            pen.text(x[i], y, words, 10.0 if len(lines) < 3 else 9.0, room=room[i])


def length_words(sheet: Sheet, units: Units) -> str:
    """Return the overall length with its ± and unit, as far as these are known."""
    words = units.number(sheet.length_mm)
    if sheet.length_u95_mm is None:
        return f"{words} {units.name}"
    spread = units.spread(sheet.length_u95_mm)
    # A fraction and a decimal side by side need the unit between them.
    return f"{words} in ±{spread}" if units.inches else f"{words} ±{spread} mm"


def sense_word(name: str, fine: str) -> str:
    """Return what the height of a bead or cove says; of a narrow one it is the least."""
    return f"or {fine}" if fine else "proud" if name.startswith(("bead", "swell")) else "deep"


def shaft_words(sheet: Sheet, cut_mm: float, units: Units) -> str:
    """Say to what length to cut the shaft; no better known than the piece's own length."""
    words = f"Cut the shaft to {units.number(cut_mm)} {units.name}"
    u95 = sheet.length_u95_mm
    if u95 is None or u95 < SHAFT_LOOSE_MM:
        return words
    return f"{words} ±{units.spread(u95)}, no surer than the length: leave it long, cut by trial"


def fair_words(stray: Stray, units: Units) -> str:
    """Say how far the fair curve is from the measurement, and what may be noise."""
    u, spread = units.name, units.spread
    over = units.place(OVER_MM)
    return (
        f"Fair curve: over any {over} {u} on average within Ø {spread(stray.mean_mm)} {u} of the "
        f"measurement, known to ±{spread(stray.mean_allowed_mm)} there; single rows up to "
        f"{spread(stray.distance_mm)} (±{spread(stray.allowed_mm)}), "
        f"{100.0 * stray.share_outside:.1f} % beyond their own ±."
    )


def _known(sheet: Sheet, units: Units) -> list[str]:
    """Say how the outline came about, and how well settings and outline are known."""
    u95 = sheet.profile.u95_mm
    if sheet.stray is not None:
        drawn = "Lines and arcs fitted to the piece"
    elif sheet.traced:
        drawn = "Drawn as the photo shows the piece"
    else:
        drawn = "Drawn as planned"
    if float(np.max(u95)) <= 0.0:
        return ["Diameters from a plan", drawn]
    own = [s.u95_mm for s in sheet.settings if s.is_known]
    known = [f"Settings {_spreads(own, units)}"] if own else []
    return [*known, f"Outline {_spreads(u95.tolist(), units)}{_where_worst(sheet)}", drawn]


def _where_worst(sheet: Sheet) -> str:
    """Say that the outline is known worst where the error of z is an error of the diameter."""
    z = float(sheet.profile.z_mm[int(np.argmax(sheet.profile.u95_mm))])
    steps = [f for f in sheet.features if f.kind == "shoulder"]
    if any(f.z_from_mm - BESIDE_MM <= z <= f.z_to_mm + BESIDE_MM for f in steps):
        return " at a step"
    edges = [e for gap in sheet.gaps for e in (gap.z_from_mm, gap.z_to_mm)]
    return " at a gap" if any(abs(z - e) <= BESIDE_MM for e in edges) else ""


def _spreads(u95: list[float], units: Units) -> str:
    usual, worst = units.spread(float(np.median(u95))), units.spread(max(u95))
    return f"Ø ±{usual}" + (f", worst ±{worst}" if worst != usual else "") + f" {units.name}"


def heading(pen: Pen, x: float, y: float, words: str, room: float) -> float:
    """Write a heading with a rule under it; return the y of the first line of text below."""
    pen.text(x, y, words, 11, font=BOLD, room=room)
    pen.line(x, y - 1.6, x + room, y - 1.6, MEDIUM)
    return y - HEADING_MM


def draw_piece(pen: Pen, sheet: Sheet, place: Place, edges: bool = True) -> None:
    """Draw both sides, end faces, edges that run round the piece, axis and unseen stretches."""
    s = place.scale
    for chain in sheet.chains:
        for side in (1.0, -1.0):
            pen.chain(chain, (place.x0_mm, place.axis_mm), (s, side * s), 0.4)
        for k in range(len(chain.bulge)):
            if chain.is_shoulder(k) and edges:
                r = float(max(chain.r_mm[k], chain.r_mm[k + 1])) * s
                x = place.x(float(chain.z_mm[k]))
                pen.line(x, place.axis_mm - r, x, place.axis_mm + r, MEDIUM)
    for z, row in end_faces(sheet):
        r = 0.5 * float(sheet.profile.diameter_mm[row]) * s
        pen.line(place.x(z), place.axis_mm - r, place.x(z), place.axis_mm + r, 0.4)
    if edges:
        for z, r in _corners(sheet):
            x = place.x(z)
            pen.line(x, place.axis_mm - r * s, x, place.axis_mm + r * s, 0.18)
    pen.line(place.x(0.0) - 6.0, place.axis_mm, place.x(sheet.length_mm) + 6.0, place.axis_mm,
             FINE, (8.0, 1.5, 1.0, 1.5))  # fmt: skip
    for gap in sheet.gaps:
        _draw_gap(pen, sheet, place, gap.z_from_mm, gap.z_to_mm)


def end_faces(sheet: Sheet) -> list[tuple[float, int]]:
    """Return (z, row) of the ends that were seen."""
    open_at = {z for gap in sheet.gaps for z in (gap.z_from_mm, gap.z_to_mm)}
    return [(z, row) for z, row in ((0.0, 0), (sheet.length_mm, -1)) if z not in open_at]


def unseen_words(sheet: Sheet, units: Units) -> str:
    """Say in one line how much was not seen; empty if all was."""
    if not sheet.gaps:
        return ""
    seen = f"{units.place(sheet.unseen_mm)} of {units.place(sheet.length_mm)} {units.name}"
    return f"Dashed: {seen} not seen, measure these places at the piece before you turn them."


def _corners(sheet: Sheet) -> list[tuple[float, float]]:
    """Return (z, r) where features meet at a corner; flowing joints have no edge."""
    z, d = sheet.profile.z_mm, sheet.profile.diameter_mm
    found = []
    for f in sheet.features[1:]:
        if f.kind == "shoulder" or f.from_gap or not 1.0 < f.z_from_mm < sheet.length_mm - 1.0:
            continue
        at = np.array([f.z_from_mm - 1.0, f.z_from_mm, f.z_from_mm + 1.0])
        r = 0.5 * np.interp(at, z, d)
        turn = abs(float(np.arctan(r[2] - r[1]) - np.arctan(r[1] - r[0])))
        if turn > CORNER_RAD:
            found.append((f.z_from_mm, 0.5 * f.diameter_from_mm))
    return found


def _draw_gap(pen: Pen, sheet: Sheet, place: Place, low: float, high: float) -> None:
    r = 0.5 * sheet.largest_mm * place.scale
    x0, x1 = place.x(low), place.x(high)
    pen.box(x0, place.axis_mm - r, x1 - x0, 2.0 * r, FINE, None, (1.0, 1.0))
    # Between the axis and the edge, and clear of both and of the sides.
    words, size, across = "not seen", 8.0, r - 2.0
    wide = pen.text_width(words, size)
    if x1 - x0 > 5.0 and across >= 0.75 * wide:
        pen.text(0.5 * (x0 + x1) + 1.0, place.axis_mm + 0.5 * r, words, size, "middle", angle=90.0,
                 room=across)  # fmt: skip
    elif x1 - x0 > wide + 2.0 and across > 2.0:
        pen.text(0.5 * (x0 + x1), place.axis_mm + 0.5 * r - 1.0, words, size, "middle")
