"""What the turner measured on the check bars of a printed board: the scale of the print."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from typing import Any

from calib.board import BOARDS
from calib.boardpage import BAR_MM
from calib.folders import config_folder, write_whole
from calib.refusal import BadFileError, Notice, RefusalError

__all__ = [
    "DEFAULT_BAR_U_MM",
    "BarReading",
    "PrintScale",
    "bar_notices",
    "bar_reading",
    "forget_reading",
    "print_scale",
    "remember_reading",
    "saved_reading",
    "scale_of",
    "scale_of_target",
]

FILE_NAME = "prints.toml"
FILE_SCHEMA = 1
DEFAULT_BAR_U_MM = 0.15
"""Standard uncertainty of a bar read with a steel rule; with calipers 0.05 (common practice, no
source)."""
DAMP_RELATIVE_SD = 0.0003
"""Paper grows and shrinks with damp between the reading and the photo: standard uncertainty, as a
fraction (common practice, no source)."""
UNMEASURED_RELATIVE_SD = 0.005
"""Standard uncertainty of the scale of a print that nobody measured, as a fraction: printers
differ by tenths of a per cent (common practice, no source)."""
BAR_RANGE_MM = (93.0, 107.0)
"""What printers make of 100 mm that fit a page to another paper: 94 to 106 mm, A4 and letter."""
LARGEST_BAR_U_MM = 1.0
ODD_SCALE, ODD_DIFFERENCE = 0.015, 0.01


@dataclass(frozen=True, slots=True)
class PrintScale:
    """True over drawn size of a printed board along its X and Y, with standard uncertainties."""

    x: float
    y: float
    sd_x: float
    sd_y: float
    measured: bool


@dataclass(frozen=True, slots=True)
class BarReading:
    """Both 100 mm check bars as measured, mm, and the standard uncertainty of each reading.

    A limit given as the uncertainty ("good to 0.05") errs on the safe side.
    """

    x_mm: float
    y_mm: float
    u_mm: float


def scale_of(reading: BarReading | None) -> PrintScale:
    """Return the print scale that a reading gives; without one the drawn size, widely."""
    if reading is None:
        return PrintScale(1.0, 1.0, UNMEASURED_RELATIVE_SD, UNMEASURED_RELATIVE_SD, False)
    sd = math.hypot(reading.u_mm / BAR_MM, DAMP_RELATIVE_SD)
    return PrintScale(reading.x_mm / BAR_MM, reading.y_mm / BAR_MM, sd, sd, True)


def bar_reading(x_mm: float, y_mm: float, u_mm: float) -> BarReading:
    """Return a reading, checked.

    Raises
    ------
    BadFileError
        Code `bar-reading`: no length that a 100 mm bar can have, or no usable uncertainty.
    """
    low, high = BAR_RANGE_MM
    for side, value in (("x", x_mm), ("y", y_mm)):
        if not low <= value <= high:
            raise BadFileError(
                "bar-reading",
                f"--bar-{side} {value:g} is no reading of a 100 mm bar.",
                "Measure in millimetres, between the middles of the bar's two end lines.",
            )
    if not 0.0 < u_mm <= LARGEST_BAR_U_MM:
        raise BadFileError(
            "bar-reading",
            f"--bar-u {u_mm:g} is no uncertainty of a reading.",
            "Give 0.15 for a steel rule, 0.05 for calipers.",
        )
    return BarReading(x_mm, y_mm, u_mm)


def bar_notices(reading: BarReading) -> tuple[Notice, ...]:
    """Return what looks odd about a reading; it is used all the same."""
    notices = []
    off = max(abs(reading.x_mm - BAR_MM), abs(reading.y_mm - BAR_MM)) / BAR_MM
    if off > ODD_SCALE:
        notices.append(
            Notice(
                "print-not-actual-size",
                f"The print is {100 * off:.1f} % off its drawn size.",
                "It can be used; printing again at actual size (100 %) is better.",
            )
        )
    if abs(reading.x_mm - reading.y_mm) / BAR_MM > ODD_DIFFERENCE:
        notices.append(
            Notice(
                "bars-differ",
                f"The two bars differ by {abs(reading.x_mm - reading.y_mm):.1f} mm.",
                "Measure both again: few printers stretch one way only.",
            )
        )
    return tuple(notices)


def print_scale(size: str) -> PrintScale:
    """Return the scale of the user's print of a board, from the config folder.

    Raises
    ------
    BadFileError
        Codes `settings-damaged`, `settings-newer`, or the file cannot be read.
    """
    return scale_of(saved_reading(size))


def scale_of_target(target: str) -> PrintScale | None:
    """Return the scale of the user's print where the target is a printed board, else None.

    Raises
    ------
    BadFileError
        As `print_scale`.
    """
    return print_scale(target) if target in BOARDS else None


def saved_reading(size: str) -> BarReading | None:
    """Return what was measured on the user's print of a board, or None."""
    entry = _load().get(size)
    if entry is None:
        return None
    try:
        return bar_reading(
            float(entry["bar_x_mm"]), float(entry["bar_y_mm"]), float(entry["bar_u_mm"])
        )
    except (KeyError, TypeError, ValueError, RefusalError):
        raise _damaged() from None


def remember_reading(size: str, reading: BarReading) -> None:
    """Save what was measured on a print, in place of an earlier reading of that size."""
    entry = {"bar_x_mm": reading.x_mm, "bar_y_mm": reading.y_mm, "bar_u_mm": reading.u_mm}
    _save({**_load(), size: entry})


def forget_reading(size: str) -> bool:
    """Forget the reading of a size; return whether there was one."""
    prints = _load()
    if size not in prints:
        return False
    del prints[size]
    _save(prints)
    return True


def _load() -> dict[str, dict[str, Any]]:
    path = config_folder() / FILE_NAME
    if not path.exists():
        return {}
    try:
        content = tomllib.loads(path.read_bytes().decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError):
        raise _damaged() from None
    schema = content.pop("schema", None)
    if isinstance(schema, int) and schema > FILE_SCHEMA:
        raise BadFileError(
            "settings-newer",
            f"{path} was written by a newer version.",
            "Update this program, or delete that file and measure the check bars again.",
        )
    if schema != FILE_SCHEMA or not all(
        name in BOARDS and isinstance(entry, dict) for name, entry in content.items()
    ):
        raise _damaged()
    return content


def _save(prints: dict[str, dict[str, Any]]) -> None:
    import tomli_w

    content = tomli_w.dumps({"schema": FILE_SCHEMA, **prints})
    write_whole(config_folder() / FILE_NAME, content.encode("utf-8"))


def _damaged() -> BadFileError:
    return BadFileError(
        "settings-damaged",
        f"{config_folder() / FILE_NAME} is damaged.",
        "Delete that file and measure the check bars again.",
    )
