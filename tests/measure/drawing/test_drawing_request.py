"""Words of the command line about a drawing."""

from __future__ import annotations

import pytest

from calib.refusal import BadFileError
from measure.drawingrequest import build_drawing_request, parse_scale


@pytest.mark.parametrize(
    ("text", "times"), [("1:1", 1.0), ("1:2", 2.0), ("2:1", 0.5), ("1/4", 4.0), ("1 : 2,5", 2.5)]
)
def test_scale(text: str, times: float) -> None:
    assert parse_scale(text) == pytest.approx(times)


@pytest.mark.parametrize(
    "text", ["", "2", "1:0", "0:1", "-1:2", "1:2:3", "1:nan", "1:inf", "1:1e9"]
)
def test_no_scale(text: str) -> None:
    with pytest.raises(BadFileError) as caught:
        parse_scale(text)
    assert caught.value.notice.code == "bad-option"


@pytest.mark.parametrize(
    "words",
    [
        {"what": "paint"},
        {"profile": "quarter"},
        {"start": "up"},
        {"every": 0.0},
        {"every": float("nan")},
        {"height": float("nan")},
        {"height": 1000.0},
        {"box": "1,2,3"},
    ],
)
def test_words_that_make_no_sense(words: dict[str, object]) -> None:
    with pytest.raises(BadFileError):
        build_drawing_request(**words)


def test_words_in_any_case() -> None:
    request = build_drawing_request(what="Edge", profile="HALF", start="Left")
    assert (request.what, request.profile, request.start) == ("edge", "half", "left")
