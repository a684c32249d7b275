"""What is said of a circle in the table."""

import dataclasses

import numpy as np
import pytest

from measure.face import DEEPER, GIVEN, ON_FACE, FaceCircle
from measure.holetext import circle_words
from measure.units import METRIC

BORE = FaceCircle(
    "bore", ON_FACE, 41.6, 0.14, 0.1, np.zeros(2), 0.0, 0.05, 0.1, 0.1, 0.3, 4.0, 350.0, 0.2,
    np.zeros((0, 2)),
)  # fmt: skip


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({}, "on the face"),
        ({"where": GIVEN, "depth_mm": 9.3}, "9.3 mm (given)"),
        ({"where": GIVEN}, "0 mm (given)"),
        ({"where": DEEPER, "diameter_mm": None, "implied_depth_mm": 9.0}, "looks 9 mm deep"),
        ({"where": DEEPER, "diameter_mm": None, "implied_depth_mm": -2.2}, "looks 2.2 mm nearer"),
    ],
)
def test_depths_in_words(change, says):
    assert circle_words(dataclasses.replace(BORE, **change), METRIC)[2] == says
