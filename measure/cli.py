"""The `measure` command: registers its subcommands, nothing else."""

from __future__ import annotations

import importlib
import pkgutil
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

import typer

from calib.ending import conclude, run_app
from calib.nearby import PICTURE_SUFFIXES
from calib.refusal import BadFileError
from measure import commands

__all__ = ["build_app", "main"]


def build_app(words: Sequence[str]) -> typer.Typer:
    """Return the application for a command line.

    Only the command that is asked for is imported, so that starting stays quick however many
    there are; all of them when none is named, since help lists them.

    Parameters
    ----------
    words : the command line without the program's name.
    """
    app = typer.Typer(
        name="measure",
        help="Diameters of turned work from one phone photo with a card in it.",
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        # Plain help: the boxes take a quarter of a second to import, and eat words in brackets.
        rich_markup_mode=None,
    )

    @app.callback()
    def _group() -> None:
        """Keep a lone subcommand a subcommand: Typer would fold it into the command itself."""

    names = [module.name for module in pkgutil.iter_modules(commands.__path__)]
    asked = [name for name in names if words and words[0] == name]
    for name in asked or names:
        importlib.import_module(f"measure.commands.{name}").register(app)
    return app


def main() -> None:
    """Run the command line."""
    words = sys.argv[1:]
    if words and Path(words[0]).suffix.lower() in PICTURE_SUFFIXES:
        conclude(lambda: _refuse_bare_photo(words), "--json" in words)
    run_app(build_app(words), "measure")


def _refuse_bare_photo(words: Sequence[str]) -> NoReturn:
    typed = " ".join(f'"{word}"' if " " in word else word for word in words)
    raise BadFileError(
        "usage", f"{words[0]} is a photo, not a command.", f"Type: measure trace {typed}"
    )
