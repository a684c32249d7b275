"""What a new result takes the place of: an earlier one's files go, and the turner is told."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from calib.refusal import RefusalError
from measure.resultfile import read_result
from measure.tracefiles import TRACE_NAMES

__all__ = ["CHECKED", "CHECK_SHEET", "DEVIATIONS", "replaced_names", "replaced_words"]

DEVIATIONS, CHECKED, CHECK_SHEET = "deviations.csv", "checked.jpg", "check.pdf"
"""What a check leaves that no trace does."""
_SHEET = "sheet.pdf"
"""Drawn from a result, by a command of its own: told to be older, never taken away."""


def replaced_names(folder: Path, own: Iterable[str]) -> tuple[str, ...]:
    """Return the names in a folder that a new result replaces, or that must not stay beside it.

    Its own, and where an earlier result lies there all that one of any kind may have left: a page
    to pin up with numbers of another trace would be taken for this one's.
    """
    if _earlier(folder) is None:
        return tuple(own)
    return tuple(dict.fromkeys((*own, *TRACE_NAMES, DEVIATIONS, CHECKED, CHECK_SHEET)))


def replaced_words(folder: Path, kind: str) -> str:
    """Return the lines that say which earlier result of another kind a new one replaces.

    And which sheet there is older than it. To be asked before the new one is written; each begins
    with a line break, and it is empty where nothing is lost that the same command would not make
    again.

    Parameters
    ----------
    folder : where the new result goes.
    kind : of the new result, as in its result.json.
    """
    earlier = _earlier(folder)
    if earlier is None:
        return ""
    words = "" if earlier == kind else f"\nReplaced the earlier {earlier[:20]} in {folder}."
    if (folder / _SHEET).exists():
        words += f"\n{folder / _SHEET} is older than this: draw it anew with measure sheet."
    return words


def _earlier(folder: Path) -> str | None:
    """Return the kind of the result that lies in a folder; None where none of ours does."""
    try:
        return str(read_result(folder / "result.json")["kind"])
    except RefusalError:
        return None
