"""Where steps meet, sought in drawn pictures."""

import numpy as np
import pytest

from measure.rimoutline import Cylinder
from measure.rimplaces import places_sought
from tests.measure.cutter.drawntool import AXIS, TRUE, drawn, view_from


def places(steps):
    return np.array([steps[0].z_from_mm, *(step.z_to_mm for step in steps)])


def shifted(steps, moved):
    """Return the steps with each place moved."""
    at = places(steps) + np.array(moved)
    return [Cylinder(at[k], at[k + 1], s.radius_mm, s.aside_mm) for k, s in enumerate(steps)]


@pytest.mark.parametrize(
    "camera", [(-10.0, 60.0, 320.0), (-120.0, 50.0, 260.0), (110.0, -80.0, 240.0)]
)
@pytest.mark.parametrize(
    "moved", [(0.0, 0.0, 0.0, 0.0), (2.0, -3.0, 2.5, -2.0), (-2.5, 3.5, -3.0, 3.0)]
)
def test_places_are_found_from_a_few_millimetres_off(camera, moved):
    view = view_from(camera)
    found = places(places_sought(drawn(view, TRUE), view, AXIS, shifted(TRUE, moved)))
    # A pixel is 0.2 mm here, and arcs are tried every 0.1 mm.
    np.testing.assert_allclose(found, places(TRUE), atol=0.35)


def test_two_edges_without_an_end_are_no_step():
    view = view_from((-10.0, 60.0, 320.0))
    picture = drawn(view, TRUE)
    invented = [*TRUE, Cylinder(96.0, 118.0, 3.0, 0.0)]
    found = places_sought(picture, view, AXIS, invented)
    assert len(found) == 3
    np.testing.assert_allclose(places(found), places(TRUE), atol=0.35)


def test_places_stay_where_nothing_is_to_be_seen():
    view = view_from((-10.0, 60.0, 320.0))
    plain = drawn(view, [])
    two = TRUE[:2]
    assert places(places_sought(plain, view, AXIS, two)) == pytest.approx(places(two))
