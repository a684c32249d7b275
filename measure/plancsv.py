"""Plans from CSV tables, one row a corner of the outline."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.refusal import BadFileError
from measure.plan import Plan
from measure.planmaking import checked_plan
from measure.planunits import ask_for_units, mm_per_unit

__all__ = ["read_plan_csv"]

FloatArray = NDArray[np.float64]

_LARGEST_BYTES = 20_000_000
_COLUMNS = ("z", "diameter", "proud", "shy")


def read_plan_csv(path: Path, units: str | None) -> Plan:
    """Read `z_mm,diameter_mm` and, if there, `proud_mm,shy_mm`, from a CSV table.

    Headings may end in _in instead; without an ending the units must be given. Commas,
    semicolons and tabs part the cells; with semicolons or tabs a comma may be the decimal sign.

    Parameters
    ----------
    path : the table.
    units : what the turner says, which wins over the headings; None to believe them.

    Raises
    ------
    BadFileError
        No such columns, values missing or absurd, or units not said.
    """
    rows = _table(path)
    columns, factor = _columns(rows[0], units, path.name)
    numbers = np.full((len(rows) - 1, len(_COLUMNS)), np.nan)
    for index, row in enumerate(rows[1:]):
        for target, column in columns.items():
            text = row[column].strip() if column < len(row) else ""
            numbers[index, target] = _number(text, target, index, path.name)
    numbers *= factor
    return checked_plan(
        path.stem,
        numbers[:, 0],
        numbers[:, 1],
        proud_mm=numbers[:, 2],
        shy_mm=numbers[:, 3],
        where="row",
        units=units,
    )


def _table(path: Path) -> list[list[str]]:
    if path.stat().st_size > _LARGEST_BYTES:
        raise BadFileError(
            "plan-unreadable", f"{path.name} is too large to be a plan.", "Check the file name."
        )
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadFileError(
            "plan-unreadable",
            f"{path.name} is not a text table.",
            "Save it as CSV (UTF-8) with the headings z_mm,diameter_mm.",
        ) from None
    first = text.split("\n", 1)[0]
    delimiter = next((sign for sign in (";", "\t") if sign in first), ",")
    try:
        rows = [row for row in csv.reader(io.StringIO(text), delimiter=delimiter) if any(row)]
    except csv.Error:
        rows = []
    if not rows:
        raise BadFileError(
            "plan-unreadable", f"{path.name} is empty.", "Give a table headed z_mm,diameter_mm."
        )
    if delimiter == ",":
        return rows
    return [rows[0], *([cell.replace(",", ".") for cell in row] for row in rows[1:])]


def _columns(heading: list[str], units: str | None, name: str) -> tuple[dict[int, int], float]:
    names = [cell.strip().lower() for cell in heading]
    found: dict[int, int] = {}
    endings: set[str] = set()
    for target, word in enumerate(_COLUMNS):
        for ending in ("_mm", "_in", "_inch", ""):
            if word + ending in names:
                found[target] = names.index(word + ending)
                endings.add(ending)
                break
    if not {0, 1} <= set(found):
        raise BadFileError(
            "plan-columns",
            f"{name} has no columns z_mm and diameter_mm.",
            "Head the table z_mm,diameter_mm (and proud_mm,shy_mm if rows have tolerances).",
        )
    if units is not None:
        return found, mm_per_unit(units)
    if "" in endings or len(endings) > 1:
        raise ask_for_units(name, "does not say whether it is in mm or inches")
    return found, mm_per_unit("mm" if "_mm" in endings else "inch")


def _number(text: str, target: int, index: int, name: str) -> float:
    if not text:
        return np.nan  # a missing z or diameter is refused with the row's number later
    try:
        return float(text)
    except ValueError:
        raise BadFileError(
            "plan-values",
            f"{name}, row {index + 1}: {_COLUMNS[target]} is {text[:20]!r}, no number.",
            "Correct the cell, or take the row out.",
        ) from None
