"""How a piece rests: on the hull edge under its centre of mass, against brute force."""

import numpy as np
import pytest
from exact_views import LENGTH_MM, profiles
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from measure.rest import Hidden, resting_places


def brute_force(z, r):
    """Return the pairs of circles on which a piece can lie still, and how deep its centre is.

    Every pair of points is tried: all others must lie below the line through them, and the plumb
    line from the centre of mass must meet it between them.
    """
    area = np.pi * r**2
    mass = 0.5 * (area[1:] + area[:-1]) * np.diff(z)
    centre = np.sum(mass * 0.5 * (z[1:] + z[:-1])) / np.sum(mass)
    found = []
    for i in range(len(z) - 1):
        for j in range(i + 1, len(z)):
            slope = (r[j] - r[i]) / (z[j] - z[i])
            if np.all(r <= r[i] + slope * (z - z[i]) + 1e-9):
                foot = (centre + slope * (slope * z[i] - r[i])) / (1.0 + slope**2)
                if z[i] <= foot <= z[j]:
                    found.append((i, j))
    return found, centre


@settings(max_examples=60, deadline=None)
@given(profiles())
def test_the_likeliest_rest_is_the_one_brute_force_finds(profile):
    z = np.linspace(0.0, LENGTH_MM, 60)
    r = profile.radius(z)
    found, _ = brute_force(z, r)
    # With collinear points or a centre right over a corner several pairs share the place.
    assume(len(found) == 1)
    i, j = found[0]
    best = resting_places(z, r, 1e-6)[0]
    np.testing.assert_allclose(best.first_mm, [z[i], r[i]])
    np.testing.assert_allclose(best.second_mm, [z[j], r[j]])
    assert best.chance == pytest.approx(1.0, abs=1e-3)


@settings(max_examples=30, deadline=None)
@given(profiles(), st.floats(0.005, 0.1), st.integers(0, 2**32 - 1))
def test_chances_are_those_of_drawn_centres(profile, share, seed):
    # Centres of mass drawn about that of the outline; a piece can lie on an edge when the plumb
    # line from the centre meets it. Some can lie on two, so chances may add up to more than 1.
    z = np.linspace(0.0, LENGTH_MM, 60)
    r = profile.radius(z)
    _, centre = brute_force(z, r)
    draws = centre + share * LENGTH_MM * np.random.default_rng(seed).standard_normal(4000)
    for rest in resting_places(z, r, share):
        a, b = rest.first_mm, rest.second_mm
        d = (b - a) / np.linalg.norm(b - a)
        along = (draws - a[0]) * d[0] - a[1] * d[1]
        met = np.mean((along >= 0.0) & (along <= np.linalg.norm(b - a)))
        assert rest.chance == pytest.approx(met, abs=0.04)


@settings(max_examples=40, deadline=None)
@given(st.floats(-100.0, 100.0), st.floats(2.0, 60.0), st.floats(3.0, 20.0), st.floats(1.0, 20.0))
def test_what_a_hidden_stretch_may_weigh_is_that_of_drawn_shoulders(start, width, thin, more):
    # Turned for each place of the shoulder, and weighed by its volume in thin slices; half of what
    # these moments scatter, since most of what hides is thin.
    part = Hidden(start, start + width, thin, thin + more)
    z = np.linspace(start, start + width, 2001)
    middle, dz = 0.5 * (z[1:] + z[:-1]), width / 2000
    moments = []
    for shoulder in start + width * (np.arange(400) + 0.5) / 400:
        r = np.where(middle < shoulder, thin + more, thin)
        moments.append(np.sum(np.pi * r**2 * middle) * dz)
    assert part.moment_sd_mm4(0.0) == pytest.approx(0.5 * np.std(moments), rel=0.01)


def test_a_flange_whose_back_is_hidden_leaves_open_on_which_side_a_mill_rests():
    # A mill with nose, belly and flange; behind the flange's rim nothing is seen up to the tenon's
    # end. Bridged by a cone it would weigh so much that the mill could rest on the flange alone.
    z = np.arange(0.0, 210.0, 0.25)
    knots = np.array([0, 25, 45, 60, 103, 140, 165, 178, 185, 210.0])
    r = np.interp(z, knots, [5, 19, 20, 18, 27.4, 16, 18, 29.5, 29.5, 9])
    real = np.where(z > 185.0, 9.0, r)

    def on_nose(rests):
        return sum(rest.chance for rest in rests if rest.first_mm[0] < 60.0)

    assert on_nose(resting_places(z, real)) > 0.4
    assert on_nose(resting_places(z, r)) < 0.05
    hidden = [Hidden(185.0, 210.0, 9.0, 29.5)]
    # What hides behind the flange weighs no more than the tenon that comes out of it.
    assert on_nose(resting_places(z, r, hidden=hidden)) > 0.4


@settings(max_examples=30, deadline=None)
@given(profiles())
def test_the_likeliest_comes_first(profile):
    z = np.linspace(0.0, LENGTH_MM, 120)
    chances = [rest.chance for rest in resting_places(z, profile.radius(z))]
    assert chances == sorted(chances, reverse=True)
    assert all(0.0 <= chance <= 1.0 for chance in chances)


@settings(max_examples=60, deadline=None)
@given(profiles())
def test_no_part_of_the_piece_lies_below_the_bench(profile):
    z = np.linspace(0.0, LENGTH_MM, 200)
    r = profile.radius(z)
    for rest in resting_places(z, r):
        (za, ra), (zb, rb) = rest.first_mm, rest.second_mm
        assert np.all(r <= ra + (rb - ra) / (zb - za) * (z - za) + 1e-9)


@settings(max_examples=30, deadline=None)
@given(profiles())
def test_a_piece_turned_end_for_end_rests_alike(profile):
    z = np.linspace(0.0, LENGTH_MM, 160)
    r = profile.radius(z)
    there = {round(p.first_mm[0], 6): p.chance for p in resting_places(z, r)}
    back = {round(LENGTH_MM - p.second_mm[0], 6): p.chance for p in resting_places(z, r[::-1])}
    # Points in line may or may not be corners of the hull: such places have no chance.
    for place in there.keys() | back.keys():
        assert back.get(place, 0.0) == pytest.approx(there.get(place, 0.0), abs=1e-9)


def test_a_cylinder_rests_on_both_ends():
    best = resting_places(np.linspace(0.0, 100.0, 401), np.full(401, 20.0))[0]
    np.testing.assert_allclose(best.first_mm, [0.0, 20.0])
    np.testing.assert_allclose(best.second_mm, [100.0, 20.0])
    assert best.chance == pytest.approx(1.0, abs=1e-6)


def test_a_cone_rests_along_its_side():
    z = np.linspace(0.0, 100.0, 401)
    best = resting_places(z, 30.0 - 0.25 * z)[0]
    np.testing.assert_allclose(best.first_mm, [0.0, 30.0])
    np.testing.assert_allclose(best.second_mm, [100.0, 5.0])


def test_a_dumb_bell_rests_on_its_two_bells():
    z = np.linspace(0.0, 120.0, 961)
    bells = [np.sqrt(np.maximum(20.0**2 - (z - c) ** 2, 0.0)) for c in (20.0, 100.0)]
    best = resting_places(z, np.maximum(np.maximum(*bells), 5.0))[0]
    np.testing.assert_allclose(best.first_mm, [20.0, 20.0], atol=1e-9)
    np.testing.assert_allclose(best.second_mm, [100.0, 20.0], atol=1e-9)
    assert best.chance > 0.999


def test_a_mallet_rests_on_its_head_and_the_end_of_its_handle():
    # Head 60 mm wide, handle 25 mm: it lies tilted, on the head's far rim and the handle's end,
    # unless it stands over on the head alone; the centre lies in the head.
    z = np.array([0.0, 100.0, 100.0, 300.0])
    r = np.array([30.0, 30.0, 12.5, 12.5])
    best, other = resting_places(z, r)[:2]
    # By hand: volumes 900 x 100 and 156.25 x 200, centre (90000 x 50 + 31250 x 200) / 121250.
    centre = (90000.0 * 50.0 + 31250.0 * 200.0) / 121250.0
    assert centre == pytest.approx(88.66, abs=0.01)
    np.testing.assert_allclose(best.first_mm, [0.0, 30.0])
    np.testing.assert_allclose(best.second_mm, [100.0, 30.0])
    # 88.7 of 100 mm: with bores and heavy wood it may tip onto the handle, and it says so.
    assert 0.9 < best.chance < 0.98
    np.testing.assert_allclose(other.second_mm, [300.0, 12.5])


def test_a_piece_that_lies_never_rests_on_its_end():
    # A thin disc on a stalk would stand; strays at a tip make such steep edges of a hull as well.
    z = np.arange(0.0, 160.0, 0.25)
    r = np.where(z < 0.5, 0.3 + 10.0 * z, np.interp(z, [0.5, 95.0, 160.0], [5.3, 24.0, 18.0]))
    for rest in resting_places(z, r):
        assert abs(rest.second_mm[1] - rest.first_mm[1]) <= rest.second_mm[0] - rest.first_mm[0]
    best = resting_places(z, r)[0]
    assert best.second_mm[0] - best.first_mm[0] > 20.0
