"""A foot's upper edge taken for its lower one, or the bench's pattern for its rim.

Test data, not measurements: drawn pictures, in which the foot and its wall are filled circles on
the bench, and exact outlines, both seen by exact cameras.
"""

import cv2
import numpy as np
import pytest
from exact_scene import SIZE_PX, scene, seen

from calib.finding import linear_table
from measure.footedge import edge_before_foot, rim_outside_share
from measure.lying import RIM_OUTSIDE_MOST

BENCH, FACE, WALL = 150, 210, 60
NEARER_MM = 4.0


def foot_of(it):
    """Return centre and radius of the foot on the bench."""
    return it.axis.point_mm, float(it.solid.radius(np.array([0.0]))[0])


def drawn(it, wall=None, soft_px=0.0):
    """Return a picture of the foot's face, before it another such circle of some tone."""
    centre, radius = foot_of(it)
    toward = np.array([*(it.view.camera_centre_mm - centre)[:2], 0.0])
    toward /= np.linalg.norm(toward)
    turn = np.linspace(0.0, 2.0 * np.pi, 400)
    ring = centre + radius * np.column_stack([np.cos(turn), np.sin(turn), np.zeros(400)])
    picture = np.full((SIZE_PX[1], SIZE_PX[0], 3), BENCH, dtype=np.uint8)
    if wall is not None:
        at = it.view.to_pixels(ring + NEARER_MM * toward)
        cv2.fillPoly(picture, [np.rint(at).astype(np.int32)], (wall, wall, wall))
        if soft_px:
            picture = cv2.GaussianBlur(picture, (0, 0), soft_px)
    at = it.view.to_pixels(ring)
    cv2.fillPoly(picture, [np.rint(at).astype(np.int32)], (FACE, FACE, FACE))
    return picture


def told(it, picture):
    return edge_before_foot(picture, linear_table(), it.view, *foot_of(it))


@pytest.mark.parametrize("seed", range(4))
def test_a_wall_before_the_edge_is_told(seed):
    it = scene("upright", np.random.default_rng((40, seed)))
    assert told(it, drawn(it, WALL))


@pytest.mark.parametrize("seed", range(4))
def test_a_foot_by_itself_has_none(seed):
    it = scene("upright", np.random.default_rng((40, seed)))
    assert not told(it, drawn(it))


@pytest.mark.parametrize("seed", range(4))
def test_a_soft_shadow_is_none(seed):
    it = scene("upright", np.random.default_rng((40, seed)))
    assert not told(it, drawn(it, WALL, soft_px=15.0))


@pytest.mark.parametrize("seed", range(6))
def test_the_rim_of_a_true_foot_lies_within_the_outline_and_one_too_large_or_too_far_does_not(seed):
    rng = np.random.default_rng((41, seed))
    it = scene("upright", rng)
    outline = seen(it, rng)[2].points_px
    centre, radius = foot_of(it)
    away = centre - it.view.camera_centre_mm
    away = np.array([*away[:2], 0.0]) / np.linalg.norm(away[:2])
    assert rim_outside_share(outline, it.view, centre, radius) < 0.3 * RIM_OUTSIDE_MOST
    # The front of the rim stays where the gap was: what is larger lies farther off.
    larger = rim_outside_share(outline, it.view, centre + 0.5 * radius * away, 1.5 * radius)
    nearer = rim_outside_share(outline, it.view, centre - 0.5 * radius * away, radius)
    assert min(larger, nearer) > RIM_OUTSIDE_MOST
