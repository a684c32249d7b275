"""Saying that results of one kind take the place of those of another."""

from __future__ import annotations

from pathlib import Path

from calib.refusal import RefusalError
from measure.resultfile import read_result

__all__ = ["replaced_words"]


def replaced_words(folder: Path, kind: str) -> str:
    """Return the line that says which earlier result of another kind a new one replaces.

    To be asked before the new one is written; begins with a line break, and is empty where
    nothing is lost that the same command would not make again.

    Parameters
    ----------
    folder : where the new result goes.
    kind : of the new result, as in its result.json.
    """
    try:
        earlier = read_result(folder / "result.json")["kind"]
    except RefusalError:  # nothing there, or nothing of ours
        return ""
    if earlier == kind:
        return ""
    return f"\nReplaced the earlier {earlier[:20]} in {folder}."
