"""Circles of an end face from exact edge points: perspective, depth, offset, another plane.

The oracle is projective geometry: edge points are made by projecting circles of known place,
size and depth, and must come back.
"""

import dataclasses

import numpy as np
import pytest

from calib.view import VIEW_SIZE
from measure.circleedge import EdgeCircle
from measure.circles import Circle, circle_points, fit_projected_circle
from measure.face import DEEPER, GIVEN, ON_FACE, UNTOLD, Plane, measure_face
from tests.geometry.exact_views import lens_of, view_from

PLANE = Plane(0.0, 0.3)


def seen_from(camera, look_at=(0.0, 0.0, 0.0)):
    view = view_from(np.array(camera, dtype=float), np.array(look_at, dtype=float), lens_of())
    spread = np.zeros(VIEW_SIZE)
    spread[0], spread[10] = 20.0, 0.3  # focal length and distance: enough to test propagation
    return dataclasses.replace(view, covariance=np.diag(spread**2))


def edge_of(view, centre, diameter, depth=0.0, height=0.0):
    flat = circle_points(Circle(np.array(centre, dtype=float), diameter / 2.0), 240)
    px = view.to_pixels(np.column_stack([flat, np.full(240, height - depth)]))
    fit = fit_projected_circle(px, np.full(240, 0.1), view, height)
    return EdgeCircle(px, np.full(240, 0.1), fit.weights, fit.circle, np.eye(3) * 1e-6, 360, 0, 14)


@pytest.mark.parametrize("camera", [(60, -5, 210), (10, 70, 260), (-80, 30, 230)])
def test_an_image_ellipse_gives_back_its_circle(camera):
    view = seen_from(camera)
    edge = edge_of(view, (3.0, -2.0), 41.6)
    assert edge.circle.centre == pytest.approx([3.0, -2.0], abs=1e-6)
    assert 2.0 * edge.circle.radius == pytest.approx(41.6, abs=1e-6)
    # What the check is for: the ellipse's own centre is not the picture of the circle's centre.
    ellipse_middle = edge.points_px.mean(axis=0)
    assert np.linalg.norm(view.on_plane(ellipse_middle) - [3.0, -2.0]) > 0.05


def test_a_step_down_the_bore_gets_no_diameter_unless_its_depth_is_told():
    view = seen_from((55, -15, 205), (50, -10, 0))
    edges = [edge_of(view, (0, 0), 60.7), edge_of(view, (0, 0), 41.6)]
    edges.append(edge_of(view, (0, 0), 37.75, depth=9.3))
    rim, bore, step = measure_face(edges, view, PLANE, {})
    assert (rim.where, bore.where, step.where) == (ON_FACE, ON_FACE, DEEPER)
    assert step.diameter_mm is None
    assert step.implied_depth_mm == pytest.approx(9.3, abs=0.01)
    told = measure_face(edges, view, PLANE, {"step1": 9.3})[2]
    assert told.where == GIVEN
    assert told.diameter_mm == pytest.approx(37.75, abs=1e-4)
    assert told.off_centre_mm == pytest.approx(0.0, abs=1e-3)


def test_how_deep_a_step_looks_is_as_unsure_as_where_the_phone_was():
    # JCGM 101: the photo is held still, views are drawn from their covariance, and similar
    # triangles give the depth from each.
    seen = seen_from((20.0, -3.0, 250.0), (45.0, 0.0, 0.0))
    spread = np.zeros(VIEW_SIZE)
    spread[0], spread[6] = 60.0, 0.01  # focal length known to 2 %, tilt to half a degree
    view = dataclasses.replace(seen, covariance=np.diag(spread**2))
    edges = [edge_of(view, (0, 0), 24.0), edge_of(view, (0, 0), 19.0, depth=13.0)]
    step = measure_face(edges, view, Plane(0.0, 0.0), {"bore": 13.0})[1]
    rng = np.random.default_rng(4)
    depths = []
    for _ in range(300):
        moved = view.with_vector(view.vector() + spread * rng.normal(size=VIEW_SIZE))
        sd = np.full(240, 0.1)
        at = [fit_projected_circle(edge.points_px, sd, moved, 0.0).circle.centre for edge in edges]
        eye = moved.camera_centre_mm
        away = eye[:2] - at[0]
        share = (at[1] - at[0]) @ away / (away @ away)
        depths.append(eye[2] * share / (1.0 - share))
    assert step.implied_depth_mm == pytest.approx(13.0, abs=0.01)
    assert np.std(depths) > 1.0
    assert step.implied_u95_mm / 1.96 == pytest.approx(np.std(depths), rel=0.15)


def test_right_over_the_axis_the_depth_of_an_inner_circle_is_not_told():
    view = seen_from((0.0, 0.0, 205), (0.0, 0.001, 0.0))
    edges = [edge_of(view, (0, 0), d) for d in (60.7, 41.6)]
    edges.append(edge_of(view, (0, 0), 37.75, depth=9.3))
    assert [row.where for row in measure_face(edges, view, PLANE, {})][2] == UNTOLD


def test_half_a_millimetre_off_centre_is_found():
    view = seen_from((50.0, 0.0, 205), (40.0, 0.0, 0.0))
    edges = [edge_of(view, (0, 0), 60.0), edge_of(view, (0.0, 0.5), 25.0)]
    bore = measure_face(edges, view, PLANE, {"rim": 0.0, "bore": 0.0})[1]
    assert bore.off_centre_mm == pytest.approx(0.5, abs=0.01)
    assert bore.off_centre_u95_mm < 0.25


def test_off_centre_toward_the_phone_is_not_taken_for_a_bore_on_the_face_without_being_told():
    view = seen_from((50.0, 0.0, 205), (40.0, 0.0, 0.0))
    edges = [edge_of(view, (0, 0), 60.0), edge_of(view, (0.5, 0.0), 25.0)]
    bore = measure_face(edges, view, PLANE, {})[1]
    assert bore.where == DEEPER
    assert bore.diameter_mm is None


def test_the_plane_is_carried():
    view = seen_from((30.0, 0.0, 200.0), (20.0, 0.0, 0.0))
    still = dataclasses.replace(view, covariance=np.zeros((VIEW_SIZE, VIEW_SIZE)))
    rim = measure_face([edge_of(still, (0, 0), 60.0)], still, PLANE, {})[0]
    # Similar triangles: 0.3 mm in 200 of 60 mm, at 1.96.
    assert rim.u95_common_mm == pytest.approx(1.96 * 60.0 * 0.3 / 200.0, rel=0.01)


def test_a_hole_180_mm_above_the_card_reads_43_percent_large():
    view = seen_from((40.0, 0.0, 600.0), (30.0, 0.0, 0.0))
    edge = edge_of(view, (0, 0), 40.0, height=0.0, depth=-180.0)
    assert 2.0 * edge.circle.radius == pytest.approx(40.0 * 600.0 / 420.0, rel=1e-6)
    told = edge_of(view, (0, 0), 40.0, height=180.0)
    rim = measure_face([told], view, Plane(180.0, 0.3), {})[0]
    assert rim.diameter_mm == pytest.approx(40.0, abs=1e-5)


def test_the_rim_of_a_face_that_bears_the_card_goes_round_the_card():
    view = seen_from((50.0, 0.0, 205), (40.0, 0.0, 0.0))
    edges = [edge_of(view, (60, 0), 40.0), edge_of(view, (60, 0), 30.0, depth=8.0)]
    rows = measure_face(edges, view, PLANE, {"step1": 8.0}, rimmed=False)
    assert [row.name for row in rows] == ["bore", "step1"]
    assert rows[1].diameter_mm == pytest.approx(30.0, abs=1e-4)
    alone = measure_face(edges[:1], view, PLANE, {}, rimmed=False)
    assert [row.name for row in alone] == ["bore"]
