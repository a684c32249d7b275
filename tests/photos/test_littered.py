"""Sample photos (rendered) with a rule, a pencil, coins and an offcut drawn beside the piece.

It is the one measured, or the photo is refused.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks.littered import littered, on_bench
from tests.benchmarks.tracedphoto import Score, score_photo

SAMPLES = [
    photo
    for photo in sorted((Path(__file__).parents[2] / "sample_images").glob("mill_*.jpg"))
    if on_bench(photo)
]
REFUSALS = {"not-turned", "no-piece", "no-target", "plain-rod", "rest-unclear", "two-pieces"}


@pytest.fixture(scope="module")
def scores(tmp_path_factory: pytest.TempPathFactory) -> list[Score]:
    folder = tmp_path_factory.mktemp("littered")
    return [score_photo(littered(photo, 0, folder)) for photo in SAMPLES]


def test_the_piece_is_the_one_measured(scores: list[Score]) -> None:
    measured = [score for score in scores if score.rows is not None]
    assert len(measured) >= len(SAMPLES) - 2
    for score in measured:
        assert score.rows is not None
        assert np.mean(score.rows.far_outside) <= 0.05, score.name
    inside = np.concatenate([score.rows.inside for score in measured if score.rows is not None])
    assert np.mean(inside) >= 0.90


def test_what_is_refused_is_refused_for_what_it_shows(scores: list[Score]) -> None:
    assert {score.refusal for score in scores if score.rows is None} <= REFUSALS
