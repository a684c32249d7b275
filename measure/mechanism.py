"""A bought-in mechanism: the bores it needs and its shaft, read from a TOML file.

The file, all lengths in millimetres::

    name = "Quay mill, long"
    note = "free text"                  # optional

    [shaft]                             # optional
    length_mm = 240.0                   # as it is sold
    fixed_by = "nut above the cap"      # what holds its upper end
    foot_mm = 6.0                       # optional: its lower end above the foot
    proud_mm = 12.0                     # optional: how far it stands above the finished top

    [[bore]]                            # one for each bore
    name = "seat"
    part = "body"                       # or "cap"
    from = "foot"                       # end of that part it is bored from: "foot" or "top"
    diameter_mm = 42.0
    tolerance_mm = 0.3                  # plus or minus, on the diameter
    depth_mm = 14.0                     # or: through = true
    depth_tolerance_mm = 1.0            # optional, plus or minus
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calib.refusal import BadFileError
from measure.onelines import one_line

__all__ = ["BODY", "CAP", "FOOT", "TOP", "Bore", "Mechanism", "mechanism_from", "read_mechanism"]

BODY, CAP = "body", "cap"
FOOT, TOP = "foot", "top"

LARGEST_FILE_BYTES = 1_000_000
LONGEST_TEXT = 500
LARGEST_DIAMETER_MM = 500.0
LARGEST_LENGTH_MM = 2000.0
DEPTH_TOLERANCE_MM = 1.0
"""Used where the file gives none: a depth stop set by rule (common practice, no source)."""

FILE_KEYS = {"name", "note", "shaft", "bore"}
SHAFT_KEYS = {"length_mm", "fixed_by", "foot_mm", "proud_mm"}
BORE_KEYS = {
    "name",
    "part",
    "from",
    "diameter_mm",
    "tolerance_mm",
    "depth_mm",
    "through",
    "depth_tolerance_mm",
}


@dataclass(frozen=True, slots=True)
class Bore:
    """One bore that the mechanism needs, mm.

    Attributes
    ----------
    depth_mm : from the end it is bored from; None if it goes right through the part.
    from_end : `FOOT` or `TOP` of the part.
    part : `BODY` or `CAP`.
    tolerance_mm : plus or minus, on the diameter.
    depth_tolerance_mm : plus or minus, on the depth.
    """

    name: str
    diameter_mm: float
    depth_mm: float | None
    from_end: str
    part: str
    tolerance_mm: float
    depth_tolerance_mm: float = DEPTH_TOLERANCE_MM

    @property
    def through(self) -> bool:
        """Whether it goes right through the part."""
        return self.depth_mm is None


@dataclass(frozen=True, slots=True)
class Mechanism:
    """A mechanism and what it needs of the wood, mm.

    Attributes
    ----------
    bores : in the order of the file; at least one.
    shaft_length_mm : as it is sold; None if it has no shaft.
    shaft_fixed_by : what holds its upper end, in words; empty if it has none.
    shaft_foot_mm : height of the shaft's lower end above the foot; None if not given.
    shaft_proud_mm : how far it must stand above the finished top; None if not given.
    """

    name: str
    bores: tuple[Bore, ...]
    shaft_length_mm: float | None = None
    shaft_fixed_by: str = ""
    shaft_foot_mm: float | None = None
    shaft_proud_mm: float | None = None
    note: str = ""

    def bores_of(self, part: str) -> tuple[Bore, ...]:
        """Return the bores of one part, in the order of the file."""
        return tuple(bore for bore in self.bores if bore.part == part)

    def shaft_cut_mm(self, overall_mm: float) -> float | None:
        """Return the length to cut the shaft to for a piece of this overall height, mm.

        None if the file does not say where the shaft begins and how far it stands proud.
        """
        if self.shaft_foot_mm is None or self.shaft_proud_mm is None:
            return None
        return overall_mm - self.shaft_foot_mm + self.shaft_proud_mm


def read_mechanism(path: Path) -> Mechanism:
    """Read a mechanism file.

    Raises
    ------
    BadFileError
        `mechanism-file` if it is no such file, or something in it is missing, unknown or absurd.
    OSError
        If it cannot be opened.
    """
    raw = path.read_bytes() if path.stat().st_size <= LARGEST_FILE_BYTES else None
    if raw is None:
        raise _bad(path.name, "the file is larger than 1 MB")
    try:
        table = tomllib.loads(raw.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise _bad(path.name, f"not a TOML file ({error})") from None
    return mechanism_from(table, path.name)


def mechanism_from(table: dict[str, Any], where: str) -> Mechanism:
    """Return the mechanism of a parsed table; `where` names it in messages.

    Raises
    ------
    BadFileError
        `mechanism-file`, as in `read_mechanism`.
    """
    _only(table, FILE_KEYS, where, "the file")
    rows = table.get("bore")
    if not isinstance(rows, list) or not rows or not all(isinstance(r, dict) for r in rows):
        raise _bad(where, "it names no [[bore]]")
    bores = tuple(_bore(row, where, index) for index, row in enumerate(rows, start=1))
    names = [(bore.part, bore.name) for bore in bores]
    for part, name in names:
        if names.count((part, name)) > 1:
            raise _bad(where, f'two bores of the {part} are both called "{name}"')
    shaft = table.get("shaft", {})
    if not isinstance(shaft, dict):
        raise _bad(where, "shaft must be a [shaft] table")
    _only(shaft, SHAFT_KEYS, where, "[shaft]")
    if shaft and "length_mm" not in shaft:
        raise _bad(where, "[shaft] has no length_mm")
    return Mechanism(
        name=_text(table, "name", where, "the file"),
        bores=bores,
        shaft_length_mm=_optional(shaft, "length_mm", where, "[shaft]", 0.1),
        shaft_fixed_by=_text(shaft, "fixed_by", where, "[shaft]") if shaft else "",
        shaft_foot_mm=_optional(shaft, "foot_mm", where, "[shaft]", -LARGEST_LENGTH_MM),
        shaft_proud_mm=_optional(shaft, "proud_mm", where, "[shaft]", -LARGEST_LENGTH_MM),
        note=_text(table, "note", where, "the file") if "note" in table else "",
    )


def _bore(row: dict[str, Any], where: str, index: int) -> Bore:
    place = f"bore {index}"
    _only(row, BORE_KEYS, where, place)
    name = _text(row, "name", where, place)
    place = f'bore "{name}"'
    part = _choice(row, "part", (BODY, CAP), where, place)
    from_end = _choice(row, "from", (FOOT, TOP), where, place)
    through = row.get("through", False)
    if not isinstance(through, bool):
        raise _bad(where, f"{place}: through must be true or false")
    if through == ("depth_mm" in row):
        raise _bad(where, f"{place}: give either depth_mm or through = true")
    diameter = _number(row, "diameter_mm", where, place, 0.5, LARGEST_DIAMETER_MM)
    depth_tolerance = _optional(row, "depth_tolerance_mm", where, place, 0.0)
    return Bore(
        name=name,
        diameter_mm=diameter,
        depth_mm=None
        if through
        else _number(row, "depth_mm", where, place, 0.1, LARGEST_LENGTH_MM),
        from_end=from_end,
        part=part,
        tolerance_mm=_number(row, "tolerance_mm", where, place, 0.0, diameter / 4.0),
        depth_tolerance_mm=DEPTH_TOLERANCE_MM if depth_tolerance is None else depth_tolerance,
    )


def _bad(where: str, what: str) -> BadFileError:
    return BadFileError(
        "mechanism-file",
        f"{where}: {what}.",
        "Mend the file; the mechanism examples that come with the tool show what it must hold.",
    )


def _only(table: dict[str, Any], known: set[str], where: str, place: str) -> None:
    unknown = sorted(set(table) - known)
    if unknown:
        raise _bad(where, f"{place} has an unknown key: {', '.join(unknown)}")


def _text(table: dict[str, Any], key: str, where: str, place: str) -> str:
    value = table.get(key)
    if not isinstance(value, str) or not one_line(value):
        raise _bad(where, f"{place} has no {key}, or it is not text")
    if len(value) > LONGEST_TEXT:
        raise _bad(where, f"{place}: {key} is longer than {LONGEST_TEXT} characters")
    return one_line(value, LONGEST_TEXT)


def _choice(
    table: dict[str, Any], key: str, allowed: tuple[str, ...], where: str, place: str
) -> str:
    value = table.get(key)
    if value not in allowed:
        raise _bad(where, f"{place}: {key} must be {' or '.join(allowed)}")
    return str(value)


def _number(
    table: dict[str, Any], key: str, where: str, place: str, low: float, high: float
) -> float:
    value = table.get(key)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise _bad(where, f"{place} has no {key}, or it is not a number")
    if not math.isfinite(value) or not low <= value <= high:
        raise _bad(where, f"{place}: {key} = {value:g} is not between {low:g} and {high:g} mm")
    return float(value)


def _optional(table: dict[str, Any], key: str, where: str, place: str, low: float) -> float | None:
    return _number(table, key, where, place, low, LARGEST_LENGTH_MM) if key in table else None
