from dataclasses import replace

import numpy as np
import pytest

from measure.result import CUT
from tests.measure.exact_shapes import ball, cone, profile_of, result_of, stepped, without


def test_a_cone_is_largest_at_one_end_and_smallest_at_the_other():
    result = result_of(cone(100.0, 20.0, 60.0))
    assert (result.largest().z_mm, result.largest().diameter_mm) == (100.0, 60.0)
    assert (result.smallest().z_mm, result.smallest().diameter_mm) == (0.0, 20.0)
    assert result.max_diameter_mm() == 60.0


def test_a_ball_is_largest_in_the_middle():
    assert result_of(ball(30.0)).largest().z_mm == 30.0


def test_the_tip_of_a_ball_is_not_called_its_smallest_diameter():
    smallest = result_of(ball(30.0)).smallest()
    # Slope 1 lies at 45 degrees on a ball: r / sqrt(2) from its middle.
    assert smallest.diameter_mm == pytest.approx(60.0 / np.sqrt(2.0), abs=1.0)


def test_a_neck_between_shoulders_is_the_smallest():
    smallest = result_of(stepped()).smallest()
    assert smallest.diameter_mm == 25.0
    assert 30.0 <= smallest.z_mm <= 50.1


def test_gaps_do_not_count_as_measured():
    assert result_of(without(cone(100.0), 40.0, 52.0)).measured_mm() == pytest.approx(88.0)


def test_typical_u95_is_the_median():
    profile = profile_of([0.0, 0.25, 0.5], [30.0, 30.0, 30.0], u95=np.array([0.1, 0.3, 0.2]))
    assert result_of(profile).typical_u95_mm() == 0.2


@pytest.mark.parametrize(
    "changes",
    [
        {"outline_z_mm": np.zeros(3)},
        {"axis_px": np.zeros((3, 2))},
        {"length_u95_mm": None},
        {"z_zero": CUT},
        {"far_end": CUT},
    ],
)
def test_parts_that_do_not_fit_are_misuse(changes):
    with pytest.raises(ValueError, match=r"shape|length"):
        result_of(cone(), **changes)


def test_a_trace_without_rows_is_misuse():
    with pytest.raises(ValueError, match="no rows"):
        replace(result_of(cone()), profile=profile_of([], []))


def test_rows_too_unsure_to_be_of_use_are_neither_largest_nor_smallest():
    diameters = np.array([30.0, 40.0, 50.0, 20.0])
    u95 = np.array([0.2, 0.3, 11.0, 2.5])
    profile = profile_of([0.0, 0.25, 0.5, 0.75], diameters, u95=u95)
    result = result_of(profile)
    assert result.largest().diameter_mm == 40.0
    assert result.smallest().diameter_mm == 30.0
    # As unsure for where it lies along the axis is as unsure.
    beside_a_step = np.array([0.0, 0.0, 11.0, 2.5])
    placed = replace(profile, u95_mm=np.full(4, 0.2), u95_step_mm=beside_a_step)
    assert result_of(placed).largest().diameter_mm == 40.0
    assert result_of(placed).smallest().diameter_mm == 30.0
    # Where nothing is of use, the largest is the largest still.
    vague = replace(profile, u95_mm=np.full(4, 20.0))
    assert result_of(vague).largest().diameter_mm == 50.0
