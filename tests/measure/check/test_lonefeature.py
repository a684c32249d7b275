"""A pair of mills of which one photo leaves out, or tells otherwise, what both mills have."""

from dataclasses import replace

import numpy as np
from checkpieces import Noise, bump, measured_copy, mill_diameter, rows_with_shoulders

from measure.check import CheckRequest, check
from measure.judge import OUTSIDE, UNSURE, WITHIN
from measure.lonefeature import LACKING, OPEN, UNSEEN
from measure.pairwords import pair_line, pair_lines
from measure.planmaking import plan_of_profile
from measure.profile import Profile
from measure.units import METRIC

FINE = Noise(scale=0.0005, local=0.01)
REQUEST = CheckRequest(tolerance=(0.3, 0.3))


def copy(seed, shape=mill_diameter):
    return measured_copy(*rows_with_shoulders(shape), FINE, np.random.default_rng(seed))


def without(piece, low, high):
    p = piece.profile
    keep = (p.z_mm < low) | (p.z_mm > high)
    return replace(
        piece,
        profile=Profile(p.z_mm[keep], p.diameter_mm[keep], p.u95_mm[keep], p.u95_common_mm[keep]),
    )


def compared(first, second):
    return check(second, plan_of_profile(first.profile, "first"), REQUEST).pair


def lone(pair, on_first):
    return {
        (item.name, round(item.z_mm), item.other) for item in pair.lone if item.on_first == on_first
    }


def test_what_the_other_photo_left_out_is_not_seen_and_not_lacking():
    part = without(copy(2), 88.0, 92.0)
    pair = compared(copy(1), part)
    assert ("bead", 90, UNSEEN) in lone(pair, True)
    assert all(item.other != LACKING for item in pair.lone)
    assert pair.verdict == UNSURE
    lines = pair_lines(pair, METRIC)
    assert any(line.startswith("Not seen on the second: ") and "bead" in line for line in lines)
    turned = compared(part, copy(1))
    assert ("bead", 90, UNSEEN) in lone(turned, False)
    assert any(line.startswith("Not seen on the first") for line in pair_lines(turned, METRIC))


def test_the_same_shoulder_drawn_as_a_steep_slope_is_not_lacking():
    """A photo that is less sharp has no two rows at one z: the outline is there all the same."""
    soft = copy(2)
    p = soft.profile
    step = np.nonzero(np.diff(p.z_mm) == 0.0)[0]
    keep = np.ones(len(p.z_mm), dtype=bool)
    keep[step] = False
    soft = replace(
        soft,
        profile=Profile(p.z_mm[keep], p.diameter_mm[keep], p.u95_mm[keep], p.u95_common_mm[keep]),
    )
    pair = compared(copy(1), soft)
    assert not any(item.other == LACKING for item in pair.lone)
    assert pair.verdict != OUTSIDE
    assert not any("Only on" in line for line in pair_lines(pair, METRIC))


def test_a_bead_that_one_mill_lacks_is_said_to_be_on_the_other_only():
    beaded = lambda z: mill_diameter(z) + bump(z, 165.0, 5.0, 2.0)
    pair = compared(copy(1, beaded), copy(2))
    assert ("bead", 165, LACKING) in lone(pair, True)
    assert not lone(pair, False)
    assert pair.verdict == OUTSIDE
    assert pair_lines(pair, METRIC)[0].startswith("Only on the first: bead at 165")
    assert "bead at 165" in pair_line(pair, "mill_a", "mill_b")
    assert "first mill_a, second mill_b" in pair_line(pair, "mill_a", "mill_b")
    other_way = compared(copy(2), copy(1, beaded))
    assert ("bead", 165, LACKING) in lone(other_way, False)


def test_a_bead_that_stands_out_by_just_enough_on_one_piece_is_no_difference():
    """1.1 mm on one mill and 0.9 on the other: one is told as a bead and the other is not."""
    low, high = ((lambda z, h=h: mill_diameter(z) + bump(z, 165.0, 5.0, h)) for h in (0.9, 1.1))
    pair = compared(copy(1, high), copy(2, low))
    assert all(item.other not in (LACKING, OPEN) for item in pair.lone)
    assert pair.verdict == WITHIN
