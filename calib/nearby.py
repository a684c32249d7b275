"""What a turner may have meant by the name of a file that is not there."""

from __future__ import annotations

import difflib
import itertools
import os
from pathlib import Path

__all__ = ["PICTURE_SUFFIXES", "RESULTS", "missing_file_advice"]

PICTURE_SUFFIXES = (
    ".jpg", ".jpeg", ".png", ".heic", ".heif", ".webp", ".tif", ".tiff", ".dng",
)  # fmt: skip
"""How names of pictures end."""
RESULTS = "-measured"
"""How the folder of a photo's results is called, after the photo's name."""
MOST_NAMES = 5000
CLOSEST = 0.7
"""Names less alike than this are not offered."""


def missing_file_advice(path: Path) -> str:
    """Return what to do about a file or folder that is not there, in one line.

    The nearest name of the same folder is offered. Results that are not there are those of a
    photo that has not been measured, perhaps.
    """
    usual = "Check the name and the folder."
    if not path.parent.is_dir() and path.parent.name.endswith(RESULTS):
        path = path.parent
    names = _names_in(path.parent)
    if path.name.endswith(RESULTS):
        photo = _picture(path.name.removesuffix(RESULTS), names)
        if photo is not None:
            return f"First type: measure trace {_typed(path.with_name(photo))}."
        usual = "First type: measure trace PHOTO."
    near = _picture(path.name, names) or _nearest(path.name, names)
    if near is None:
        return usual
    return f"Did you mean {_typed(path.with_name(near))}? If not: {usual[0].lower()}{usual[1:]}"


def _names_in(folder: Path) -> list[str]:
    try:
        with os.scandir(folder) as entries:
            names = [entry.name for entry in itertools.islice(entries, MOST_NAMES)]
    except (OSError, ValueError):
        return []
    return sorted(name for name in names if not name.startswith("."))


def _picture(stem: str, names: list[str]) -> str | None:
    """Return the picture of that name whose ending was left out."""
    found = (n for n in names if Path(n).stem == stem and n.lower().endswith(PICTURE_SUFFIXES))
    return next(found, None)


def _nearest(name: str, names: list[str]) -> str | None:
    """Return the name most like it, capital letters or not; of the same kind of file if any is."""
    plain = {other.lower(): other for other in names}
    suffix = Path(name).suffix.lower()
    for some in ([n for n in plain if suffix and n.endswith(suffix)], list(plain)):
        near = difflib.get_close_matches(name.lower(), some, n=1, cutoff=CLOSEST)
        if near:
            return plain[near[0]]
    return None


def _typed(path: Path) -> str:
    return f'"{path}"' if " " in str(path) else str(path)
