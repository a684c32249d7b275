"""A decimal comma is a decimal point wherever an option takes one number."""

import pytest
import typer

from calib import printed
from calib.cli import app
from calib.decimals import unclear_pair, with_decimal_points
from calib.ending import run_app
from calib.folders import CONFIG_VARIABLE
from measure.cli import build_app


def typed(words, application=None):
    application = application or build_app(words)
    return with_decimal_points(application, words)


def test_numbers_of_a_command_and_of_the_shared_options():
    words = ["trace", "a,5.jpg", "--every", "2,5", "--axis-height=40,25", "--axis-offset", "-3,5"]
    assert typed(words) == [
        "trace", "a,5.jpg", "--every", "2.5", "--axis-height=40.25", "--axis-offset", "-3.5"
    ]  # fmt: skip


def test_lists_names_and_slips_are_left_alone():
    for words in (
        ["trace", "p.jpg", "--box", "1,2,3,4"],
        ["trace", "p.jpg", "--turned", "0,60"],
        ["trace", "p.jpg", "--out", "1,5"],
        ["trace", "p.jpg", "--every", "1,234.5"],
        ["check", "p.jpg", "--tolerance", "1,5"],
        [],
        ["--help"],
    ):
        assert typed(words) == words


@pytest.mark.parametrize("command", ["hole", "sheet", "drawing", "cutter"])
def test_every_float_option_of_every_command_is_known(command):
    """Against the help that the application prints: what it calls a float takes a comma."""

    group = typer.main.get_command(build_app([command]))
    options = [
        name
        for option in group.commands[command].params
        if "float" in str(getattr(option, "type", "")).lower()
        or getattr(getattr(option, "type_descriptor", None), "annotation", None) is float
        for name in option.opts
    ]
    assert options
    for name in options:
        assert typed([command, name, "1,5"]) == [command, name, "1.5"], name


def test_a_printed_bar_read_with_a_comma(monkeypatch, tmp_path):
    monkeypatch.setenv(CONFIG_VARIABLE, str(tmp_path))
    monkeypatch.setattr("sys.argv", ["calib", "printed", "--bar-x", "99,6", "--bar-y", "99,8"])
    with pytest.raises(SystemExit) as end:
        run_app(app, "calib")
    assert not end.value.code
    scale = printed.print_scale("a4")
    assert (scale.x, scale.y) == pytest.approx((0.996, 0.998))


@pytest.mark.parametrize(
    ("text", "unclear"),
    [("0,3", True), ("0,3,0,2", True), ("0.0,3.0", False), ("0.3,0.2", False), ("1,2", False)],
)
def test_a_pair_that_may_be_one_number(text, unclear):
    assert unclear_pair(text) is unclear
