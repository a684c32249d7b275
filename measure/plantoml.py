"""Plan files in TOML: an outline plus a name, tolerances, a datum and what is judged.

An example with every key that there is::

    name = "Pepper mill, body"
    profile = "body.dxf"        # CSV, DXF, SVG, or an earlier trace; beside this file
    units = "mm"                # of the outline, if it does not say; mm, cm or inch
    layer = "OUTLINE"           # of a drawing with several outlines
    axis = "x"                  # along which the piece lies in a drawing: x or y
    tolerance = "m"             # class of ISO 2768-1, or [proud, shy] in mm on the diameter
    datum = "start"             # start, end, best, or the z of a shoulder
    judge = [0.0, 150.0]        # the part that is judged; all of it without this line

    [[zone]]
    name = "tenon"
    from = 150.0
    to = 165.0
    proud = 0.1
    shy = 0.2

    [[zone]]
    name = "left for the chuck"
    from = 165.0
    to = 180.0
    judged = false

Instead of `profile`, the rows may stand in the file: `rows = [[0, 30], [10, 30], [10, 42]]`,
z and diameter, in millimetres unless `units` says otherwise. z of zones, judge and datum is
always in millimetres from the plan's start.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.refusal import BadFileError
from measure.plan import Zone
from measure.tolerances import parse_tolerance

__all__ = ["PlanFile", "parse_datum", "read_plan_toml"]

FloatArray = NDArray[np.float64]

_KEYS = {
    "name", "profile", "rows", "units", "layer", "axis", "tolerance", "datum", "judge", "zone",
}  # fmt: skip
_ZONE_KEYS = {"name", "from", "to", "proud", "shy", "judged"}
_LARGEST_BYTES = 20_000_000


@dataclass(frozen=True, slots=True)
class PlanFile:
    """What a plan file says, before its outline is read."""

    name: str
    profile: Path | None
    rows: FloatArray | None
    units: str | None
    layer: str | None
    axis: str | None
    tolerance: str | tuple[float, float] | None
    datum: str | float | None
    zones: tuple[Zone, ...]


def parse_datum(text: str | float) -> str | float:
    """Return "start", "end", "best", or the z of a shoulder.

    Raises
    ------
    BadFileError
        It is none of these.
    """
    if isinstance(text, str) and text.strip().lower() in ("start", "end", "best"):
        return text.strip().lower()
    try:
        value = float(text.replace(",", ".") if isinstance(text, str) else text)
    except (ValueError, TypeError):
        value = np.nan
    if not np.isfinite(value):
        raise BadFileError(
            "datum", f"The datum {text!r} is not known.", "Say start, end, best, or a shoulder's z."
        )
    return value


def read_plan_toml(path: Path) -> PlanFile:
    """Read a plan file.

    Raises
    ------
    BadFileError
        No TOML, unknown keys, or values that make no sense.
    """
    if path.stat().st_size > _LARGEST_BYTES:
        raise _bad(path.name, "is too large to be a plan", "Check the file name.")
    try:
        data = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        what = str(error).splitlines()[0][:120]
        raise _bad(path.name, f"is not TOML: {what}", "Correct that line.") from None
    _only(data, _KEYS, path.name, "")
    if ("profile" in data) == ("rows" in data):
        raise _bad(path.name, "needs an outline", 'Write profile = "body.dxf", or rows = [...].')
    tolerance = data.get("tolerance")
    if isinstance(tolerance, list):
        tolerance = ",".join(str(v) for v in tolerance)
    profile = _text(data, "profile", path.name)
    axis = _text(data, "axis", path.name)
    if axis is not None and axis not in ("x", "y"):
        raise _bad(path.name, f"has axis = {axis!r}", 'Write axis = "x" or axis = "y".')
    return PlanFile(
        name=_text(data, "name", path.name) or path.stem,
        profile=None if profile is None else path.parent / profile,
        rows=_rows(data, path.name) if "rows" in data else None,
        units=_text(data, "units", path.name),
        layer=_text(data, "layer", path.name),
        axis=axis,
        tolerance=None if tolerance is None else parse_tolerance(str(tolerance)),
        datum=parse_datum(data["datum"]) if "datum" in data else None,
        zones=(*_zones(data, path.name), *_outside_judge(data, path.name)),
    )


def _bad(name: str, what: str, advice: str) -> BadFileError:
    return BadFileError("plan-file", f"{name} {what}.", advice)


def _only(table: dict[str, Any], allowed: set[str], name: str, where: str) -> None:
    unknown = sorted(set(table) - allowed)
    if unknown:
        known = ", ".join(sorted(allowed))
        raise _bad(name, f"has an unknown key {unknown[0]!r}{where}", f"Known keys: {known}.")


def _text(data: dict[str, Any], key: str, name: str) -> str | None:
    value = data.get(key)
    if value is None or isinstance(value, str):
        return value
    raise _bad(name, f"has {key} = {value!r}", f'Put it in quotes: {key} = "...".')


def _number(table: dict[str, Any], key: str, name: str) -> float | None:
    value = table.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not np.isfinite(value):
        raise _bad(name, f"has {key} = {value!r}", f"Write a number of millimetres for {key}.")
    return float(value)


def _rows(data: dict[str, Any], name: str) -> FloatArray:
    try:
        rows = np.array(data["rows"], dtype=np.float64)
    except (ValueError, TypeError):
        rows = np.empty(0)
    if rows.ndim != 2 or rows.shape[1] != 2:
        raise _bad(name, "has rows that are not pairs", "Write rows = [[z, diameter], ...].")
    return rows


def _zones(data: dict[str, Any], name: str) -> list[Zone]:
    tables = data.get("zone", [])
    if not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
        raise _bad(name, "has a zone that is no table", "Begin each zone with [[zone]].")
    zones: list[Zone] = []
    for table in tables:
        _only(table, _ZONE_KEYS, name, " in a zone")
        begin, end = _number(table, "from", name), _number(table, "to", name)
        if begin is None or end is None or not begin < end:
            raise _bad(name, "has a zone without from and to in order", "Give both, from < to.")
        proud, shy = _number(table, "proud", name), _number(table, "shy", name)
        if (proud is not None and proud < 0.0) or (shy is not None and shy < 0.0):
            raise _bad(name, "has a negative tolerance", "Write proud and shy as positive numbers.")
        judged = table.get("judged", True)
        if not isinstance(judged, bool):
            raise _bad(name, f"has judged = {judged!r}", "Write true or false.")
        zones.append(Zone(_text(table, "name", name) or "", begin, end, proud, shy, judged))
    return zones


def _outside_judge(data: dict[str, Any], name: str) -> list[Zone]:
    """Return what lies outside `judge` as stretches that are not judged."""
    span = data.get("judge")
    if span is None:
        return []
    good = isinstance(span, list) and len(span) == 2
    good = good and all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in span)
    if not good or not span[0] < span[1]:
        raise _bad(name, "has a judge that is not [from, to]", "Write judge = [0.0, 150.0].")
    # Just outside the ends, so that rows on them are judged.
    return [
        Zone("", -1e6, float(span[0]) - 1e-6, judged=False),
        Zone("", float(span[1]) + 1e-6, 1e6, judged=False),
    ]
