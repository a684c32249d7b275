from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from measure.inches import inch_fraction, nearest_fraction
from measure.units import INCHES, METRIC, units_for

# Decimal equivalents as printed in workshop tables of fractional drills (ASME B94.11M sizes,
# table from memory): inch fraction and its size in mm to four decimals.
TABLE = [
    ("1/64", 0.3969), ("1/32", 0.7938), ("1/16", 1.5875), ("1/8", 3.1750), ("13/64", 5.1594),
    ("1/4", 6.3500), ("17/64", 6.7469), ("3/8", 9.5250), ("1/2", 12.7000), ("41/64", 16.2719),
    ("3/4", 19.0500), ("63/64", 25.0031), ("1", 25.4000), ("1 1/4", 31.7500), ("1 3/4", 44.4500),
    ("2", 50.8000),
]  # fmt: skip


@pytest.mark.parametrize(("fraction", "mm"), TABLE)
def test_fractions_of_the_workshop_table(fraction, mm):
    assert inch_fraction(mm) == fraction


@given(st.floats(0.0, 2000.0), st.sampled_from([1, 2, 4, 8, 16, 32, 64]))
def test_the_nearest_fraction_is_at_most_half_a_step_away(mm, finest):
    value = nearest_fraction(mm, finest)
    assert abs(float(value) * 25.4 - mm) <= 25.4 / finest / 2.0 + 1e-9
    assert finest % value.denominator == 0


@given(st.integers(0, 64 * 40))
def test_a_fraction_read_back_is_the_same(steps):
    words = inch_fraction(steps * 25.4 / 64.0).split()
    assert sum(map(Fraction, words)) == Fraction(steps, 64)


def test_a_minus_stands_before_the_whole():
    assert inch_fraction(-44.45) == "-1 3/4"
    assert inch_fraction(-0.01) == "0"


@pytest.mark.parametrize("finest", [0, -2, 10])
def test_a_division_that_is_on_no_rule_is_misuse(finest):
    with pytest.raises(ValueError, match="power of two"):
        nearest_fraction(1.0, finest)


def test_metric_is_given_to_a_tenth_with_its_spread():
    assert METRIC.with_spread(43.62, 0.1183) == "43.6 ±0.12 mm"
    assert METRIC.place(97.0) == "97"
    assert METRIC.place(97.25) == "97.2"
    assert METRIC.number(-0.01) == "0.0"


def test_inches_carry_decimals_for_their_spread():
    assert INCHES.with_spread(43.62, 0.118) == "1 23/32 in (1.717 ±0.005)"


@given(st.floats(0.0, 5.0), st.booleans())
def test_a_spread_shown_never_promises_more_than_there_is(u95, inches):
    shown = float(units_for(inches).spread(u95)) * (25.4 if inches else 1.0)
    step = 0.0254 if inches else 0.01
    assert u95 - 1e-6 * step * 1.01 <= shown <= max(u95, step) + step


def test_stations_in_inches_fall_on_marks_of_a_rule():
    assert INCHES.step(5.0) == pytest.approx(6.35)
    assert METRIC.step(5.0) == 5.0
