"""Numbers on the command line with a decimal comma, as half of Europe types them."""

from __future__ import annotations

import re
import typing
from collections.abc import Callable, Sequence
from typing import Any

__all__ = ["unclear_pair", "with_decimal_points"]

_COMMA = re.compile(r"(-?\d+),(\d+)")


def with_decimal_points(app: Any, words: Sequence[str]) -> list[str]:
    """Return a command line in which 99,6 is 99.6 wherever an option takes one number.

    One place for all of them: an option only says that it is a float. Where a comma separates
    numbers (a box, a list of angles) the option is text, and is left alone.

    Parameters
    ----------
    app : a Typer application with the command that the first word names.
    words : the command line without the program's name.
    """
    result = list(words)
    numbers = {name for command in _named(app, words[:1]) for name in _float_options(command)}
    for i, word in enumerate(words):
        name, equals, value = word.partition("=")
        if name in numbers and equals:
            result[i] = f"{name}={_pointed(value)}"
        elif i and words[i - 1] in numbers:
            result[i] = _pointed(word)
    return result


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


def _float_options(command: Callable[..., Any]) -> set[str]:
    found: set[str] = set()
    for argument, hint in typing.get_type_hints(command, include_extras=True).items():
        kind, *extras = typing.get_args(hint) or (hint,)
        if kind is float or float in typing.get_args(kind):
            named = [name for info in extras for name in getattr(info, "param_decls", None) or ()]
            found.update(named or ["--" + argument.replace("_", "-")])
    return found
