"""The deviation strip: the piece to scale, and below it how proud or shy it is, place by place.

Proud stands above the line and is filled; shy hangs below it and is hatched; what is too close
to call has a dotted bar: no colour is needed to read it.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from measure.check import CheckResult
from measure.judge import OUTSIDE, UNSURE, WITHIN
from measure.places import Place
from measure.sketch import Area, Item, Sketch, Stroke, Words
from measure.units import Units

__all__ = ["check_strip", "numbered"]

FloatArray = NDArray[np.float64]

SCALES = (1.0, 0.5, 0.4, 0.2, 0.1, 0.05)
MAGNIFICATIONS = (50.0, 20.0, 10.0, 5.0, 2.0, 1.0, 0.5)
_MARGIN_MM = 12.0
_TALLEST_PIECE_MM = 78.0
_STRIP_HALF_MM = 16.0
_GAP_MM = 0.5
_LABEL_MM = 2.8
_MOST_NUMBERED = 9
PROUD, SHY, BAND, WOOD = "#b4541a", "#1f5f8b", "#dddddd", "#f3e7d3"


@dataclass(frozen=True, slots=True)
class _Frame:
    """Plan millimetres to the sheet's."""

    scale: float
    left: float
    start_mm: float
    middle: float
    zero: float
    magnification: float
    half: bool

    def x(self, z: FloatArray | float) -> FloatArray:
        return np.asarray(self.left + (np.asarray(z) - self.start_mm) * self.scale)

    def rise(self, deviation: FloatArray | float) -> FloatArray:
        high = np.clip(np.asarray(deviation) * self.magnification, -_STRIP_HALF_MM, _STRIP_HALF_MM)
        return np.asarray(self.zero - high)


def numbered(result: CheckResult) -> tuple[Place, ...]:
    """Return the places that carry a number in the strip and the lists, in that order."""
    return tuple(place for place in result.places if place.verdict != WITHIN)[:_MOST_NUMBERED]


def check_strip(
    result: CheckResult, units: Units, widest_mm: float = 255.0, *, half: bool = False
) -> Sketch:
    """Return the drawing, at most `widest_mm` wide, at 1:1 along the axis where that fits.

    `half` draws the piece above its axis only, to save room.
    """
    plan, rows = result.plan, result.rows
    start = min(plan.start_mm, float(rows.z_mm[0]))
    end = max(plan.end_mm, float(rows.z_mm[-1]))
    thick = float(np.nanmax(np.concatenate([plan.diameter_mm, rows.diameter_mm])))
    room = widest_mm - 2.0 * _MARGIN_MM
    tall = thick / 2.0 if half else thick
    fits = [s for s in SCALES if (end - start) * s <= room and tall * s <= _TALLEST_PIECE_MM]
    scale = fits[0] if fits else SCALES[-1]
    largest = float(np.max(np.abs(rows.deviation_mm) + rows.u95_mm, initial=0.0))
    limit = float(np.max(np.maximum(rows.proud_mm, rows.shy_mm)))
    wanted = max(min(largest, 4.0 * limit), 1.3 * limit, 0.05)
    magnification = next(
        (m for m in MAGNIFICATIONS if m * wanted <= _STRIP_HALF_MM), MAGNIFICATIONS[-1]
    )
    radius = thick * scale / 2.0
    middle = 9.0 + radius
    foot = middle + (0.0 if half else radius) + 2.0
    zero = foot + 15.0 + _STRIP_HALF_MM
    frame = _Frame(scale, _MARGIN_MM, start, middle, zero, magnification, half)
    width = (end - start) * scale + 2.0 * _MARGIN_MM
    items: list[Item] = [
        *_piece(frame, result),
        *_numbers(frame, result),
        *_ruler(frame, foot, start, end, units),
        *_strip(frame, result),
        *_verdict_bar(frame, result),
        *_legend(frame, limit, units),
    ]
    return Sketch(max(width, 150.0), zero + _STRIP_HALF_MM + 15.0, tuple(items))


def _runs(z: FloatArray) -> list[slice]:
    edges = [0, *(np.nonzero(np.diff(z) > _GAP_MM + 1e-9)[0] + 1).tolist(), len(z)]
    return [slice(a, b) for a, b in pairwise(edges) if b > a]


def _piece(frame: _Frame, result: CheckResult) -> list[Item]:
    """Draw the measured piece filled, and the plan over it as a dashed line."""
    rows, plan = result.rows, result.plan
    items: list[Item] = []
    for run in _runs(rows.z_mm):
        x, r = frame.x(rows.z_mm[run]), rows.diameter_mm[run] / 2.0 * frame.scale
        there = np.column_stack([x, frame.middle - r])
        back = np.column_stack([x, frame.middle + (0.0 * r if frame.half else r)])
        ring = np.vstack([there, back[::-1]])
        items += [Area(ring, WOOD), Stroke(np.vstack([ring, ring[:1]]), 0.3)]
    for run in _runs(plan.z_mm) if np.isfinite(plan.longest_bridge_mm) else [slice(None)]:
        x, r = frame.x(plan.z_mm[run]), plan.diameter_mm[run] / 2.0 * frame.scale
        for sign in (-1.0,) if frame.half else (-1.0, 1.0):
            line = np.column_stack([x, frame.middle + sign * r])
            items.append(Stroke(line, 0.2, "#555555", (1.5, 0.8)))
    x0, x1 = frame.x(plan.start_mm) - 4.0, frame.x(plan.end_mm) + 4.0
    axis = np.array([[x0, frame.middle], [x1, frame.middle]])
    return [*items, Stroke(axis, 0.15, "#111111", (4.0, 1.5))]


def _numbers(frame: _Frame, result: CheckResult) -> list[Item]:
    items: list[Item] = []
    taken: list[float] = []
    for index, place in enumerate(numbered(result), 1):
        x = float(frame.x(place.z_mm))
        row = 0 if all(abs(x - other) > 7.0 for other in taken) else 1
        taken.append(x)
        y = 3.4 + 3.6 * row
        items.append(Words(x, y, str(index), 3.2, "middle", bold=True))
        top = frame.middle - place.diameter_mm / 2.0 * frame.scale
        items.append(Stroke(np.array([[x, y + 0.8], [x, top]]), 0.2))
        for edge in (place.z_from_mm, place.z_to_mm):
            at = float(frame.x(edge))
            low, high = frame.zero + _STRIP_HALF_MM, frame.zero - _STRIP_HALF_MM
            line = np.array([[at, low], [at, high]])
            items.append(Stroke(line, 0.12, "#777777", (0.6, 0.9)))
        above = frame.zero - _STRIP_HALF_MM - 1.0 - 3.6 * row
        items.append(Words(x, above, str(index), 3.2, "middle", bold=True))
    return items


def _ruler(frame: _Frame, y: float, start: float, end: float, units: Units) -> list[Item]:
    unit = 25.4 / 2.0 if units.inches else 10.0
    while unit * frame.scale < 8.0:
        unit *= 2.0
    items: list[Item] = []
    for k in range(int(np.ceil(start / unit)), int(end / unit + 1e-9) + 1):
        x = float(frame.x(k * unit))
        items.append(Stroke(np.array([[x, y], [x, y + 1.5]]), 0.2))
        items.append(Words(x, y + 4.6, units.place(k * unit), 2.6, "middle"))
    line = np.array([[float(frame.x(start)), y], [float(frame.x(end)), y]])
    name = Words(float(frame.x(end)) + 3.0, y + 4.6, units.name, 2.6)
    return [*items, Stroke(line, 0.2), name]


def _strip(frame: _Frame, result: CheckResult) -> list[Item]:
    rows = result.rows
    items: list[Item] = []
    for run in _runs(rows.z_mm):
        x, d, u = frame.x(rows.z_mm[run]), rows.deviation_mm[run], rows.u95_mm[run]
        high = np.column_stack([x, frame.rise(d + u)])
        low = np.column_stack([x, frame.rise(d - u)])
        items.append(Area(np.vstack([high, low[::-1]]), BAND))
        items += _proud_and_shy(frame, x, d)
        for limit in (rows.proud_mm[run], -rows.shy_mm[run]):
            items.append(
                Stroke(np.column_stack([x, frame.rise(limit)]), 0.3, "#111111", (2.0, 1.0))
            )
        items.append(Stroke(np.column_stack([x, frame.rise(d)]), 0.35))
    ends = frame.x(np.array([rows.z_mm[0], rows.z_mm[-1]]))
    items.append(Stroke(np.array([[ends[0], frame.zero], [ends[1], frame.zero]]), 0.2))
    return items


def _proud_and_shy(frame: _Frame, x: FloatArray, d: FloatArray) -> list[Item]:
    """Fill what is proud; hatch what is shy with upright lines 1 mm apart."""
    proud = np.vstack(
        [
            np.column_stack([x, frame.rise(np.maximum(d, 0.0))]),
            np.array([[x[-1], frame.zero], [x[0], frame.zero]]),
        ]
    )
    items: list[Item] = [Area(proud, PROUD)]
    for at in np.arange(np.ceil(x[0]), x[-1], 1.0):
        foot = float(frame.rise(float(np.interp(at, x, d))))
        if foot > frame.zero + 0.15:
            items.append(Stroke(np.array([[at, frame.zero], [at, foot]]), 0.3, SHY))
    return items


def _verdict_bar(frame: _Frame, result: CheckResult) -> list[Item]:
    """Draw a bar under the strip: block outside, dots too close to call, thin line within."""
    rows = result.rows
    y = frame.zero + _STRIP_HALF_MM + 2.5
    items: list[Item] = []
    for run in _runs(rows.z_mm):
        z, verdict = rows.z_mm[run], rows.verdict[run]
        changes = np.nonzero(verdict[1:] != verdict[:-1])[0] + 1
        for part in np.split(np.arange(len(z)), changes):
            x0 = float(frame.x(z[part[0]])) - 0.12 * frame.scale
            x1 = float(frame.x(z[part[-1]])) + 0.12 * frame.scale
            items += _bar(str(verdict[part[0]]), x0, max(x1, x0 + 0.3), y)
    return items


def _bar(verdict: str, x0: float, x1: float, y: float) -> list[Item]:
    line = np.array([[x0, y], [x1, y]])
    if verdict == OUTSIDE:
        return [Stroke(line, 2.2)]
    if verdict == UNSURE:
        return [Stroke(line, 1.6, "#111111", (0.4, 0.6))]
    return [Stroke(line, 0.3)]


def _legend(frame: _Frame, limit: float, units: Units) -> list[Item]:
    y = frame.zero + _STRIP_HALF_MM + 8.0
    left = _MARGIN_MM
    names = ((OUTSIDE, "outside"), (UNSURE, "too close to call"), (WITHIN, "within"))
    items: list[Item] = []
    x = left
    for verdict, name in names:
        items += [*_bar(verdict, x, x + 7.0, y - 1.0), Words(x + 8.5, y, name, 2.8)]
        x += 9.5 + 1.75 * len(name) + 6.0
    ratio = "1:1" if frame.scale == 1.0 else f"1:{1.0 / frame.scale:g}"
    times = f"{frame.magnification:g} times"
    if frame.magnification == 1.0:
        times = "true size"
    text = (
        f"Piece {ratio}, plan dashed. Strip {times}: filled = proud, hatched = shy; "
        "grey = ±, dashed = allowed."
    )
    items.append(Words(left, y + 5.0, text, 2.8))
    items.append(Words(left - 1.0, frame.zero + 1.0, f"0 {units.name}", 2.6, "end"))
    # The limit, or where that is too near to the zero line, the upper edge of the strip.
    clear = limit * frame.magnification >= _LABEL_MM
    shown = limit if clear else _STRIP_HALF_MM / frame.magnification
    mark = frame.zero - shown * frame.magnification
    high = units.fine(shown) if units.inches else f"{shown:g}"
    items.append(Words(left - 1.0, mark + 1.0, f"{high} {units.name}", 2.6, "end"))
    return items
