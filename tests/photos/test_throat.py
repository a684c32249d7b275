"""The sample photo of an end face: rendered, its true circles beside it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from calib.photo import read_photo
from calib.refusal import RefusalError
from calib.targets import parse_target
from measure.hole import HoleResult, measure_hole
from measure.holerequest import build_hole_request
from measure.result import TraceRequest
from measure.trace import trace

PHOTO = Path(__file__).parents[2] / "sample_images" / "throat.jpg"
TRUTH = json.loads(PHOTO.with_suffix(".truth.json").read_text(encoding="utf-8"))
TARGET_MM = 0.12


def measured(depth: list[str]) -> HoleResult:
    return measure_hole(read_photo(PHOTO), build_hole_request(depth=depth), parse_target("id1"))


@pytest.fixture(scope="module")
def told() -> HoleResult:
    return measured(TRUTH["told"]["depth"])


def test_each_circle_is_within_the_target_and_within_its_uncertainty(told: HoleResult) -> None:
    found = {circle.name: circle for circle in told.circles}
    assert found.keys() == TRUTH["drawn"]["circles"].keys()
    for name, diameter in TRUTH["drawn"]["circles"].items():
        circle = found[name]
        assert circle.diameter_mm is not None
        assert circle.u95_mm is not None
        error = abs(circle.diameter_mm - diameter)
        assert error <= min(TARGET_MM, circle.u95_mm), name


def test_a_step_of_untold_depth_gets_no_diameter_but_a_depth() -> None:
    step = {circle.name: circle for circle in measured([]).circles}["step1"]
    assert step.diameter_mm is None
    assert step.implied_depth_mm == pytest.approx(9.0, abs=0.5)


def test_a_face_with_its_wall_beside_it_is_no_piece_seen_from_the_side() -> None:
    with pytest.raises(RefusalError) as refused:
        trace(read_photo(PHOTO), TraceRequest())
    # The block that carries the card is as plain as a rod.
    assert refused.value.notice.code in ("not-turned", "plain-rod")
    assert "measure hole" in refused.value.notice.advice
