"""When two sides are those of one round piece: exact scenes whose rims are thrown about."""

from dataclasses import replace

import numpy as np
import pytest
from exact_scene import scene, seen

from measure.solving import solve_outline


@pytest.fixture(scope="module")
def lying():
    rng = np.random.default_rng(8)
    it = scene("bench", rng)
    return it, *seen(it, rng)


def solved_with(lying, grain_px, clear=1.0):
    """Solve with rims that wander by so much, as grain of bench and wood throws them about."""
    it, lens, found, outline = lying
    rng = np.random.default_rng(4)
    n = len(outline.points_px)
    along = np.arange(n)
    # Grain is a few millimetres long: neighbours go astray together.
    wander = np.interp(along, along[::6], rng.normal(0.0, grain_px, len(along[::6])))
    points = outline.points_px + wander[:, None] * outline.normals()
    sd = np.hypot(outline.sd_px, 0.4 * grain_px)
    shown = outline.clear & (rng.random(n) < clear)
    grainy = replace(outline, points_px=points, sd_px=sd, clear=shown)
    return solve_outline(it.request, lens, found, grainy, 3)


def test_clean_rims_agree_well(lying):
    solved = solved_with(lying, 0.0)
    assert solved.round
    assert solved.quite_round
    assert solved.roughly_round


def test_grainy_rims_agree_but_roughly(lying):
    solved = solved_with(lying, 0.9)
    assert not solved.round
    assert solved.roughly_round
    assert not replace(solved, misread=True).roughly_round
    assert not replace(solved, strange=0.5).roughly_round


def test_where_another_was_wrong_before_grainy_rims_must_agree_wholly(lying):
    solved = solved_with(lying, 0.9)

    def again(kept, strange):
        estimate = replace(solved.estimate, kept=kept)
        return replace(solved, estimate=estimate, strange=strange).roughly_round_again

    assert again(0.97, 0.0)
    assert not again(0.85, 0.0)
    assert not again(0.97, 0.1)


def test_rims_that_wander_by_more_or_are_seen_in_parts_do_not(lying):
    assert not solved_with(lying, 2.5).roughly_round
    assert not solved_with(lying, 0.9, clear=0.9).roughly_round


def with_sides_seen(lying, first, second):
    """Solve with so large a share of each side seen, stretch by stretch."""
    it, lens, found, outline = lying
    n = len(outline.points_px)
    share = np.where(np.arange(n) < n // 2, first, second)
    # Stretches of forty points are seen or not, as a shadow hides them.
    hidden = (np.arange(n) % 40) >= 40.0 * share
    return solve_outline(it.request, lens, found, replace(outline, clear=~hidden), 3)


def test_one_side_seen_all_along_bears_out_the_other_in_shadow(lying):
    assert with_sides_seen(lying, 1.0, 0.78).round
    assert with_sides_seen(lying, 0.78, 1.0).round


def test_two_sides_seen_in_part_do_not_bear_each_other_out(lying):
    assert not with_sides_seen(lying, 0.85, 0.85).round
    assert not with_sides_seen(lying, 1.0, 0.6).round
