"""A rim that rests on the bench is as large as its corner says, wherever along the axis that is."""

import numpy as np
import pytest
from exact_piece import Solid, exact_outline, line, seen_outline
from exact_views import lens_of, view_from

from calib.view import VIEW_SIZE
from measure.knowledge import Knowledge, knowledge_residuals
from measure.revolve import Axis
from measure.sides import contour_values, side_curves
from measure.unknowns import Layout, Values, across_and_deep

FLANGE_MM, CORNER_MM, BROAD_MM = 100.0, 0.1, 22.0
FLANGED = Solid(
    (
        line(0.0, 14.0, FLANGE_MM, 14.0),
        line(FLANGE_MM, 14.0, FLANGE_MM, BROAD_MM),
        line(FLANGE_MM, BROAD_MM, 112.0, BROAD_MM),
    )
)


SHIFT_MM, NOISE_PX = 0.6, 0.2


@pytest.mark.parametrize("seed", range(5))
def test_a_corners_radius_does_not_change_with_the_place_of_the_camera_along_the_axis(seed):
    view = view_from([20.0, -60.0, 400.0], [0.0, 0.0, 20.0], lens_of(3028.0))
    axis = Axis(np.array([-50.0, 0.0, BROAD_MM]), np.array([1.0, 0.0, 0.0]))
    exact = exact_outline(view, axis, FLANGED)
    sides = np.ones(len(exact.points_px))
    outline = seen_outline(exact, np.random.default_rng(seed), NOISE_PX, (0.0, 0.0), sides)
    values = contour_values(outline.points_px, outline.tangents, view, axis)
    corner = (np.abs(values[0] - FLANGE_MM) < CORNER_MM) & (values[1] > BROAD_MM - 1.0)
    curves = side_curves(*values, corner)
    assert min(len(c.index) for c in curves) >= 5
    assert max(np.ptp(c.z_mm) for c in curves) < 2.0 * CORNER_MM
    layout = Layout(view, axis, *across_and_deep(axis, view), 0, False)
    asked = Values(layout, outline)
    known = Knowledge(contacts=np.array([[FLANGE_MM, BROAD_MM]]), contact_sd_mm=1.0)
    residuals = knowledge_residuals(layout, outline, known, curves, 0.14, asked)
    here = np.concatenate([view.vector(), np.zeros(6)])
    moved = view_from([20.0 + SHIFT_MM, -60.0, 400.0], [SHIFT_MM, 0.0, 20.0], lens_of(3028.0))
    there = np.concatenate([moved.vector(), np.zeros(6)])
    assert len(there) == VIEW_SIZE + 6
    # Seen from a place farther on, all lies farther on by as much, and is as large.
    assert abs(float(residuals(there)[0] - residuals(here)[0])) < 0.05 * SHIFT_MM
