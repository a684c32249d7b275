"""Why pixels times the card's scale is wrong: the biases that the exact inversion does away with.

A 60 mm spindle, 180 mm long, lies beside the card, the phone 420 mm above. Card scale applied
to the outline reads about 3.9 mm too much on a diameter of 50 mm, for the axis is a radius nearer
to the phone; the scale at the height of the axis still reads about 0.2 mm too much, for a camera
sees the tangent rim and not the diameter. By hand, straight above a cylinder of radius r whose
axis lies h from the phone and the card H: r appears as r / sqrt(1 - r^2/h^2) in the plane of the
axis, and H/h times that at the card's scale.
"""

import numpy as np
import pytest
from exact_views import lens_of, view_from

from measure.revolve import Axis, contact_points, outline_points

LENGTH, CARD_THICKNESS, DISTANCE = 180.0, 0.76, 420.0


def spindle(z):
    """Return the radius of a spindle, 60 mm at most and about 50 mm on average."""
    return 25.0 - 5.0 * np.cos(2.0 * np.pi * z / LENGTH)


def spindle_slope(z):
    return 5.0 * 2.0 * np.pi / LENGTH * np.sin(2.0 * np.pi * z / LENGTH)


def sides(view, axis, z, radius, slope):
    first, second = outline_points(view.camera_centre_mm, axis, z, radius, slope)
    return first, second


def widths_mm(view, axis, z, radius, slope, height):
    """Return the width of the outline measured in the plane Z = height, as a ruler would."""
    first, second = sides(view, axis, z, radius, slope)
    a = view.on_plane(view.to_pixels(first), height)
    b = view.on_plane(view.to_pixels(second), height)
    across = np.cross(axis.direction, [0.0, 0.0, 1.0])[:2]
    return np.abs((a - b) @ across)


def lying(radius_mm, beside_mm):
    height = radius_mm - CARD_THICKNESS
    return Axis(np.array([-0.5 * LENGTH, beside_mm, height]), np.array([1.0, 0.0, 0.0]))


@pytest.mark.parametrize("radius", [10.0, 20.0, 30.0])
def test_a_cylinder_straight_below_reads_as_the_hand_formula_says(radius):
    view = view_from(np.array([0.0, 0.0, DISTANCE]), [0.0, 0.0, 0.0], lens_of())
    axis = lying(radius, 0.0)
    z = np.array([0.5 * LENGTH])
    flat = (lambda z: np.full_like(z, radius)), (lambda z: np.zeros_like(z))
    h = DISTANCE - axis.point_mm[2]
    at_axis = 2.0 * radius / np.sqrt(1.0 - (radius / h) ** 2)
    height = float(axis.point_mm[2])
    assert widths_mm(view, axis, z, *flat, height)[0] == pytest.approx(at_axis, abs=1e-9)
    at_card = at_axis * DISTANCE / h
    assert widths_mm(view, axis, z, *flat, 0.0)[0] == pytest.approx(at_card, abs=1e-9)


def test_the_biases_of_a_spindle():
    # The phone hangs between card and piece, 25 mm beside the axis; over the axis itself the
    # second bias is half as large, and the first one 0.1 mm less.
    view = view_from(np.array([0.0, 45.0, DISTANCE]), [0.0, 40.0, 0.0], lens_of(k1=0.01, k2=-0.005))
    axis = lying(30.0, 70.0)
    z = np.linspace(0.0, LENGTH, 361)[:-1]
    true = 2.0 * spindle(z)
    assert true.mean() == pytest.approx(50.0, abs=0.01)

    card = widths_mm(view, axis, z, spindle, spindle_slope, 0.0) - true
    at_axis = widths_mm(view, axis, z, spindle, spindle_slope, float(axis.point_mm[2])) - true
    assert card.mean() == pytest.approx(3.9, abs=0.2)
    assert at_axis.mean() == pytest.approx(0.21, abs=0.05)

    for points in sides(view, axis, z, spindle, spindle_slope):
        outward = points - axis.at(z)
        outward /= np.linalg.norm(outward, axis=1, keepdims=True)
        tangent = spindle_slope(z)[:, None] * outward + axis.direction
        rays = view.rays(view.to_pixels(points))
        got_z, got_r, _ = contact_points(view.camera_centre_mm, rays, rays + 0.1 * tangent, axis)
        assert np.abs(2.0 * got_r - true).max() < 1e-6
        assert np.abs(got_z - z).max() < 1e-6
