"""Sample photos (rendered) as a messenger hands them on: small, compressed, nothing said of the
camera. Refused or measured, but never confidently wrong."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks.handedon import handed_on
from tests.benchmarks.tracedphoto import Score, score_photo

SAMPLES = sorted((Path(__file__).parents[2] / "sample_images").glob("mill_*.jpg"))
REFUSALS = {"not-turned", "no-piece", "no-target", "wrong-rectangle", "rest-unclear"}


@pytest.fixture(scope="module")
def scores(tmp_path_factory: pytest.TempPathFactory) -> list[Score]:
    folder = tmp_path_factory.mktemp("messenger")
    return [score_photo(handed_on(photo, "messenger", folder)) for photo in SAMPLES]


def test_what_is_measured_says_how_uncertain_it_is(scores: list[Score]) -> None:
    measured = [score for score in scores if score.rows is not None]
    assert len(measured) >= len(SAMPLES) // 2
    for score in measured:
        assert score.rows is not None
        assert "no-exif" in score.warned
        assert np.mean(score.rows.far_outside) <= 0.05, score.name
    inside = np.concatenate([score.rows.inside for score in measured if score.rows is not None])
    assert np.mean(inside) >= 0.90


def test_what_is_refused_is_refused_for_what_it_shows(scores: list[Score]) -> None:
    assert {score.refusal for score in scores if score.rows is None} <= REFUSALS
