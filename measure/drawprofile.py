"""The profile as an SVG drawing: to scale, with its dimensions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

from measure.inches import MM_PER_INCH
from measure.landmarks import Landmark, landmarks, told_apart
from measure.markwords import size_words
from measure.profile import Profile
from measure.result import CUT, TraceResult
from measure.units import METRIC, Units

__all__ = ["profile_svg", "spread_out"]

FloatArray = NDArray[np.float64]

WIDTH = 1000.0
"""Of the drawing, in its own units; the page scales it."""
TALLEST = 560.0
MARGIN = 40.0
LETTERS = 15.0
LABEL_GAP = 17.0
LETTER_WIDTH = 0.56
"""Mean width of a letter of these labels by its height; digits are that wide."""
RULER_ROOM = 84.0
RULER_STEPS_MM = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
RULER_STEPS_INCH = (0.125, 0.25, 0.5, 1.0, 2.0, 4.0)
MOST_MARKS_ON_RULER = 24


@dataclass(frozen=True, slots=True)
class _Frame:
    """Millimetres to the drawing's units, the same scale both ways, z to the right."""

    scale: float
    left: float
    middle: float
    far_mm: float

    def x(self, z_mm: float) -> float:
        return self.left + z_mm * self.scale

    def y(self, radius_mm: float) -> float:
        return self.middle - radius_mm * self.scale


def profile_svg(result: TraceResult, units: Units = METRIC) -> str:
    """Return an SVG element that draws the measured profile, z = 0 at the left.

    Gaps are hatched; crests, hollows and shoulders carry their diameters; a ruler and the
    overall length stand below. It needs no script, style sheet or font of its own.
    """
    profile = result.profile
    far = result.length_mm if result.length_mm is not None else float(profile.z_mm[-1])
    largest = max(result.max_diameter_mm(), 1e-3)
    scale = min((WIDTH - 2.0 * MARGIN) / far, TALLEST / largest)
    radius = largest / 2.0 * scale
    left = (WIDTH - far * scale) / 2.0
    room = int((WIDTH - 2.0 * LETTERS) / LABEL_GAP)
    marks = _marks(result, room)
    words = [_words(result.profile, mark, units) for mark in marks]
    top = max(map(len, words)) * LETTERS * LETTER_WIDTH + 34.0
    frame = _Frame(scale, left, top + radius, far)
    parts = [
        *_gaps(frame, result),
        *_bodies(frame, profile),
        _line(frame.x(0) - 14, frame.middle, frame.x(far) + 14, frame.middle, dash="14 4 3 4"),
        *_labels(frame, marks, words, top - 24.0),
        *_ruler(frame, radius, units),
        *_length(frame, radius, result, units),
    ]
    height = top + 2.0 * radius + RULER_ROOM
    title = escape(f"Profile of {result.photo_name}, to scale")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:.0f} {height:.0f}" '
        f'role="img" font-family="sans-serif" font-size="{LETTERS:.0f}" fill="#111">'
        f"<title>{title}</title>{''.join(parts)}</svg>"
    )


def spread_out(
    places: Sequence[float], gap: float, low: float = -np.inf, high: float = np.inf
) -> list[float]:
    """Move increasing places until neighbours are `gap` apart and all lie from low to high.

    The moves are the least in squares: neighbours that crowd form a block about their mean
    (pool adjacent violators [Barlow1972]_), and a block that sticks out is moved in.

    Raises
    ------
    ValueError
        If they do not fit between low and high.
    """
    room = high - gap * (len(places) - 1)
    if room < low:
        raise ValueError(f"{len(places)} places {gap} apart do not fit from {low} to {high}")
    blocks: list[list[float]] = []  # [mean, count] of places less what the gaps before need
    for index, place in enumerate(places):
        blocks.append([place - index * gap, 1.0])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            mean, count = blocks.pop()
            total = blocks[-1][1] + count
            blocks[-1][0] = (blocks[-1][0] * blocks[-1][1] + mean * count) / total
            blocks[-1][1] = total
    bases = [mean for mean, count in blocks for _ in range(int(count))]
    return [min(max(base, low), room) + index * gap for index, base in enumerate(bases)]


def _bodies(frame: _Frame, profile: Profile) -> list[str]:
    parts = []
    for piece in profile.pieces():
        z, r = profile.z_mm[piece].tolist(), (profile.diameter_mm[piece] / 2.0).tolist()
        there = [f"{frame.x(a):.2f},{frame.y(b):.2f}" for a, b in zip(z, r, strict=True)]
        back = [f"{frame.x(a):.2f},{frame.y(-b):.2f}" for a, b in zip(z, r, strict=True)]
        points = " ".join(there + back[::-1])
        parts.append(
            f'<polygon points="{points}" fill="#f1e3cc" stroke="#111" stroke-width="1.6"/>'
        )
        # A shoulder is an edge all round: it is seen as a line across.
        for index in np.nonzero(np.diff(profile.z_mm[piece]) == 0.0)[0].tolist():
            reach = max(r[index], r[index + 1])
            x = frame.x(z[index])
            parts.append(_line(x, frame.y(reach), x, frame.y(-reach)))
    return parts


def _gaps(frame: _Frame, result: TraceResult) -> list[str]:
    """Hatch what was not measured between the first row and the last, and toward the ends."""
    z, d = result.profile.z_mm, result.profile.diameter_mm
    pieces = result.profile.pieces()
    edges = [(0.0, 0.0, float(d[0]))]
    edges += [(float(z[p.stop - 1]), float(d[p.stop - 1]), 0.0) for p in pieces]
    starts = [(float(z[p.start]), float(d[p.start])) for p in pieces] + [(frame.far_mm, 0.0)]
    parts = []
    for (a, before, _), (b, after) in zip(edges, starts, strict=True):
        if b - a > 0.5:
            reach = max(before, after, 1.0) / 2.0
            parts += _hatch(frame.x(a), frame.x(b), frame.y(reach), frame.y(-reach))
    return parts


def _hatch(x0: float, x1: float, y0: float, y1: float) -> list[str]:
    parts = [
        f'<rect x="{x0:.2f}" y="{y0:.2f}" width="{x1 - x0:.2f}" height="{y1 - y0:.2f}" '
        'fill="none" stroke="#111" stroke-dasharray="3 3"/>'
    ]
    tall = y1 - y0
    for start in np.arange(x0 - tall, x1, 8.0).tolist():
        # The line x = start + t, y = y1 - t, cut to the rectangle.
        low, high = max(x0 - start, 0.0), min(x1 - start, tall)
        if high > low:
            parts.append(_line(start + low, y1 - low, start + high, y1 - high, width=0.8))
    return parts


def _marks(result: TraceResult, most: int) -> list[Landmark]:
    """Return the places to label, the most prominent if they are too many, in order."""
    largest = result.largest()
    marks = told_apart(landmarks(result.profile), largest.z_mm, largest.diameter_mm, largest.u95_mm)
    if not any(abs(mark.diameter_mm - largest.diameter_mm) < 1e-9 for mark in marks):
        marks.append(Landmark("", largest.z_mm, largest.diameter_mm, largest.u95_mm, None, np.inf))
    chosen = sorted(marks, key=lambda mark: -mark.prominence_mm)[:most]
    return sorted(chosen, key=lambda mark: mark.z_mm)


def _words(profile: Profile, mark: Landmark, units: Units) -> str:
    size = size_words(profile, mark, units.number)
    return f"Ø {size} at {units.place(mark.z_mm)}"


def _labels(
    frame: _Frame, marks: Sequence[Landmark], words: Sequence[str], foot: float
) -> list[str]:
    places = [frame.x(mark.z_mm) for mark in marks]
    spread = spread_out(places, LABEL_GAP, LETTERS, WIDTH - LETTERS)
    parts = []
    for mark, label, place in zip(marks, words, spread, strict=True):
        x, tip = place, frame.y(mark.diameter_mm / 2.0)
        parts.append(
            f'<polyline points="{frame.x(mark.z_mm):.2f},{tip:.2f} '
            f'{frame.x(mark.z_mm):.2f},{foot + 18:.2f} {x:.2f},{foot + 4:.2f}" '
            'fill="none" stroke="#777" stroke-width="0.8"/>'
        )
        parts.append(_text(x + LETTERS * 0.35, foot, label, turned=True))
    return parts


def _ruler(frame: _Frame, radius: float, units: Units) -> list[str]:
    unit = MM_PER_INCH if units.inches else 1.0
    steps = RULER_STEPS_INCH if units.inches else RULER_STEPS_MM
    fitting = [s * unit for s in steps if frame.far_mm / (s * unit) <= MOST_MARKS_ON_RULER]
    step = fitting[0] if fitting else steps[-1] * unit
    y = frame.middle + radius + 16.0
    parts = [_line(frame.x(0.0), y, frame.x(frame.far_mm), y)]
    for index in range(int(frame.far_mm / step + 1e-9) + 1):
        x = frame.x(index * step)
        parts += [_line(x, y, x, y + 6.0), _text(x, y + 22.0, units.place(index * step))]
    return parts


def _length(frame: _Frame, radius: float, result: TraceResult, units: Units) -> list[str]:
    y = frame.middle + radius + 66.0
    a, b = frame.x(0.0), frame.x(frame.far_mm)
    middle = (a + b) / 2.0
    if result.length_mm is None or result.length_u95_mm is None:
        cut = "z = 0 is a cut" if result.z_zero == CUT else "the far end is cut off"
        return [_text(middle, y, f"z in {units.name}; {cut}, so the length is not known")]
    words = units.with_spread(result.length_mm, result.length_u95_mm)
    half = len(words) * LETTERS * 0.29 + 8.0
    return [
        _line(a, y - 26.0, a, y + 4.0, width=0.8),
        _line(b, y - 26.0, b, y + 4.0, width=0.8),
        _arrow(a, min(middle - half, b), y),
        _arrow(b, max(middle + half, a), y),
        _text(middle, y + LETTERS * 0.35, words),
    ]


def _arrow(tip: float, tail: float, y: float) -> str:
    turn = 9.0 if tail > tip else -9.0
    head = f"{tip:.2f},{y:.2f} {tip + turn:.2f},{y - 3.5:.2f} {tip + turn:.2f},{y + 3.5:.2f}"
    return _line(tip, y, tail, y, width=0.8) + f'<polygon points="{head}"/>'


def _line(x0: float, y0: float, x1: float, y1: float, *, width: float = 1.0, dash: str = "") -> str:
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{x0:.2f}" y1="{y0:.2f}" x2="{x1:.2f}" y2="{y1:.2f}" stroke="#111" '
        f'stroke-width="{width:g}"{dashes}/>'
    )


def _text(x: float, y: float, words: str, *, turned: bool = False) -> str:
    if turned:
        place = f'transform="translate({x:.2f} {y:.2f}) rotate(-90)"'
    else:
        place = f'x="{x:.2f}" y="{y:.2f}" text-anchor="middle"'
    return f"<text {place}>{escape(words)}</text>"
