"""The main job on sample photos: rendered, with exact truth beside them.

The path tracer that made the photos is the outside reference; its own tests hold outline and card
edges to 0.1 px of where the truth puts them. The limits are those of the accuracy table.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from calib.finding import find_target
from calib.photo import read_photo
from calib.refusal import RefusalError
from calib.targets import ID1
from measure.trace import prior_lens
from tests.benchmarks.accuracytable import TARGETS
from tests.benchmarks.scoring import Judged
from tests.benchmarks.tracedphoto import Score, score_photo

SAMPLES = Path(__file__).parents[2] / "sample_images"
ROW_OF = {"mill_tilted": "id1_tilted", "mill_board": "a4_exif", "mill_upright": "stand_id1"}
"""Photo, and the row of the accuracy table that it belongs to."""
COVERED_LEAST = 0.90
not_yet = pytest.mark.xfail(
    strict=True,
    raises=AssertionError,
    reason="this target of the accuracy table is not reached on this sample photo yet",
)

NOT_ALL_SEEN = pytest.mark.xfail(
    strict=True,
    raises=AssertionError,
    reason="of mill_tilted and mill_upright less than 90 % of what the camera sees is reported yet",
)


@pytest.fixture(scope="module", params=ROW_OF)
def sample(request: pytest.FixtureRequest) -> tuple[str, Score]:
    return request.param, score_photo(SAMPLES / f"{request.param}.jpg")


def rows_of(score: Score) -> Judged:
    assert score.rows is not None, f"refused: {score.refusal}: {score.message}"
    return score.rows


@not_yet
def test_diameters_are_within_the_target_of_their_row(sample: tuple[str, Score]) -> None:
    name, score = sample
    within = np.abs(rows_of(score).error_mm) <= TARGETS[ROW_OF[name]].most_95_mm
    assert np.mean(within) >= 0.95


def test_stated_uncertainty_covers_the_errors(sample: tuple[str, Score]) -> None:
    rows = rows_of(sample[1])
    assert np.mean(rows.inside) >= COVERED_LEAST
    # Where steepness does not lend it slack, too.
    assert np.mean(rows.flat_rows().inside) >= COVERED_LEAST


def test_length_is_covered_and_counted_from_the_right_end(sample: tuple[str, Score]) -> None:
    score = sample[1]
    assert not score.backward
    assert score.length.error_mm is not None
    assert score.length.u95_mm is not None
    assert abs(score.length.error_mm) <= score.length.u95_mm


def test_what_the_camera_sees_is_reported(
    sample: tuple[str, Score], request: pytest.FixtureRequest
) -> None:
    if sample[0] != "mill_board":
        request.applymarker(NOT_ALL_SEEN)
    score = sample[1]
    assert score.seen is not None
    # 97 % is the target over all photos of the benchmark; one photo may have a hard stretch.
    assert score.seen.share >= 0.90


def test_nothing_is_far_outside_what_is_stated(sample: tuple[str, Score]) -> None:
    rows = rows_of(sample[1])
    beyond = np.abs(rows.error_mm) > 2.0 * rows.u95_mm
    # Never confidently wrong: at most 5 % of the rows beyond twice their U95.
    assert np.mean(beyond) <= 0.05


def test_the_median_error_is_within_the_target_of_its_row(
    sample: tuple[str, Score], request: pytest.FixtureRequest
) -> None:
    name, score = sample
    if name != "mill_board":
        request.applymarker(not_yet)
    assert np.median(np.abs(rows_of(score).error_mm)) <= TARGETS[ROW_OF[name]].most_median_mm


def test_a_board_taken_for_a_card_is_named() -> None:
    photo = read_photo(SAMPLES / "mill_board.jpg")
    with pytest.raises(RefusalError) as caught:
        find_target(photo, prior_lens(photo), ID1, None)
    assert caught.value.notice.code == "no-target"
    assert "--target a4" in caught.value.notice.advice
