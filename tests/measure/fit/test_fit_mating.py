"""Clearance, chance and take-off against scipy, `uncertainties` and JCGM 100."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm
from uncertainties import ufloat

from measure.mating import FitPreset, Size, mate

PUSH = FitPreset("push", "", 0.0, 0.15)
diameters = st.floats(5.0, 80.0)
parts = st.floats(0.01, 0.4)


def test_different_photos_add_as_a_root_sum_of_squares():
    """JCGM 100:2008, 5.1.2, equation (10) with sensitivity 1 and -1."""
    found = mate(Size(43.6, 0.3, 0.1, photo="a"), Size(44.0, 0.4, 0.2, photo="b"), PUSH)
    assert found.clearance_mm == pytest.approx(0.4)
    assert found.u95_mm == pytest.approx(0.5)
    assert not found.one_photo


@given(part=diameters, own=parts, own2=parts, common=parts, common2=parts)
def test_one_photo_as_the_uncertainties_library_has_it(part, own, own2, common, common2):
    """The shared error is one variable there; the library carries the correlation itself."""
    shared = ufloat(0.0, 1.0)
    a = ufloat(part, own) + common * shared
    b = ufloat(part + 0.2, own2) + common2 * shared
    found = mate(
        Size(part, math.hypot(own, common), common, photo="one"),
        Size(part + 0.2, math.hypot(own2, common2), common2, photo="one"),
        PUSH,
    )
    assert found.one_photo
    assert found.u95_mm == pytest.approx((b - a).std_dev, rel=1e-9)
    apart = mate(
        Size(part, math.hypot(own, common), common, photo="one"),
        Size(part + 0.2, math.hypot(own2, common2), common2, photo="two"),
        PUSH,
    )
    independent = ufloat(0.0, 1.0)
    b = ufloat(part + 0.2, own2) + common2 * independent
    assert apart.u95_mm == pytest.approx((b - a).std_dev, rel=1e-9)


def test_sizes_not_from_photos_share_nothing():
    found = mate(Size(20.0, 0.1, 0.1), Size(20.1, 0.1, 0.1), PUSH)
    assert not found.one_photo
    assert found.u95_mm == pytest.approx(0.1 * math.sqrt(2.0))


@given(
    gap=st.floats(-1.0, 1.5),
    u=st.floats(0.02, 0.6),
    least=st.floats(-0.2, 0.5),
    width=st.floats(0.0, 0.5),
)
def test_chances_are_those_of_the_normal_distribution(gap, u, least, width):
    found = mate(Size(40.0, u), Size(40.0 + gap, u), FitPreset("x", "", least, least + width))
    law = norm(found.clearance_mm, found.u95_mm / 1.96)
    assert found.chance_goes_in == pytest.approx(law.sf(0.0), abs=1e-9)
    assert found.chance_tight == pytest.approx(law.cdf(least), abs=1e-9)
    assert found.chance_loose == pytest.approx(law.sf(least + width), abs=1e-9)
    total = found.chance_tight + found.chance_wanted + found.chance_loose
    assert total == pytest.approx(1.0, abs=1e-9)


@given(gap=st.floats(-1.0, 1.5), u=st.floats(0.02, 0.6))
def test_taking_off_reaches_the_middle_of_what_is_wanted(gap, u):
    wanted = FitPreset("turning", "", 0.4, 0.8)
    part, hole = Size(40.0, u), Size(40.0 + gap, u)
    found = mate(part, hole, wanted)
    after = mate(Size(40.0 - found.take_off_mm, u), hole, wanted)
    if found.take_off_mm > 0.0:
        assert after.clearance_mm == pytest.approx(0.6)
    else:
        assert found.clearance_mm >= 0.4 - 1e-6
    assert 0.0 <= found.safe_first_mm <= found.take_off_mm
    first = mate(Size(40.0 - found.safe_first_mm, u), hole, wanted)
    if found.safe_first_mm > 0.0:
        assert first.chance_loose <= 0.0251


def test_too_loose_cannot_be_put_back():
    found = mate(Size(40.0, 0.05), Size(40.5, 0.05), PUSH)
    assert found.take_off_mm == 0.0
    assert found.too_loose_mm == pytest.approx(0.35)


def test_exact_sizes_give_certainty():
    found = mate(Size(40.0, 0.0), Size(40.1, 0.0), PUSH)
    assert (found.chance_goes_in, found.chance_wanted) == (1.0, 1.0)


@pytest.mark.parametrize(
    "bad", [(0.0, 0.1, 0.0), (-3.0, 0.1, 0.0), (3.0, 0.1, 0.2), (math.nan, 0.1, 0.0)]
)
def test_impossible_sizes_are_misuse(bad):
    with pytest.raises(ValueError, match="need"):
        Size(*bad)


def test_limits_in_the_wrong_order_are_misuse():
    with pytest.raises(ValueError, match="least"):
        FitPreset("x", "", 0.5, 0.4)
