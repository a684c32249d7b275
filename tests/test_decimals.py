"""A decimal comma is a decimal point wherever an option takes one number, inches are millimetres
wherever one takes a length."""

import pytest
import typer

from calib import printed
from calib.cli import app
from calib.decimals import plain_numbers, unclear_pair
from calib.ending import run_app
from calib.folders import CONFIG_VARIABLE
from calib.refusal import BadFileError
from measure.cli import build_app


def typed(words, application=None):
    application = application or build_app(words)
    return plain_numbers(application, words)


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


@pytest.mark.parametrize(
    ("typed_words", "read"),
    [
        # Exactly 25.4 mm to the inch (international yard and pound agreement of 1959).
        (["trace", "--known", "3-7/8in:1-3/4in"], ["trace", "--known", "98.425:44.45"]),
        (["trace", "--known=2in:1 5/8in"], ["trace", "--known=50.8:41.275"]),
        (["trace", "--axis-offset", "-1/2in"], ["trace", "--axis-offset", "-12.7"]),
        (["trace", "--every", '0,25"'], ["trace", "--every", "6.35"]),
        (["check", "--tolerance", "1/64in,1/32in"], ["check", "--tolerance", "0.396875,0.79375"]),
        (["sheet", "--plank", "40inx8inx2in"], ["sheet", "--plank", "1016x203.2x50.8"]),
        (["sheet", "--layers=oak 3/4in, ash 2"], ["sheet", "--layers=oak 19.05, ash 2"]),
        (["check", "--datum", "1/2in"], ["check", "--datum", "12.7"]),
        (["check", "--datum", "end"], ["check", "--datum", "end"]),
        (["hole", "--depth", "step1:3/8in"], ["hole", "--depth", "step1:9.525"]),
    ],
)
def test_lengths_in_inches(typed_words, read):
    assert typed(typed_words) == read


def test_inches_where_no_length_is_asked_for_are_left_alone():
    for words in (
        ["trace", "mill 4in.jpg", "--out", "2in"],
        ["trace", "p.jpg", "--turned", "0in,60in"],
        ["trace", "p.jpg", "--known", "1/0in:3"],
        ["trace", "p.jpg", "--known", "2inches:40"],
    ):
        assert typed(words) == words


@pytest.mark.parametrize(
    ("words", "bare"),
    [
        (["check", "--tolerance", "0.01,0.01in"], "0.01"),
        (["trace", "--known", "80:1-1/4in"], "80"),
        (["sheet", "--allow-diameter=0.25"], "0.25"),
        (["sheet", "--layers", "oak 3/4in, ash 2"], "2"),
        (["hole", "--depth", "step1:10"], "10"),
        (["fit", "1in", "2in", "--wanted", "0.2,0.4"], "0.2"),
        (["trace", "--every", "5"], "5"),
    ],
)
def test_with_inches_a_length_says_its_unit(words, bare):
    with pytest.raises(BadFileError, match=f"and {bare} has none") as caught:
        typed([*words, "--inches"])
    assert caught.value.notice.code == "unit-unsaid"
    assert f"{bare}in if it is inches" in caught.value.notice.advice


@pytest.mark.parametrize(
    ("words", "read"),
    [
        (["check", "--tolerance", "0,0.01in"], ["check", "--tolerance", "0,0.254"]),
        (["trace", "--known", "80mm:1-1/4in"], ["trace", "--known", "80:31.75"]),
        (["hole", "--depth", "step1:10 mm"], ["hole", "--depth", "step1:10"]),
        (["hole", "--depth", "2:10mm"], ["hole", "--depth", "2:10"]),
        (["fit", "1in", "2in", "--wanted", "push"], ["fit", "1in", "2in", "--wanted", "push"]),
        (["check", "--datum", "end"], ["check", "--datum", "end"]),
    ],
)
def test_with_inches_either_unit_is_read(words, read):
    assert typed([*words, "--inches"]) == [*read, "--inches"]


def test_bars_measured_in_inches():
    words = ["printed", "--bar-x", "3-15/16in", "--bar-y=3.94in"]
    assert typed(words, app) == ["printed", "--bar-x", "100.0125", "--bar-y=100.076"]
