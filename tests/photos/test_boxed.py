"""A box on a photo of a lying piece: rendered samples, whole, in part, and asked for a face.

A box may keep other things out. Where it cuts the piece, what the piece rests on may be out of
sight, and with it goes the height of the axis and every diameter.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from calib.photo import read_photo
from calib.refusal import RefusalError
from calib.targets import parse_target
from measure.hole import measure_hole
from measure.holerequest import build_hole_request
from measure.request import build_request
from measure.result import TraceResult
from measure.trace import trace
from tests.benchmarks.groundtruth import read_truth
from tests.benchmarks.tracedphoto import Took, scored

SAMPLES = Path(__file__).parents[2] / "sample_images"
TOOK = Took(0.0, 0.0)


def traced(stem: str, box: str) -> TraceResult:
    return trace(read_photo(SAMPLES / f"{stem}.jpg"), build_request(box=box), lambda _: None)


@pytest.mark.parametrize(
    ("stem", "box"),
    [
        ("mill_tilted", "160,400,1500,1000"),
        ("mill_flat", "160,400,1700,1200"),
        # The edge of these falls into a cove: the bead before it looks like the end of the piece.
        ("mill_tilted", "160,400,2500,1000"),
        ("mill_tilted", "160,400,2700,1000"),
    ],
)
def test_a_box_that_cuts_a_lying_piece_is_refused(stem: str, box: str) -> None:
    with pytest.raises(RefusalError, match="the box cuts the piece") as caught:
        traced(stem, box)
    assert caught.value.notice.code == "rest-unclear"
    assert "round all of it" in caught.value.notice.advice


def test_a_box_round_all_of_it_does_no_harm() -> None:
    # 40 pixels clear of it at both ends.
    result = traced("mill_tilted", "325,462,3344,911")
    judged = scored(result, read_truth(SAMPLES / "mill_tilted.jpg"), TOOK, TOOK).rows
    assert judged is not None
    assert not np.any(judged.far_outside)
    assert result.length_mm is not None


@pytest.mark.parametrize("box", ["150,500,700,1100", "3300,850,400,400", "500,400,700,1000"])
def test_the_side_of_a_mill_shows_no_circle_of_an_end_face(box: str) -> None:
    """Its grain and its shaded edge made arcs of up to 192 degrees there."""
    photo = read_photo(SAMPLES / "mill_tilted.jpg")
    with pytest.raises(RefusalError) as caught:
        measure_hole(photo, build_hole_request(box=box), parse_target("id1"))
    assert caught.value.notice.code == "no-circle"
    assert "measure trace" in caught.value.notice.advice
