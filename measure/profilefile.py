"""profile.csv and stations.csv: writing them, and reading a profile back with care."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.ending import file_trouble
from calib.refusal import BadFileError
from measure.inches import MM_PER_INCH
from measure.profile import GRID_MM, Profile

__all__ = [
    "COLUMNS",
    "INCH_DIAMETER",
    "INCH_LENGTH",
    "profile_csv",
    "profile_from_text",
    "read_profile",
    "rows_csv",
]

FloatArray = NDArray[np.float64]

COLUMNS = ("z_mm", "diameter_mm", "u95_mm", "u95_common_mm")
"""How the header begins; more columns may follow."""
SHAPE_COLUMN = "u95_shape_mm"
"""What `u95_mm` would be were z = 0 exact; the column is absent where nobody looked."""
TITLES = (*COLUMNS, SHAPE_COLUMN)
LARGEST_BYTES = 10_000_000
LARGEST_MM = 5000.0
"""Nothing that is turned and photographed is larger: greater numbers are slips."""
INCH_LENGTH, INCH_DIAMETER = 20.0, 5.0
"""Shorter and thinner than this in mm together is no turned piece, but a usual one in inches."""

SAME_STEP = 0.02
"""Rows stand on a grid; within this share of its step in inches they are on it."""

_MEND = "Correct the number, or take the row out."


def profile_csv(profile: Profile) -> bytes:
    """Return profile.csv: rows on the 0.25 mm grid, and two rows a shoulder.

    Raises
    ------
    ValueError
        If a row stands neither on the grid nor at a shoulder, three rows at one z, a value is
        not finite, or the common part exceeds the whole.
    """
    kept = _without_echoes(profile)
    z = kept.z_mm
    if len(z) > 1 and np.any((np.diff(z)[1:] == 0.0) & (np.diff(z)[:-1] == 0.0)):
        raise ValueError("three rows or more at one z; need one, or two at a shoulder")
    paired = _paired(z)
    off_grid = np.abs(z - np.round(z / GRID_MM) * GRID_MM) > 1e-6
    if np.any(off_grid & ~paired):
        at = float(z[off_grid & ~paired][0])
        raise ValueError(f"a row at z = {at} stands off the {GRID_MM} mm grid and at no shoulder")
    return rows_csv(kept)


def rows_csv(profile: Profile) -> bytes:
    """Return the rows of a profile as CSV wherever they stand, as for stations.csv.

    Raises
    ------
    ValueError
        If a value is not finite or the common part exceeds the whole.
    """
    whole = profile.at_its_z()
    columns = [whole.z_mm, whole.diameter_mm, whole.u95_mm, whole.u95_common_mm]
    titles: tuple[str, ...] = COLUMNS
    if profile.u95_step_mm is not None:
        columns, titles = [*columns, profile.u95_mm], TITLES
    table = np.column_stack(columns)
    if not np.all(np.isfinite(table)):
        raise ValueError("a profile to be written holds a value that is not finite")
    if np.any(profile.u95_common_mm > profile.u95_mm + 1e-9):
        raise ValueError("u95_common_mm exceeds u95_mm; a part cannot exceed the whole")
    lines = [",".join(titles)]
    for z, *rest in (table + 0.0).tolist():
        lines.append(",".join([f"{z:.3f}", *(f"{value:.4f}" for value in rest)]))
    return ("\n".join(lines) + "\n").encode("ascii")


def read_profile(path: Path) -> Profile:
    """Read a profile.csv or stations.csv.

    Raises
    ------
    BadFileError
        If the file cannot be read, or what it holds cannot be a profile.
    """
    try:
        size = path.stat().st_size
        if size > LARGEST_BYTES:
            raise BadFileError(
                "profile-too-large",
                f"{path.name} has {size / 1e6:.0f} MB, too much for a profile.",
                "Name the profile.csv that a trace wrote.",
            )
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise file_trouble(error) from None
    except UnicodeDecodeError:
        raise BadFileError(
            "profile-no-text",
            f"{path.name} holds no text.",
            "Name the profile.csv that a trace wrote, not a picture or a spreadsheet.",
        ) from None
    return profile_from_text(text, path.name)


def profile_from_text(text: str, name: str) -> Profile:
    """Return the profile that the text of a CSV file holds; `name` is for the messages.

    Raises
    ------
    BadFileError
        Columns missing, a value missing or no number, negative or absurd, z that decreases,
        three or more rows at one z, fewer than two rows, or lengths that look like inches.
    """
    lines = _lines(text, name)
    if not lines:
        raise BadFileError(
            "profile-empty", f"{name} is empty.", "Name the profile.csv that a trace wrote."
        )
    columns = _columns(lines[0][1], name)
    where = [f"{name}, line {number}" for number, _ in lines[1:]]
    rows = [_numbers(row, columns, at) for at, (_, row) in zip(where, lines[1:], strict=True)]
    table = np.array(rows, dtype=np.float64).reshape(-1, len(columns))
    _check_values(table, where)
    _check_order(table[:, 0], where)
    _check_size(table, name)
    z, d, u95, common, *shape = (np.ascontiguousarray(column) for column in table.T)
    if not shape:
        return Profile(z, d, u95, common)
    step = np.sqrt(np.maximum(u95**2 - shape[0] ** 2, 0.0))
    return Profile(z, d, shape[0], common, step)


def _lines(text: str, name: str) -> list[tuple[int, list[str]]]:
    """Return the rows that are not blank, with their line numbers from 1."""
    reader = csv.reader(io.StringIO(text, newline=""))
    try:
        return [(reader.line_num, row) for row in reader if any(map(str.strip, row))]
    except csv.Error as error:
        raise BadFileError(
            "profile-no-text",
            f"{name}, line {reader.line_num}: {error}.",
            "Name the profile.csv that a trace wrote.",
        ) from None


def _columns(header: list[str], name: str) -> list[int]:
    titles = [title.strip().lower() for title in header]
    if len(titles) == 1 and ";" in titles[0]:
        raise BadFileError(
            "profile-columns",
            f"{name} has semicolons between its columns.",
            "Save it again as CSV with commas between columns and points in numbers.",
        )
    if any("inch" in title or title.endswith(("_in", '"')) for title in titles):
        raise _inches(f"{name} says that it is in inches")
    missing = [column for column in COLUMNS if column not in titles]
    if missing:
        raise BadFileError(
            "profile-columns",
            f"{name} lacks the column {missing[0]}.",
            f"The first line must begin {','.join(COLUMNS)}; a plan goes after --plan.",
        )
    told = [*COLUMNS, *(title for title in (SHAPE_COLUMN,) if title in titles)]
    return [titles.index(column) for column in told]


def _numbers(row: list[str], columns: list[int], where: str) -> list[float]:
    numbers = []
    for column, title in zip(columns, TITLES, strict=False):
        word = row[column].strip() if column < len(row) else ""
        try:
            number = float(word)
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            what = f"'{word[:20]}' is no number" if word else "there is no value"
            raise BadFileError("profile-values", f"{where}: {what} for {title}.", _MEND)
        numbers.append(number)
    return numbers


def _check_values(table: FloatArray, where: list[str]) -> None:
    for column, title in enumerate(TITLES[: table.shape[1]]):
        values = table[:, column]
        bad = np.nonzero(((values < 0.0) & (column > 0)) | (np.abs(values) > LARGEST_MM))[0]
        if len(bad):
            value = values[bad[0]]
            what = "negative" if value < 0.0 and column else "absurd"
            raise BadFileError(
                "profile-values", f"{where[bad[0]]}: {title} {value:g} is {what}.", _MEND
            )
    for column in range(3, table.shape[1]):
        # A digit of the file's own rounding is let pass.
        bad = np.nonzero(table[:, column] > table[:, 2] + 1e-4)[0]
        if len(bad):
            raise BadFileError(
                "profile-values",
                f"{where[bad[0]]}: {TITLES[column]} exceeds u95_mm.",
                "It is part of u95_mm and cannot be larger: correct the row.",
            )


def _check_order(z: FloatArray, where: list[str]) -> None:
    step = np.diff(z)
    for i in np.nonzero(step < 0.0)[0][:1]:
        raise BadFileError(
            "profile-order",
            f"{where[i + 1]}: z goes back from {z[i]:g} to {z[i + 1]:g}.",
            "Put the rows in order along the axis.",
        )
    for i in np.nonzero((step[1:] == 0.0) & (step[:-1] == 0.0))[0][:1]:
        raise BadFileError(
            "profile-order",
            f"{where[i + 2]}: three rows or more at z = {z[i]:g}.",
            "A shoulder is two rows at one z: take the others out.",
        )


def _check_size(table: FloatArray, name: str) -> None:
    if len(table) < 2 or table[-1, 0] == table[0, 0]:
        raise BadFileError(
            "profile-short",
            f"{name} holds {'no' if len(table) == 0 else 'only one'} place along the axis.",
            "A profile needs two or more.",
        )
    if table[-1, 0] - table[0, 0] < INCH_LENGTH and table[:, 1].max() < INCH_DIAMETER:
        raise _inches(
            f"{name} is {table[-1, 0] - table[0, 0]:g} long and {table[:, 1].max():g} thick, "
            "which looks like inches"
        )
    step = float(np.median(np.diff(np.unique(table[:, 0]))))
    if abs(step * MM_PER_INCH / GRID_MM - 1.0) < SAME_STEP:
        raise _inches(
            f"{name} has rows {step:.4f} apart along the axis, which is {GRID_MM:g} mm in inches"
        )


def _inches(what: str) -> BadFileError:
    return BadFileError(
        "profile-inches", f"{what}.", "profile.csv is in millimetres: multiply all by 25.4."
    )


def _paired(z: FloatArray) -> NDArray[np.bool_]:
    """Return which rows share their z with a neighbour."""
    paired = np.zeros(len(z), dtype=np.bool_)
    same = np.diff(z) == 0.0
    paired[:-1] |= same
    paired[1:] |= same
    return paired


def _without_echoes(profile: Profile) -> Profile:
    """Drop a row whose z rounds, as it is written, to that of a shoulder.

    Readers would find three rows at one z. Nothing is lost: within half a micrometre of a
    shoulder the diameter is either of the shoulder's two.
    """
    z = np.round(profile.z_mm, 3)
    paired = _paired(profile.z_mm)
    keep = paired | ~np.isin(z, z[paired])
    return Profile(
        z[keep],
        profile.diameter_mm[keep],
        profile.u95_mm[keep],
        profile.u95_common_mm[keep],
        None if profile.u95_step_mm is None else profile.u95_step_mm[keep],
    )
