import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from measure.stations import stations
from tests.measure.exact_shapes import cone, profile_of, stepped, without


def test_stations_on_a_cone_lie_on_the_cone():
    picked = stations(cone(100.0, 20.0, 60.0), 7.3)
    np.testing.assert_allclose(picked.z_mm, 7.3 * np.arange(14), atol=1e-9)
    np.testing.assert_allclose(picked.diameter_mm, 20.0 + 0.4 * picked.z_mm, atol=1e-9)


def test_a_station_in_a_gap_is_left_out_and_not_bridged():
    picked = stations(without(cone(), 40.0, 52.0), 5.0)
    assert 45.0 not in picked.z_mm
    assert 50.0 not in picked.z_mm
    assert {40.0, 55.0} <= set(picked.z_mm.tolist())


def test_a_station_at_a_shoulder_gives_both_rows_start_side_first():
    picked = stations(stepped(), 10.0)
    here = picked.z_mm == 30.0
    assert picked.diameter_mm[here].tolist() == [40.0, 25.0]


def test_beside_a_shoulder_nothing_is_mixed_across_it():
    # 50.1 is a shoulder between the rows of the grid at 50.0 and 50.25.
    picked = stations(stepped(), 50.05)
    assert picked.diameter_mm.tolist() == [40.0, 25.0]


@given(st.floats(0.25, 30.0), st.floats(5.0, 60.0))
def test_every_station_is_a_multiple_and_none_is_missed(every, length):
    length = round(length * 4.0) / 4.0
    picked = stations(cone(length), every)
    index = picked.z_mm / every
    np.testing.assert_allclose(index, np.arange(len(index)), atol=1e-6)
    assert length - picked.z_mm[-1] < every + 1e-6


def test_stations_every_millimetre_include_the_last_in_spite_of_rounding():
    profile = profile_of(np.arange(0.0, 30.1, 0.25), np.full(121, 30.0))
    assert len(stations(profile, 0.1).z_mm) == 301


@pytest.mark.parametrize("every", [0.0, -1.0, float("nan")])
def test_no_spacing_is_misuse(every):
    with pytest.raises(ValueError, match="above 0"):
        stations(cone(), every)
