"""What the error of z means beside a step, against a brute-force walk over the rows."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from measure.profile import Profile
from measure.stepdoubt import steps_within

GRID = 0.25


def test_only_rows_within_reach_of_a_step_doubt_it():
    diameter = np.array([30.0] * 8 + [50.0] * 8)
    doubt = steps_within(diameter, np.full(16, 0.6), GRID)
    np.testing.assert_array_equal(doubt, [0.0] * 6 + [20.0] * 4 + [0.0] * 6)


def test_a_hidden_stretch_may_step_anywhere_in_it():
    diameter = np.array([40.0] * 4 + [np.nan] * 8 + [18.0] * 4)
    doubt = steps_within(diameter, np.full(16, 0.3), GRID)
    np.testing.assert_array_equal(doubt, [0.0] * 3 + [22.0] + [0.0] * 8 + [22.0] + [0.0] * 3)


def test_ends_of_the_piece_are_no_steps():
    assert not steps_within(np.full(9, 25.0), np.full(9, 2.0), GRID).any()


@given(
    st.lists(st.one_of(st.none(), st.floats(5.0, 90.0)), min_size=1, max_size=30),
    st.floats(0.0, 2.0),
)
def test_it_is_the_largest_change_that_a_walk_finds(values, reach):
    diameter = np.array([np.nan if v is None else v for v in values])
    doubt = steps_within(diameter, np.full(len(diameter), reach), GRID)
    seen = np.flatnonzero(np.isfinite(diameter))
    for i in range(len(diameter)):
        worst = 0.0
        for j in range(len(diameter)) if i in seen else ():
            if abs(i - j) * GRID <= reach:
                left, right = seen[seen <= j], seen[seen >= j]
                both = [*left[-1:], *right[:1]]
                worst = max([worst, *(abs(diameter[k] - diameter[i]) for k in both)])
        assert doubt[i] == worst


def test_the_whole_error_of_z_is_added_in_squares():
    z, flat = np.array([0.0, 0.25]), np.array([20.0, 20.0])
    profile = Profile(z, flat, np.array([3.0, 1.0]), np.zeros(2), np.array([4.0, 0.0]))
    np.testing.assert_allclose(profile.at_its_z().u95_mm, [5.0, 1.0])
    assert profile.at_its_z().u95_step_mm is None
