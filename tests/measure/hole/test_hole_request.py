"""Words of the command line for an end face."""

import pytest

from calib.refusal import BadFileError
from measure.holerequest import build_hole_request


@pytest.mark.parametrize(
    "options",
    [
        {"card": "somewhere"},
        {"card": "at-foot"},
        {"face_height": 120.0},
        {"card": "at-foot", "face_height": float("nan")},
        {"card": "at-foot", "face_height": -3.0},
        {"plane_unsure": -0.1},
        {"plane_unsure": float("nan")},
        {"depth": ["step1"]},
        {"depth": ["step1:deep"]},
        {"depth": ["step1:-2"]},
        {"depth": [":3"]},
        {"depth": ["step1:nan"]},
        {"setup": "bench"},
        {"known": ["3:40"]},
        {"every": 2.0},
        {"start": "left"},
        {"box": "1,2,3"},
    ],
)
def test_words_that_make_no_sense_are_refused(options):
    with pytest.raises(BadFileError) as refused:
        build_hole_request(**options)
    assert refused.value.notice.code == "bad-option"


@pytest.mark.parametrize(
    ("card", "height", "z"),
    [("coplanar", None, 0.0), ("on-face", None, -0.76), ("at-foot", 180.0, 179.24)],
)
def test_where_the_face_lies(card, height, z):
    request = build_hole_request(card=card, face_height=height, depth=["Step1:9,3"])
    assert request.height_mm(0.76) == pytest.approx(z)
    assert request.depths == {"step1": 9.3}
