"""The rim of an end face, from pictures of solids whose outline scipy's convex hull gives.

A solid of revolution without hollows is the convex hull of its circles, so its outline in a
picture is the convex hull of theirs: scipy.spatial.ConvexHull, which knows nothing of rims.
"""

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from scipy.spatial import ConvexHull

from measure.capshapes import NearEnd
from measure.endrim import LEAST_POINTS, EndRim, circle_seen, face_rim, tip_rim
from measure.revolve import Axis

AXIS = Axis(np.array([0.0, 0.0, 30.0]), np.array([1.0, 0.0, 0.0]))
SCALE = 0.14
EDGE_ON_MM = 2.0


def arc_of(circles, camera, within):
    """Return rays to the outline of circles (z, r), those of the circles with z < within."""
    angle = np.linspace(0.0, 2.0 * np.pi, 1440, endpoint=False)
    places, own = [], []
    for z, r in circles:
        ring = np.column_stack([np.full(len(angle), z), r * np.cos(angle), r * np.sin(angle)])
        places.append(ring + AXIS.point_mm)
        own.append(np.full(len(angle), z < within))
    places, own = np.vstack(places), np.concatenate(own)
    rays = places - camera
    # Any plane before the camera makes the picture: the hull is the same.
    ahead = AXIS.at(40.0) - camera
    ahead /= np.linalg.norm(ahead)
    u = np.cross(ahead, [0.0, 1.0, 0.0])
    u /= np.linalg.norm(u)
    picture = np.column_stack([rays @ u, rays @ np.cross(ahead, u)]) / (rays @ ahead)[:, None]
    hull = ConvexHull(picture).vertices
    return rays[hull[own[hull]]]


def sides(meridian):
    """Return the sides near the end at z = 0 as they are, seen from z = 0.5 inward."""
    x = np.arange(0.0, 40.0, 0.2)
    z, r = np.array(meridian, dtype=float).T
    radius = np.interp(x + 0.5, z, r)
    return NearEnd(x, radius, float((radius[4] - radius[0]) / 0.8), float(radius[0]), 0.8)


@example(4.0, 1.4765625, 0.0, 361.0, 1.5)
@given(
    st.floats(4.0, 34.0),
    st.floats(-150.0, 150.0),
    st.floats(-60.0, 60.0),
    st.floats(250.0, 700.0),
    st.floats(-1.5, 1.5),
)
def test_a_circle_is_found_where_it_is(r, x, y, height, end):
    camera = np.array([60.0 + x, y, height])
    # From its own plane a circle is a line: neither the true one nor the guess, at 0, is such.
    assume(min(abs(camera[0] + end), abs(camera[0])) > EDGE_ON_MM)
    rays = arc_of([(-end, r), (80.0, r)], camera, 40.0)
    # Straight over an end that the sides hide, hardly a ray is the end's.
    assume(len(rays) >= LEAST_POINTS)
    found = circle_seen(rays, camera, AXIS, 0.0, 1.0, (0.0, 1.03 * r), SCALE)
    assert found is not None
    assert found.end_mm == pytest.approx(end, abs=0.01)
    assert found.radius_mm == pytest.approx(r, abs=0.05)


CAMERAS = [(50.0, 0.0, 420.0), (90.0, -60.0, 400.0), (-40.0, 30.0, 420.0)]


@pytest.mark.parametrize("camera", CAMERAS)
def test_a_square_end_is_a_face(camera):
    camera = np.array(camera)
    meridian = [(0.0, 18.0), (80.0, 18.0)]
    rim = face_rim(arc_of(meridian, camera, 40.0), camera, AXIS, 0.5, 1.0, sides(meridian), SCALE)
    assert rim is not None
    assert rim.end_mm == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize("camera", CAMERAS)
@pytest.mark.parametrize("chamfer", [0.4, 0.7, 1.0, 1.4])
def test_a_small_chamfer_still_ends_at_its_face(camera, chamfer):
    camera = np.array(camera)
    meridian = [(0.0, 18.0 - chamfer), (chamfer, 18.0), (80.0, 18.0)]
    rim = face_rim(arc_of(meridian, camera, 40.0), camera, AXIS, 0.5, 1.0, sides(meridian), SCALE)
    assert rim is not None
    assert abs(rim.end_mm - 0.5) < 3.0 * np.hypot(rim.sd_mm, 0.5 * SCALE)


@pytest.mark.parametrize("chamfer", [0.4, 0.8, 1.5])
def test_two_rims_bound_a_chamfered_end_together(chamfer):
    camera = np.array(CAMERAS[1])
    meridian = [(0.0, 18.0 - chamfer), (chamfer, 18.0), (80.0, 18.0)]
    guess = (0.5 - 0.5 * chamfer, 18.0 - 0.5 * chamfer)
    rays = arc_of(meridian, camera, 40.0)
    rim = circle_seen(rays, camera, AXIS, 0.5, 1.0, guess, SCALE, np.inf, chamfer)
    assert rim is not None
    assert rim.end_mm == pytest.approx(0.5, abs=0.01)
    assert rim.radius_mm == pytest.approx(18.0 - chamfer, abs=0.01)
    assert rim.misfit_px < 0.05


@pytest.mark.parametrize("camera", CAMERAS)
@pytest.mark.parametrize("high", [6.0, 12.0, 18.0])
def test_a_dome_is_no_face(high, camera):
    camera = np.array(camera)
    z = np.linspace(0.0, high, 300)
    meridian = [*zip(z, 18.0 * np.sqrt(1.0 - (1.0 - z / high) ** 2), strict=True), (80.0, 18.0)]
    rays = arc_of(meridian[1:], camera, 0.5 * high)
    assert face_rim(rays, camera, AXIS, 0.5, 1.0, sides(meridian), SCALE) is None


def test_too_few_points_show_no_circle():
    camera = np.array(CAMERAS[0])
    rays = arc_of([(0.0, 18.0), (80.0, 18.0)], camera, 40.0)[:6]
    assert circle_seen(rays, camera, AXIS, 0.0, 1.0, (0.0, 18.0), SCALE) is None


FROM_INSIDE = np.array([250.0, -60.0, 330.0])


def rim_at(z, r):
    return EndRim(0.5 - z, r, 0.0, 0.01, 0.01)


def test_the_larger_circle_of_a_chamfer_is_no_tip_behind_its_face():
    rays = arc_of([(0.0, 13.0), (2.0, 15.0), (80.0, 15.0)], FROM_INSIDE, 40.0)
    found = tip_rim(rays, FROM_INSIDE, AXIS, 0.5, 1.0, rim_at(0.0, 13.0), SCALE)
    assert found == (False, None)


def test_the_tip_of_a_tenon_behind_a_shoulder_is_found():
    rays = arc_of([(0.0, 7.0), (22.0, 17.0), (80.0, 17.0)], FROM_INSIDE, 40.0)
    peeps, tip = tip_rim(rays, FROM_INSIDE, AXIS, 0.5, 1.0, rim_at(22.0, 17.0), SCALE)
    assert peeps
    assert tip is not None
    assert tip.end_mm == pytest.approx(0.5, abs=0.1)
    assert tip.radius_mm == pytest.approx(7.0, abs=0.1)
