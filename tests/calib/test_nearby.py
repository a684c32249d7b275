"""What is offered in place of a file that is not there."""

from pathlib import Path

import pytest

from calib.nearby import missing_file_advice
from calib.refusal import RefusalError
from calib.setupnames import setup_advice
from calib.usage import plain_usage


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """Return a folder with two photos, the results of one of them, and a plan."""
    for name in ("mill_tilted.jpg", "mill_flat.jpg", "body.csv", ".mil_tilted.jpg"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "mill_tilted-measured").mkdir()
    return tmp_path


@pytest.mark.parametrize(
    ("name", "offered"),
    [
        ("mil_tilted.jpg", "mill_tilted.jpg"),
        ("mill_flat", "mill_flat.jpg"),
        ("Mill_Flat.JPG", "mill_flat.jpg"),
        ("mill_tilted-measurd", "mill_tilted-measured"),
        ("bodi.csv", "body.csv"),
    ],
)
def test_nearest_name_is_offered(bench: Path, name: str, offered: str) -> None:
    assert missing_file_advice(bench / name).startswith(f"Did you mean {bench / offered}? ")


@pytest.mark.parametrize("name", ["mill_flat-measured", "mill_flat-measured/profile.csv"])
def test_results_that_are_not_there_are_to_be_measured_first(bench: Path, name: str) -> None:
    want = f"First type: measure trace {bench / 'mill_flat.jpg'}."
    assert missing_file_advice(bench / name) == want


@pytest.mark.parametrize("name", ["spindle.jpg", "no/such/folder.jpg", "a\0b"])
def test_nothing_is_offered_where_nothing_is_near(bench: Path, name: str) -> None:
    assert missing_file_advice(bench / name) == "Check the name and the folder."


def test_results_of_no_photo_here(bench: Path) -> None:
    assert missing_file_advice(bench / "notyet-measured") == "First type: measure trace PHOTO."


@pytest.mark.parametrize(
    ("word", "setup"), [("lathe", "plane"), ("standing", "upright"), ("lying", "bench")]
)
def test_turners_word_for_a_setup_is_understood(word: str, setup: str) -> None:
    from measure.request import build_request

    with pytest.raises(RefusalError) as caught:
        build_request(setup=word)
    told = caught.value.notice.advice
    assert told == f"Use --setup {setup} (there are bench, upright, level, plane)."
    assert setup_advice("hung", ("bench", "upright")) == "Use one of bench, upright."


def test_turners_word_for_an_option_is_understood() -> None:
    for given, meant in (("--caliper", "--known"), ("--card", "--target")):
        _, advice = plain_usage(f"No such option: {given}", [], "measure trace")
        assert advice.startswith(f"Did you mean {meant}? ")
    _, advice = plain_usage("No such option: --card", [], "measure sheet")
    assert "--target" not in advice
