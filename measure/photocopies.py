"""Refusing a photo that is given twice: it would count as two that agree."""

from __future__ import annotations

import filecmp
from collections.abc import Sequence
from itertools import combinations
from pathlib import Path

from calib.refusal import BadFileError

__all__ = ["refuse_copies"]


def refuse_copies(photos: Sequence[Path]) -> None:
    """Refuse one photo named twice, and copies of one under two names.

    Raises
    ------
    BadFileError
        Code `bad-option`.
    """
    if len({photo.resolve() for photo in photos}) < len(photos):
        raise BadFileError("bad-option", "A photo is named twice.", "Name every photo once.")
    by_size: dict[int, list[Path]] = {}
    for photo in photos:
        if photo.is_file():
            by_size.setdefault(photo.stat().st_size, []).append(photo)
    for alike in by_size.values():
        for first, second in combinations(alike, 2):
            if filecmp.cmp(first, second, shallow=False):
                raise BadFileError(
                    "bad-option",
                    f"{first.name} and {second.name} are one and the same photo.",
                    "Take one photo for each, or leave one out.",
                )
