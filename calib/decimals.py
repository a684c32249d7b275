"""Numbers on the command line as people type them: with a decimal comma, lengths in inches."""

from __future__ import annotations

import re
import typing
from collections.abc import Callable, Sequence
from typing import Any

from calib.refusal import BadFileError
from calib.typedinches import lengths_to_mm, without_unit

__all__ = ["check_unit", "plain_numbers", "unclear_pair"]

NAMED = "NAME:MM"
LENGTHS = ("MM", "Z:DIAMETER", NAMED, "PROUD,SHY", "LxWxT", "WHERE", "WOOD MM,...", "FIT")
"""What stands in the help for the values of options that are lengths, or made up of lengths."""

_COMMA = re.compile(r"(-?\d+),(\d+)")


def plain_numbers(app: Any, words: Sequence[str]) -> list[str]:
    """Return a command line with its numbers as programs write them, its lengths in millimetres.

    99,6 is 99.6 wherever an option takes one number; 1-3/4in is 44.45 wherever one takes a length.
    With `--inches` each length says its unit. One place for all of them: an option only says that
    it is a float, or by what stands for its value in the help that it is a length. Where a comma
    separates numbers (a box, a list of angles) the option is text, and its commas are left alone.

    Parameters
    ----------
    app : a Typer application with the command that the first word names.
    words : the command line without the program's name.

    Raises
    ------
    BadFileError
        `unit-unsaid` as `check_unit` has it.
    """
    result = list(words)
    commands = _named(app, words[:1])
    floats = {name for command in commands for name in _options(command, _is_float)}
    lengths = {name for command in commands for name in _options(command, _is_length)}
    named = {name for command in commands for name in _options(command, _is_named)}
    for i, word in enumerate(words):
        name, equals, value = word.partition("=")
        before = words[i - 1] if i else ""
        head, option, typed = (f"{name}=", name, value) if equals else ("", before, word)
        if option in lengths:
            if "--inches" in words:
                check_unit(
                    f"{option} {typed}", typed.rpartition(":")[2] if option in named else typed
                )
            typed = lengths_to_mm(typed)
        if option in floats:
            typed = _pointed(typed)
        result[i] = head + typed
    return result


def check_unit(said: str, lengths: str) -> None:
    """Refuse lengths without a unit where the turner reads inches: 1.64 may be meant in either.

    Parameters
    ----------
    said : what was typed, as it is named to the turner.
    lengths : the part of it that is lengths.

    Raises
    ------
    BadFileError
        `unit-unsaid`.
    """
    number = without_unit(lengths)
    if number is not None:
        raise BadFileError(
            "unit-unsaid",
            f"{said}: with --inches a length needs its unit, and {number} has none.",
            f"Write {number}in if it is inches, {number}mm if it is millimetres.",
        )


def unclear_pair(text: str) -> bool:
    """Whether "A,B" may as well be a decimal comma: 0,3 is hardly 0 and 3."""
    words = [word.strip() for word in text.split(",")]
    return len(words) in (2, 4) and all(word.isdecimal() for word in words) and words[0] == "0"


def _pointed(word: str) -> str:
    found = _COMMA.fullmatch(word)
    return f"{found[1]}.{found[2]}" if found else word


def _named(app: Any, words: Sequence[str]) -> list[Callable[..., Any]]:
    return [
        info.callback
        for info in getattr(app, "registered_commands", ())
        if info.callback and words == [info.name or info.callback.__name__.replace("_", "-")]
    ]


def _options(command: Callable[..., Any], fits: Callable[[Any, Sequence[Any]], bool]) -> set[str]:
    found: set[str] = set()
    for argument, hint in typing.get_type_hints(command, include_extras=True).items():
        kind, *extras = typing.get_args(hint) or (hint,)
        if fits(kind, extras):
            named = [name for info in extras for name in getattr(info, "param_decls", None) or ()]
            found.update(named or ["--" + argument.replace("_", "-")])
    return found


def _is_float(kind: Any, _: Sequence[Any]) -> bool:
    return kind is float or float in typing.get_args(kind)


def _is_named(_: Any, extras: Sequence[Any]) -> bool:
    return any(getattr(info, "metavar", None) == NAMED for info in extras)


def _is_length(_: Any, extras: Sequence[Any]) -> bool:
    return any(getattr(info, "metavar", None) in LENGTHS for info in extras)
