"""Wrong usage in the turner's words: what the command-line library says of a number is not."""

from __future__ import annotations

import re
from collections.abc import Sequence

__all__ = ["plain_usage"]

_NUMBER = re.compile(r"Invalid value for '(?:.* / )?(--[\w-]+)'.*valid (number|integer)")
_UNKNOWN = re.compile(r"No such option: (--[\w-]+)\s*$")
_OF_TRACES = ("measure trace", "measure check", "measure cutter")
_MEANT = {"--caliper": "--known", "--card": "--target", "--board": "--target"}
"""What a turner may call an option of the commands that trace."""


def plain_usage(message: str, words: Sequence[str], command: str) -> tuple[str, str]:
    """Return what is wrong and what to do, a line each.

    Parameters
    ----------
    message : of the command-line library.
    words : the command line without the program's name.
    command : such as "measure trace".
    """
    advice = f"Type {command} --help to see what it takes."
    unknown = _UNKNOWN.match(message)
    if unknown is not None and command in _OF_TRACES and unknown[1] in _MEANT:
        return message, f"Did you mean {_MEANT[unknown[1]]}? {advice}"
    found = _NUMBER.match(message)
    if found is None:
        return message, advice
    option, kind = found[1], "a whole number" if found[2] == "integer" else "a number"
    given = _given(option, words)
    what = f"{option} needs {kind}" + (f", not {given}." if given else ".")
    return what, f"Type a plain number, as in {option} 5 (lengths in mm); see {command} --help."


def _given(option: str, words: Sequence[str]) -> str:
    for word, after in zip(words, [*words[1:], ""], strict=True):
        if word == option:
            return after[:20]
        if word.startswith(option + "="):
            return word[len(option) + 1 :][:20]
    return ""
