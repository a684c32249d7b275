import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import find_peaks, peak_prominences

from measure.landmarks import END, Landmark, _peaks, landmarks, steep_rows, told_apart
from tests.measure.exact_shapes import ball, cone, profile_of, stepped, without


def named(profile, least_mm=0.6):
    return [(mark.kind, mark.z_mm, mark.diameter_mm) for mark in landmarks(profile, least_mm)]


def bead_on_cylinder(height=2.0, width=8.0, at=50.0, body=40.0):
    z = np.arange(0.0, 100.25, 0.25)
    bump = np.maximum(1.0 - ((z - at) / (width / 2.0)) ** 2, 0.0)
    return profile_of(z, body + 2.0 * height * bump)


def test_a_cylinder_has_only_ends():
    assert named(profile_of(np.arange(0.0, 50.0, 0.25), np.full(200, 40.0))) == [
        ("end", 0.0, 40.0),
        ("end", 49.75, 40.0),
    ]


def test_a_taper_is_named_at_both_ends():
    assert named(cone(100.0, 20.0, 60.0)) == [("end", 0.0, 20.0), ("end", 100.0, 60.0)]


def test_the_steep_tips_of_a_ball_are_not_named():
    assert named(ball(30.0)) == [("crest", 30.0, 60.0)]


def test_a_bead_is_a_crest_and_a_cove_a_hollow():
    assert named(bead_on_cylinder(2.0))[1:-1] == [("crest", 50.0, 44.0)]
    assert named(bead_on_cylinder(-2.0))[1:-1] == [("hollow", 50.0, 36.0)]


def test_a_bead_too_low_to_see_is_not_named():
    assert named(bead_on_cylinder(0.25))[1:-1] == []


def test_a_bump_within_what_rows_do_not_share_is_not_named():
    bead = bead_on_cylinder(0.5)
    unsure = profile_of(bead.z_mm, bead.diameter_mm, u95=0.9, common=0.1)
    assert len(named(bead)) == 3
    assert len(named(unsure)) == 2


def test_shoulders_carry_both_diameters():
    marks = [mark for mark in landmarks(stepped()) if mark.kind == "shoulder"]
    assert [(m.z_mm, m.other_mm, m.diameter_mm) for m in marks] == [
        (30.0, 25.0, 40.0),
        (50.1, 25.0, 52.0),
    ]


def test_where_the_view_ends_at_a_gap_nothing_is_said():
    gapped = without(cone(), 40.0, 52.0)
    assert [mark.z_mm for mark in landmarks(gapped)] == [0.0, 100.0]


@given(st.lists(st.integers(0, 12), min_size=3, max_size=40))
def test_prominences_agree_with_scipy(values):
    heights = np.array(values, dtype=float)
    peaks, _ = find_peaks(heights)
    theirs = dict(zip(peaks.tolist(), peak_prominences(heights, peaks)[0], strict=True))
    assert dict(_peaks(heights)) == theirs


@pytest.mark.parametrize(("slope", "steep"), [(0.9, False), (1.1, True)])
def test_steep_begins_at_one_to_one(slope, steep):
    z = np.arange(0.0, 20.25, 0.25)
    assert np.all(steep_rows(profile_of(z, 10.0 + 2.0 * slope * z)) == steep)


def test_a_shoulder_makes_no_row_steep():
    assert not np.any(steep_rows(stepped()))


def narrow_hollows(profile):
    return [mark.z_mm for mark in landmarks(profile) if mark.narrow]


@pytest.mark.parametrize("width", [1.0, 2.0, 3.0])
def test_the_bottom_of_a_narrow_cut_may_lie_deeper(width):
    assert narrow_hollows(bead_on_cylinder(-0.8, width)) == [50.0]


def test_a_cut_beside_a_shoulder_is_narrow_too():
    z = np.arange(0.0, 100.25, 0.25)
    d = np.where(z < 50.0, 40.0, 52.0) - np.where(np.abs(z - 48.5) < 1.0, 1.2, 0.0)
    assert narrow_hollows(profile_of(z, d)) == [48.5]


@pytest.mark.parametrize("width", [6.0, 8.0, 20.0])
def test_an_open_cove_is_as_deep_as_it_shows(width):
    assert narrow_hollows(bead_on_cylinder(-2.0, width)) == []


def test_a_narrow_bead_is_as_thick_as_it_shows():
    assert narrow_hollows(bead_on_cylinder(0.8, 2.0)) == []


def test_an_end_that_says_what_the_largest_beside_it_says_is_not_said_again():
    rim = Landmark(END, 0.0, 58.1, 1.6, None, np.inf)
    other = Landmark(END, 200.0, 20.0, 0.3, None, np.inf)
    assert told_apart([rim, other], 4.0, 57.9, 0.2) == [other]
    # A rim that stands out, one farther off, and the largest itself stay.
    assert told_apart([rim], 4.0, 50.0, 0.2) == [rim]
    assert told_apart([rim], 40.0, 57.9, 0.2) == [rim]
    assert told_apart([rim], 0.0, 58.1, 1.6) == [rim]
