"""Outlines from SVG drawings."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray
from svgelements import SVG, Arc, Line, Move, Shape
from svgelements import Path as SvgPath

from calib.refusal import BadFileError
from measure.planchains import Chain
from measure.planunits import ask_for_units, mm_per_unit

__all__ = ["svg_chains"]

FloatArray = NDArray[np.float64]

_PX_PER_INCH = 96.0
"""CSS pixels in an inch (CSS Values and Units 3, section 5.2, from memory)."""
_LARGEST_BYTES = 20_000_000
_STEP_MM = 0.1
_CENTRE = re.compile(r"cent(re|er)|axis", re.IGNORECASE)
_UNIT = re.compile(r"^\s*[0-9.eE+-]+\s*(mm|cm|in|pt|pc|q)\s*$", re.IGNORECASE)


def svg_chains(path: Path, units: str | None, layer: str | None) -> list[Chain]:
    """Return the lines of a drawing, mm, all transforms and the view box applied.

    Parameters
    ----------
    path : the SVG file.
    units : what one user unit is, which wins over the file; None to believe its width.
    layer : read only shapes whose id, or whose group's id or label, is this; None for all.

    Raises
    ------
    BadFileError
        The file is no SVG, or neither it nor the turner says how large a unit is.
    """
    factor = _mm_per_px(path, units)
    try:
        document = SVG.parse(str(path), reify=True, ppi=_PX_PER_INCH)
    except (ElementTree.ParseError, ValueError, TypeError, AttributeError, KeyError):
        raise _unreadable(path.name) from None
    if not isinstance(document, SVG):
        raise _unreadable(path.name)
    chains: list[Chain] = []
    for element in document.elements():
        if not isinstance(element, Shape) or _hidden(element.values):
            continue
        words = _names(element.values)
        centre = any(_CENTRE.search(word) for word in words)
        if layer is not None and not centre and layer.lower() not in [w.lower() for w in words]:
            continue
        label = words[0] if words else ""
        chains.extend(
            Chain(points * factor, label if layer is None else layer, centre and len(points) == 2)
            for points in _polylines(SvgPath(element), _STEP_MM / factor)
        )
    return chains


def _unreadable(name: str) -> BadFileError:
    return BadFileError(
        "plan-unreadable",
        f"{name} is not an SVG drawing that can be read.",
        "Save it again as plain SVG, or export the outline as DXF.",
    )


def _mm_per_px(path: Path, units: str | None) -> float:
    """Return millimetres per coordinate as the SVG library gives them (CSS pixels)."""
    if path.stat().st_size > _LARGEST_BYTES:
        raise _unreadable(path.name)
    try:
        root = next(ElementTree.iterparse(path, events=("start",)))[1]
    except (ElementTree.ParseError, StopIteration, ValueError):
        raise _unreadable(path.name) from None
    if not root.tag.lower().endswith("svg"):
        raise _unreadable(path.name)
    width, height = root.get("width", ""), root.get("height", "")
    physical = bool(_UNIT.match(width) or _UNIT.match(height))
    if units is None:
        if not physical:
            raise ask_for_units(path.name, "does not say how large it is")
        return 25.4 / _PX_PER_INCH
    return mm_per_unit(units) * _user_units_per_px(root)


def _user_units_per_px(root: ElementTree.Element) -> float:
    """Return user units per CSS pixel: the view box's width over the picture's."""
    box = re.split(r"[\s,]+", root.get("viewBox", "").strip())
    width = root.get("width")
    if len(box) != 4 or not width or width.strip().endswith("%"):
        return 1.0
    match = re.match(r"^\s*([0-9.eE+-]+)\s*([a-zA-Z]*)\s*$", width)
    per = {"": 1.0, "px": 1.0, "mm": 96 / 25.4, "cm": 960 / 25.4, "in": 96.0, "pt": 96 / 72,
           "pc": 16.0, "q": 24 / 25.4}  # fmt: skip
    if match is None or match.group(2).lower() not in per:
        return 1.0
    wide_px = float(match.group(1)) * per[match.group(2).lower()]
    return float(box[2]) / wide_px if wide_px > 0.0 else 1.0


def _hidden(values: dict[str, Any]) -> bool:
    return values.get("display") == "none" or values.get("visibility") in ("hidden", "collapse")


def _names(values: dict[str, Any]) -> list[str]:
    """Return the ids and labels of an element and of the groups round it."""
    found: list[str] = []
    attributes = values.get("attributes", {})
    for source in (attributes, values):
        for key, value in source.items():
            if isinstance(value, str) and (key in ("id", "class") or key.endswith("label")):
                found.append(value)
    return found


def _polylines(path: SvgPath, step: float) -> list[FloatArray]:
    """Return each subpath as points; straight parts keep their corners only."""
    result: list[FloatArray] = []
    current: list[tuple[float, float]] = []
    for segment in path:
        if isinstance(segment, Move):
            _keep(result, current)
            current = [(segment.end.x, segment.end.y)]
            continue
        if segment.end is None or segment.start is None:
            continue
        if not current:
            current = [(segment.start.x, segment.start.y)]
        straight = isinstance(segment, Line) or type(segment).__name__ == "Close"
        current.extend(_points_of(segment, 1 if straight else _parts(segment, step)))
    _keep(result, current)
    return result


def _parts(segment: Any, step: float) -> int:
    length = segment.length(error=1e-3) if not isinstance(segment, Arc) else segment.length()
    return int(np.clip(np.ceil(length / step), 8, 4000))


def _points_of(segment: Any, parts: int) -> list[tuple[float, float]]:
    if parts == 1:
        return [(segment.end.x, segment.end.y)]
    points = segment.npoint(np.linspace(0.0, 1.0, parts + 1)[1:])
    return [(float(x), float(y)) for x, y in np.asarray(points)]


def _keep(result: list[FloatArray], points: list[tuple[float, float]]) -> None:
    if len(points) >= 2:
        array = np.array(points, dtype=np.float64)
        fresh = np.concatenate([[True], np.any(np.abs(np.diff(array, axis=0)) > 1e-9, axis=1)])
        if np.sum(fresh) >= 2 and np.all(np.isfinite(array)):
            result.append(array[fresh])
