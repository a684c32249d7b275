"""The clearances that turners want, read from an editable TOML file."""

from __future__ import annotations

import math
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any

from calib.decimals import unclear_pair
from calib.refusal import BadFileError
from measure.mating import FitPreset
from measure.onelines import one_line

__all__ = ["preset_named", "presets_from", "read_presets"]

KEYS = {"says", "least_mm", "most_mm"}
LARGEST_CLEARANCE_MM = 20.0
LARGEST_FILE_BYTES = 1_000_000


def read_presets(path: Path | None = None) -> tuple[FitPreset, ...]:
    """Return the presets of a file, or those that come with the tool.

    Raises
    ------
    BadFileError
        `fit-presets` if the file holds anything but fits.
    OSError
        If it cannot be opened.
    """
    if path is None:
        text = files("measure").joinpath("fitpresets", "presets.toml").read_text("utf-8")
        return presets_from(text, "presets.toml")
    if path.stat().st_size > LARGEST_FILE_BYTES:
        raise _bad(path.name, "the file is larger than 1 MB")
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise _bad(path.name, "not a text file") from None
    return presets_from(text, path.name)


def presets_from(text: str, where: str) -> tuple[FitPreset, ...]:
    """Return the presets that a TOML text holds; `where` names it in messages.

    Raises
    ------
    BadFileError
        `fit-presets`, as in `read_presets`.
    """
    try:
        tables = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise _bad(where, f"not a TOML file ({error})") from None
    if not tables:
        raise _bad(where, "it holds no fit")
    return tuple(_preset(name, table, where) for name, table in tables.items())


def preset_named(presets: tuple[FitPreset, ...], wanted: str) -> FitPreset:
    """Return a preset by its name, or the one that a typed range such as "0.2,0.4" means.

    Raises
    ------
    BadFileError
        `unknown-fit` if it is neither.
    """
    for preset in presets:
        if preset.name == wanted:
            return preset
    if unclear_pair(wanted):
        raise BadFileError(
            "unknown-fit",
            f'"{wanted}" may mean two things: a comma stands between two numbers.',
            "Write 0.2, not 0,2; or 0.0,2.0 for a clearance of 0 to 2 mm.",
        )
    parts = wanted.split(",")
    try:
        limits = [float(part) for part in parts]
    except ValueError:
        limits = []
    if len(limits) in (1, 2) and all(abs(v) <= LARGEST_CLEARANCE_MM for v in limits):
        least, most = limits[0], limits[-1]
        if least <= most:
            return FitPreset("as asked", "the clearance that was asked for", least, most)
    names = ", ".join(preset.name for preset in presets)
    raise BadFileError(
        "unknown-fit",
        f'"{wanted}" is no fit.',
        f"Take one of {names}, or a clearance on the diameter such as 0.2,0.4 (mm).",
    )


def _bad(where: str, what: str) -> BadFileError:
    return BadFileError(
        "fit-presets",
        f"{where}: {what}.",
        "Each fit is a table such as [push] with says, least_mm and most_mm.",
    )


def _preset(name: str, table: Any, where: str) -> FitPreset:
    if not isinstance(table, dict) or set(table) != KEYS:
        raise _bad(where, f"[{name}] must hold {', '.join(sorted(KEYS))} and nothing else")
    says, least, most = table["says"], table["least_mm"], table["most_mm"]
    numbers = [v for v in (least, most) if isinstance(v, (int, float)) and not isinstance(v, bool)]
    if len(numbers) < 2 or not all(
        math.isfinite(v) and abs(v) <= LARGEST_CLEARANCE_MM for v in numbers
    ):
        raise _bad(where, f"[{name}] least_mm and most_mm must be numbers within 20 mm")
    if not isinstance(says, str) or least > most:
        raise _bad(where, f"[{name}] says must be text, and least_mm not above most_mm")
    if not one_line(name) or not one_line(says):
        raise _bad(where, f"[{one_line(name)}] needs a name, and words in says")
    return FitPreset(one_line(name), one_line(says), float(least), float(most))
