"""The `calib` command: registers its subcommands, nothing else."""

from __future__ import annotations

import importlib
import pkgutil

import typer

from calib import commands
from calib.ending import run_app

__all__ = ["app", "main"]

app = typer.Typer(
    name="calib",
    help="Print a board, know your phone's lens, and see what a photo will give.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


@app.callback()
def _group() -> None:
    """Keep a lone subcommand a subcommand: Typer would fold it into the command itself."""


for _module in pkgutil.iter_modules(commands.__path__):
    importlib.import_module(f"calib.commands.{_module.name}").register(app)


def main() -> None:
    """Run the command line."""
    run_app(app, "calib")
