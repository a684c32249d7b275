"""The `measure` command: registers its subcommands, nothing else."""

from __future__ import annotations

import importlib
import pkgutil

import typer

from calib.ending import run_app
from measure import commands

__all__ = ["app", "main"]

app = typer.Typer(
    name="measure",
    help="Diameters of turned work from one phone photo with a card in it.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

for _module in pkgutil.iter_modules(commands.__path__):
    importlib.import_module(f"measure.commands.{_module.name}").register(app)


def main() -> None:
    """Run the command line."""
    run_app(app, "measure")
