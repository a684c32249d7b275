"""A view: planes and pixels are each other's inverse, and OpenCV projects alike."""

import cv2
import numpy as np
from exact_views import SIZE_PX, lens_of, lenses, number, view_from
from hypothesis import given, settings
from hypothesis import strategies as st

quick = settings(max_examples=150, deadline=None)


@st.composite
def views(draw):
    """Return a view of the target from above, at 25 degrees over its plane or more."""
    up, round_it = draw(number(0.45, 1.57)), draw(number(-np.pi, np.pi))
    distance = draw(number(200.0, 1200.0))
    camera = distance * np.array(
        [np.cos(up) * np.cos(round_it), np.cos(up) * np.sin(round_it), np.sin(up)]
    )
    look = [draw(number(-40.0, 40.0)), draw(number(-40.0, 40.0)), 0.0]
    return view_from(camera, look, draw(lenses()), draw(number(-np.pi, np.pi)))


@quick
@given(views(), number(-5.0, 60.0), st.integers(0, 2**32 - 1))
def test_points_of_a_plane_come_back(view, height, seed):
    rng = np.random.default_rng(seed)
    flat = rng.uniform(-60.0, 60.0, (40, 2))
    points = np.column_stack([flat, np.full(40, height)])
    depth = points @ view.rotation[2] + view.translation_mm[2]
    pixels = view.to_pixels(points)
    # In front of the phone, in the picture, and the plane not seen edge-on.
    rays = points - view.camera_centre_mm
    good = (depth > 50.0) & np.all((pixels > 0) & (pixels < SIZE_PX), axis=1)
    good &= np.abs(rays[:, 2]) > 0.2 * np.linalg.norm(rays, axis=1)
    np.testing.assert_allclose(view.on_plane(pixels[good], height), flat[good], rtol=0, atol=1e-6)


@quick
@given(views(), st.integers(0, 2**32 - 1))
def test_rays_pass_through_what_is_seen(view, seed):
    rng = np.random.default_rng(seed)
    points = rng.uniform(-60.0, 60.0, (30, 3))
    pixels = view.to_pixels(points)
    seen = np.all((pixels > 0) & (pixels < SIZE_PX), axis=1)
    rays = view.rays(pixels[seen])
    to_point = points[seen] - view.camera_centre_mm
    # The third camera coordinate of `rays` is 1, so the point lies its depth along the ray.
    depth = points[seen] @ view.rotation[2] + view.translation_mm[2]
    np.testing.assert_allclose(rays * depth[:, None], to_point, rtol=0, atol=1e-6)


@quick
@given(views(), st.integers(0, 2**32 - 1))
def test_to_pixels_agrees_with_opencv(view, seed):
    points = np.random.default_rng(seed).uniform(-60.0, 60.0, (30, 3))
    f, cx, cy, k1, k2 = view.lens.vector()
    K = np.array([[f, 0.0, cx], [0.0, f, cy], [0.0, 0.0, 1.0]])
    expected = cv2.projectPoints(
        points, view.rotation_vector, view.translation_mm, K, np.array([k1, k2, 0.0, 0.0])
    )[0]
    np.testing.assert_allclose(
        view.to_pixels(points), np.asarray(expected).reshape(-1, 2), rtol=0, atol=1e-7
    )


@quick
@given(views())
def test_the_camera_centre_is_where_all_rays_meet(view):
    centre = view.camera_centre_mm
    np.testing.assert_allclose(view.rotation @ centre + view.translation_mm, 0.0, atol=1e-9)
    np.testing.assert_allclose(view.rotation @ view.rotation.T, np.eye(3), atol=1e-12)


@quick
@given(views())
def test_a_vector_makes_the_same_view_again(view):
    again = view.with_vector(view.vector())
    pixels = np.array([[100.0, 200.0], [3000.0, 1500.0]])
    np.testing.assert_array_equal(view.rays(pixels), again.rays(pixels))


def test_a_ray_away_from_the_plane_meets_nothing():
    # A phone that looks along the bench sees the bench below the horizon only.
    view = view_from(np.array([-400.0, 0.0, 100.0]), [0.0, 0.0, 100.0], lens_of())
    meets = np.isfinite(view.on_plane(np.array([[2000.0, 2900.0], [2000.0, 100.0]]))).all(axis=1)
    turned = np.isfinite(view.on_plane(np.array([[100.0, 1500.0], [3900.0, 1500.0]]))).all(axis=1)
    assert sorted([*meets, *turned]).count(True) in (1, 2)
    up = view.to_pixels(np.array([[0.0, 0.0, 130.0]]))
    down = view.to_pixels(np.array([[0.0, 0.0, 70.0]]))
    assert not np.isfinite(view.on_plane(up)).any()
    np.testing.assert_allclose(view.on_plane(down, 70.0), [[0.0, 0.0]], atol=1e-6)
