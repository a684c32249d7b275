"""A drawing in millimetres that a page and a PDF both can show."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

__all__ = ["Area", "Item", "Sketch", "Stroke", "Words", "sketch_svg"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line through points (n, 2), mm from the top left; `dash_mm` is on and off, or none."""

    points: FloatArray
    width_mm: float = 0.25
    colour: str = "#111111"
    dash_mm: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Area:
    """A filled polygon (n, 2), mm."""

    points: FloatArray
    colour: str


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text; (x, y) is the foot of its letters, mm; `anchor` start, middle or end."""

    x: float
    y: float
    text: str
    size_mm: float = 3.0
    anchor: str = "start"
    bold: bool = False


Item = Stroke | Area | Words


@dataclass(frozen=True, slots=True)
class Sketch:
    """Items in the order in which they are drawn, on a sheet of width x height mm."""

    width_mm: float
    height_mm: float
    items: tuple[Item, ...]


def sketch_svg(sketch: Sketch, title: str) -> str:
    """Return the drawing as an SVG element; one unit is a millimetre."""
    body = "".join(_svg(item) for item in sketch.items)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{sketch.width_mm:g}mm" '
        f'viewBox="0 0 {sketch.width_mm:g} {sketch.height_mm:g}" role="img" '
        f'font-family="sans-serif" fill="#111"><title>{escape(title)}</title>{body}</svg>'
    )


def _svg(item: Item) -> str:
    if isinstance(item, Words):
        weight = ' font-weight="bold"' if item.bold else ""
        return (
            f'<text x="{item.x:.2f}" y="{item.y:.2f}" font-size="{item.size_mm:g}" '
            f'text-anchor="{item.anchor}"{weight}>{escape(item.text)}</text>'
        )
    points = " ".join(f"{x:.2f},{y:.2f}" for x, y in item.points)
    if isinstance(item, Area):
        return f'<polygon points="{points}" fill="{item.colour}"/>'
    dash = ""
    if item.dash_mm is not None:
        dash = f' stroke-dasharray="{item.dash_mm[0]:g} {item.dash_mm[1]:g}"'
    return (
        f'<polyline points="{points}" fill="none" stroke="{item.colour}" '
        f'stroke-width="{item.width_mm:g}"{dash}/>'
    )
