"""A caliper reading that is wrong by a millimetre, on rendered samples: it is not taken in."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from calib.photo import read_photo
from calib.refusal import RefusalError
from measure.request import build_request
from measure.result import TraceResult
from measure.trace import trace
from tests.benchmarks.groundtruth import read_truth

SAMPLES = Path(__file__).parents[2] / "sample_images"
WAIST_MM = 80.0


def true_diameter(stem: str, z_mm: float) -> float:
    z, r = read_truth(SAMPLES / f"{stem}.jpg").meridian.T
    return 2.0 * float(np.interp(z_mm, z, r))


def traced(stem: str, reading: str, setup: str = "bench") -> TraceResult:
    request = build_request(known=[reading], setup=setup)
    return trace(read_photo(SAMPLES / f"{stem}.jpg"), request, lambda _: None)


@pytest.mark.parametrize(
    ("stem", "setup", "z", "off"),
    [("mill_tilted", "bench", WAIST_MM, 1.0), ("mill_upright", "upright", 5.0, 1.0)],
)
def test_a_reading_that_is_a_millimetre_wrong_is_refused(
    stem: str, setup: str, z: float, off: float
) -> None:
    wrong = true_diameter(stem, z) + off
    with pytest.raises(RefusalError) as caught:
        traced(stem, f"{z:g}:{wrong:.2f}", setup)
    assert caught.value.notice.code == "known-contradicts"
    assert f"z = {z:g}" in caught.value.notice.message


def test_the_true_one_is_taken_in() -> None:
    true = true_diameter("mill_tilted", WAIST_MM)
    result = traced("mill_tilted", f"{WAIST_MM:g}:{true:.2f}")
    assert result.known == ((WAIST_MM, round(true, 2)),)
