"""The foot of a standing piece is a circle on the bench; a shadow's edge beside it is none."""

from dataclasses import replace

import numpy as np
import pytest
from exact_scene import scene, seen

from calib.targets import ID1
from measure.lying import BESIDE_FOOT_LEAST, FOOT_MOST_PX
from measure.planecircle import circle_through
from measure.setting import beside_foot, foot_arc, foot_misfit_px
from measure.solving import axis_ends_of


def standing(rng):
    it = scene("upright", rng)
    _, found, outline = seen(it, rng)
    ends = axis_ends_of(outline)
    # The foot is the lower end in the picture.
    return found.view, outline, ends if ends[0, 1] > ends[1, 1] else ends[::-1]


def test_a_true_foot_is_a_circle_and_one_half_in_shadow_is_not():
    rng = np.random.default_rng(11)
    for _ in range(6):
        view, outline, ends = standing(rng)
        assert foot_misfit_px(outline, ends, view, -ID1.thickness_mm) < 0.5 * FOOT_MOST_PX
        arc = foot_arc(outline, ends)
        # The middle third of the arc lies so much lower as a contact shadow is broad.
        points = outline.points_px.copy()
        low, high = np.quantile(points[arc, 0], [0.33, 0.67])
        shadowed = arc[(points[arc, 0] > low) & (points[arc, 0] < high)]
        points[shadowed, 1] += 25.0
        blamed = replace(outline, points_px=points)
        assert foot_misfit_px(blamed, ends, view, -ID1.thickness_mm) > FOOT_MOST_PX


def test_the_rim_of_a_true_foot_goes_over_into_sides_and_an_edge_above_it_does_not():
    rng = np.random.default_rng(12)
    for _ in range(6):
        _, outline, ends = standing(rng)
        assert beside_foot(outline, ends) == (1.0, 1.0)
        # All but the arc as dark as the bench, as far up as a flange is thick.
        arc = foot_arc(outline, ends)
        d = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
        up = outline.points_px @ d
        shown = up > up[arc].max() + 0.15 * np.linalg.norm(ends[1] - ends[0])
        shown[arc] = True
        dark = replace(outline, clear=shown)
        assert max(beside_foot(dark, ends)) < BESIDE_FOOT_LEAST


def test_a_circle_through_its_own_points():
    angle = np.linspace(0.3, 2.0, 40)
    points = np.column_stack([7.0 + 5.0 * np.cos(angle), -3.0 + 5.0 * np.sin(angle)])
    centre, radius, off = circle_through(points)
    assert np.allclose(centre, [7.0, -3.0])
    assert radius == pytest.approx(5.0)
    assert off < 1e-9
