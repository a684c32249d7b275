"""What is printed beside a verdict bears it out: outside only if all of its ± is.

The rule is that of ISO 14253-1 (from memory).
"""

import dataclasses
import json

import numpy as np
import pytest
from checkpieces import Noise, measured_copy, mill_diameter, mill_plan, rows_with_shoulders

from measure.check import CheckRequest, check
from measure.checkwords import place_words
from measure.judge import OUTSIDE, UNSURE, WITHIN
from measure.measured import read_measured
from measure.profile import Profile
from measure.profilefile import rows_csv
from measure.units import METRIC


def uneven(seed):
    """A piece whose errors come and go along it, and whose stated U95 does so as well."""
    rng = np.random.default_rng(seed)
    z, d = rows_with_shoulders(mill_diameter)
    piece = measured_copy(z, d, Noise(local=0.05), rng)
    p = piece.profile
    knots = np.arange(0.0, 181.0, 3.0)
    error = np.interp(z, knots, rng.normal(0.0, 0.35, len(knots)))
    spread = np.interp(z, knots, rng.uniform(0.05, 0.6, len(knots))) * rng.uniform(0.8, 1.2, len(z))
    rows = Profile(p.z_mm, p.diameter_mm + error, np.hypot(p.u95_mm, spread), p.u95_common_mm)
    return dataclasses.replace(piece, profile=rows)


@pytest.mark.parametrize("tolerance", ["f", (0.3, 0.1)])
@pytest.mark.parametrize("seed", range(12))
def test_number_and_spread_of_every_place_bear_its_verdict_out(seed, tolerance):
    result = check(uneven(seed), mill_plan(), CheckRequest(tolerance, datum="start"))
    assert result.places
    for place in result.places:
        least = abs(place.deviation_mm) - place.u95_mm
        words = place_words(place, result, METRIC)
        assert place.z_from_mm <= place.z_mm <= place.z_to_mm, words
        if place.verdict == OUTSIDE:
            assert least > place.limit_mm, words
            judged = result.rows
            # At a shoulder two rows stand at one z. A cut may end where rows are perhaps outside,
            # not where they are within.
            assert OUTSIDE in judged.verdict[np.abs(judged.z_mm - place.z_mm) < 1e-9]
            for end in (place.z_from_mm, place.z_to_mm):
                beside = judged.verdict[np.abs(judged.z_mm - end) < 1e-9]
                assert np.any(beside != WITHIN)
        if place.verdict == UNSURE:
            assert least <= place.limit_mm or "by itself" in words, words
        if place.verdict == WITHIN:
            assert abs(place.deviation_mm) + place.u95_mm <= place.limit_mm, words
        assert ("take" in words or "beyond" in words) <= (place.verdict == OUTSIDE), words


def test_a_proud_band_is_a_place_as_long_as_it_is_proud():
    # Half a millimetre proud over 8 mm, of which no more than the half stands out beyond 0.3 mm
    # and its U95: a cut as long as that would leave a ridge.
    z, d = rows_with_shoulders(mill_diameter)
    piece = measured_copy(z, d, Noise(local=0.01), np.random.default_rng(4))
    p = piece.profile
    middle = 82.0
    band = np.clip((4.0 - np.abs(z - middle)) / 1.0 + 0.5, 0.0, 1.0)
    ripple = np.where(z > middle, 0.42, 0.52) * band
    rows = Profile(p.z_mm, p.diameter_mm + ripple, np.full(len(z), 0.16), p.u95_common_mm)
    plan = mill_plan()
    result = check(
        dataclasses.replace(piece, profile=rows), plan, CheckRequest((0.3, 0.3), "start")
    )
    place = result.places[0]
    assert place.verdict == OUTSIDE
    assert abs(place.z_from_mm - (middle - 4.0)) < 1.0
    assert abs(place.z_to_mm - (middle + 4.0)) < 1.0


def test_two_bumps_that_touch_are_two_places():
    """Between them the piece comes down to hardly outside: the lesser one is not passed over."""
    z, d = rows_with_shoulders(mill_diameter)
    piece = measured_copy(z, d, Noise(local=0.01), np.random.default_rng(4))
    p = piece.profile
    # Low between, and outside all the way: one run of rows.
    bumps = np.interp(z, [74.0, 76.0, 80.0, 82.0, 86.0, 88.0], [0.0, 3.0, 0.5, 0.5, 1.8, 0.0])
    rows = Profile(p.z_mm, p.diameter_mm + bumps, np.full(len(z), 0.1), p.u95_common_mm)
    result = check(
        dataclasses.replace(piece, profile=rows), mill_plan(), CheckRequest((0.3, 0.3), "start")
    )
    outside = [place for place in result.places if place.verdict == OUTSIDE]
    assert [place.z_mm for place in outside] == pytest.approx([76.0, 86.0], abs=0.8)
    assert outside[1].deviation_mm == pytest.approx(1.7, abs=0.15)


def test_a_reading_that_was_given_is_not_asked_for_again():
    piece = uneven(0)
    request = CheckRequest((0.3, 0.1), datum="start")
    asked = check(piece, mill_plan(), request).advice.readings
    assert asked
    given = tuple(reading.piece_z_mm for reading in asked)
    again = check(dataclasses.replace(piece, known_mm=given), mill_plan(), request).advice.readings
    assert all(abs(r.piece_z_mm - z) >= 10.0 for r in again for z in given)


def test_a_trace_that_is_read_back_says_where_readings_were_taken(tmp_path):
    (tmp_path / "profile.csv").write_bytes(rows_csv(uneven(3).profile))
    known = [{"z_mm": 72.0, "diameter_mm": 35.6}]
    (tmp_path / "result.json").write_text(
        json.dumps({"schema": 1, "kind": "trace", "known": known})
    )
    assert read_measured(tmp_path).known_mm == (72.0,)
    strange = {"schema": 1, "kind": "trace", "known": [7, {"z": 1}]}
    (tmp_path / "result.json").write_text(json.dumps(strange))
    assert read_measured(tmp_path).known_mm == ()
