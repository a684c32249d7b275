"""What README.md tells a turner to type exists: files, commands and options."""

import re
import shlex
from pathlib import Path

import pytest
import typer

import calib.cli
from measure.cli import build_app

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```\n(.*?)^```$", TEXT, re.MULTILINE | re.DOTALL)
LINES = [line for block in BLOCKS for line in block.splitlines() if line.strip()]


def words_of(program):
    """The command lines of README that call a program, as words after its name."""
    found = []
    for line in LINES:
        for part in line.split("&&"):
            words = shlex.split(part)
            if Path(words[0]).name == program:
                found.append(words[1:])
    return found


def options_of(app, command):
    group = typer.main.get_command(app)
    return {name for parameter in group.commands[command].params for name in parameter.opts}


def app_of(program):
    if program == "measure":
        return build_app([])
    build = getattr(calib.cli, "build_app", None)
    return build([]) if build else calib.cli.app


def test_both_opening_commands_work_on_a_fresh_machine_alone():
    opening = LINES[:2]
    assert all(line.startswith("python3 -m venv .venv && ") for line in opening)
    assert "measure trace sample_images/" in opening[0]
    assert opening[1].endswith("-m pytest")


@pytest.mark.parametrize("program", ["measure", "calib"])
def test_every_option_typed_in_the_readme_exists(program):
    lines = words_of(program)
    assert lines
    for command, *rest in lines:
        typed = {word for word in rest if word.startswith("--")}
        assert typed <= options_of(app_of(program), command), (program, command)


def test_every_path_named_in_the_readme_is_there():
    named = set(re.findall(r"\bsample_images/[\w.-]+\w", TEXT))
    assert named
    assert [path for path in sorted(named) if not (ROOT / path).exists()] == []


def test_the_cautions_stand_in_the_readme():
    for words in ("Stop the lathe", "chuck key out", "Cover the card's number"):
        assert words in TEXT
