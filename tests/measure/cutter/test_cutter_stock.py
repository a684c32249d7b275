"""Stock sizes against the standards, and which of them a measurement allows."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from measure.stock import (
    AUGER,
    FORSTNER,
    INCH_DRILL,
    METRIC_DRILL,
    SPADE,
    StockSize,
    inch_name,
    metric_name,
    stock_matches,
    stock_sizes,
)

WHOLE_MM = [StockSize(float(d), f"{d} mm", ("test",)) for d in range(5, 61)]
ROUNDING_MM = 1e-9
SIXTEENTHS = [StockSize(n / 16 * 25.4, inch_name(Fraction(n, 16)), ("test",)) for n in range(4, 39)]


def sizes_of(kind):
    return {size.name: size.diameter_mm for size in stock_sizes() if kind in size.kinds}


def test_inch_drills_by_64ths():
    """Decimal equivalents of ANSI B94.11M drills, inches, to four places (from memory)."""
    table = {
        "1/64 in": 0.0156,
        "3/64 in": 0.0469,
        "1/8 in": 0.1250,
        "17/64 in": 0.2656,
        "29/64 in": 0.4531,
        "1/2 in": 0.5000,
        "63/64 in": 0.9844,
        "1 1/32 in": 1.0312,
        "1 5/8 in": 1.6250,
        "1 3/4 in": 1.7500,
    }
    ours = sizes_of(INCH_DRILL)
    for name, inches in table.items():
        assert ours[name] / 25.4 == pytest.approx(inches, abs=0.00006)


def test_metric_drills_in_the_steps_of_the_series():
    """ISO 235 and BS 328: by 0.05 to 3, 0.1 to 14, 0.25 to 32, 0.5 to 51, then 1 (memory)."""
    d = np.array(sorted(sizes_of(METRIC_DRILL).values()))
    for low, high, step in (
        (1, 3, 0.05),
        (3, 14, 0.1),
        (14, 32, 0.25),
        (32, 51, 0.5),
        (51, 100, 1),
    ):
        run = d[(d >= low - 1e-9) & (d <= high + 1e-9)]
        np.testing.assert_allclose(np.diff(run), step, atol=1e-9)
    assert (d[0], d[-1]) == (1.0, 100.0)


@pytest.mark.parametrize(
    ("name", "below"), [("5 mm", 0.018), ("10 mm", 0.022), ("25 mm", 0.033), ("40 mm", 0.039)]
)
def test_drills_are_never_above_their_name(name, below):
    """Limits h8 of ISO 286-2 (from memory)."""
    drills = {s.name: s for s in stock_sizes() if s.kinds[0] == METRIC_DRILL}
    # Where a wood bit has the same name its own slack is the larger.
    assert drills[name].minus_mm in (below, 0.1)
    assert drills["5.5 mm"].plus_mm == 0.0
    assert drills["5.5 mm"].minus_mm == 0.018


def test_wood_bits_that_every_shop_has():
    """Common practice, no source."""
    assert {"25 mm", "38 mm", "42 mm", "1 5/8 in"} <= set(sizes_of(FORSTNER))
    assert {"25 mm", "1 in"} <= set(sizes_of(SPADE))
    assert {"25 mm", "1 in"} <= set(sizes_of(AUGER))


def test_names():
    assert inch_name(Fraction(13, 8)) == "1 5/8 in"
    assert inch_name(Fraction(2)) == "2 in"
    assert metric_name(10.5) == "10.5 mm"
    assert len({size.name for size in stock_sizes()}) == len(stock_sizes())


@given(d=st.floats(1.0, 90.0), u=st.floats(0.0, 1.0))
def test_all_and_only_what_the_interval_reaches(d, u):
    allowed = {match.size.name for match in stock_matches(d, u)}
    for size in stock_sizes():
        reached = size.diameter_mm - size.minus_mm - u <= d <= size.diameter_mm + size.plus_mm + u
        near_limit = min(
            abs(size.diameter_mm - size.minus_mm - u - d),
            abs(size.diameter_mm + size.plus_mm + u - d),
        )
        assert (size.name in allowed) == reached or near_limit < 1e-6
    matches = stock_matches(d, u)
    assert sum(match.share for match in matches) == pytest.approx(1.0 if matches else 0.0)
    assert [m.share for m in matches] == sorted((m.share for m in matches), reverse=True)


@example(d=14.0, u=1.3)
@given(d=st.floats(6.0, 55.0), u=st.floats(0.0, 1.5))
def test_never_a_single_size_when_two_are_inside(d, u):
    for catalogue in (WHOLE_MM, SIXTEENTHS, WHOLE_MM + SIXTEENTHS):
        # A size exactly at the limit counts, as floats round it either way.
        inside = [size for size in catalogue if abs(size.diameter_mm - d) <= u + ROUNDING_MM]
        found = [match.size for match in stock_matches(d, u, catalogue)]
        if len(inside) > 1:
            assert len(found) > 1
        if len(inside) == 1:
            assert found == inside


def test_nothing_near():
    assert stock_matches(43.27, 0.05, WHOLE_MM) == ()


@pytest.mark.parametrize("bad", [(0.0, 0.1), (-1.0, 0.1), (3.0, -0.1), (float("nan"), 0.1)])
def test_misuse(bad):
    with pytest.raises(ValueError, match="need"):
        stock_matches(*bad)
