"""The exact inversion gives back any smooth profile within 1e-6 mm, through any camera.

What counts as too near to a degeneracy is stated once, in `far_from_degeneracies`.
"""

import numpy as np
from exact_views import LENGTH_MM, SIZE_PX, scenes
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calib.lens import straighten
from measure.revolve import contact_points, outline_points
from measure.sides import contour_values

EXACT_MM = 1e-6
LEAST_WEIGHT = 0.1
"""Sine of the angle between ray and w; 0 where the ray meets the axis line."""
LEAST_TILT = 0.1
"""Sine of the angle between surface normal and axis; 0 on flat end faces."""
LEAST_SPREAD = 0.1
"""Sine of the angle between ray and meridian tangent; 0 where the outline has a cusp."""
LEAST_PACE = 0.2
"""How fast the outline moves along z, against the meridian; 0 at a cusp of the outline."""

slow = settings(
    max_examples=120,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)


def contour(scene, count=60):
    """Return z, both sides' contour points and meridian tangents, in the target frame."""
    z = np.linspace(0.0, LENGTH_MM, count)
    camera, axis, profile = scene.view.camera_centre_mm, scene.axis, scene.profile
    sides = outline_points(camera, axis, z, profile.radius, profile.slope)
    parts = []
    for points in sides:
        outward = points - axis.at(z)
        outward = outward / np.linalg.norm(outward, axis=1, keepdims=True)
        tangent = profile.slope(z)[:, None] * outward + axis.direction
        parts.append((z, points, outward, tangent / np.linalg.norm(tangent, axis=1, keepdims=True)))
    return parts


def far_from_degeneracies(scene, points, outward, tangent):
    """Return which contour points are seen, and are none of the stated degenerate ones."""
    view, axis = scene.view, scene.axis
    rays = points - view.camera_centre_mm
    rays = rays / np.linalg.norm(rays, axis=1, keepdims=True)
    normal = np.cross(np.cross(outward, axis.direction), tangent)
    normal = normal / np.linalg.norm(normal, axis=1, keepdims=True)
    w = np.cross(axis.direction, normal)
    with np.errstate(invalid="ignore"):
        tilt = np.linalg.norm(w, axis=1)
        weight = np.abs(np.sum(rays * w, axis=1)) / tilt
        spread = np.linalg.norm(np.cross(rays, tangent), axis=1)
        good = (weight > LEAST_WEIGHT) & (tilt > LEAST_TILT) & (spread > LEAST_SPREAD)
    depth = points @ view.rotation[2] + view.translation_mm[2]
    good &= np.isfinite(depth) & (depth > 20.0)
    pixels = view.to_pixels(np.where(good[:, None], points, axis.at(0.0)))
    good &= np.all((pixels > 0) & (pixels < SIZE_PX), axis=1)
    # The distortion must be monotonic there, or a pixel does not belong to one ray.
    f, cx, cy, k1, k2 = view.lens.vector()
    r2 = np.sum(((np.where(good[:, None], pixels, (cx, cy)) - (cx, cy)) / f) ** 2, axis=1)
    return good & (1.0 + 3.0 * k1 * r2 + 5.0 * k2 * r2**2 > 0.5) & (r2 < 1.2)


def image_tangent(view, points, tangent, h=1e-2):
    """Return unit tangents of the outline in the photo.

    The plane that touches the surface holds the ray, so every tangent of the surface has the
    outline's tangent as its picture: that of the meridian is known in closed form.
    """
    t = view.to_pixels(points + h * tangent) - view.to_pixels(points - h * tangent)
    return t / np.linalg.norm(t, axis=1, keepdims=True)


def along(view, pixels, t, h=0.05):
    """Return the change of the rays along tangents, which lies in the touching plane."""
    return view.rays(pixels + h * t) - view.rays(pixels - h * t)


@slow
@given(scenes())
def test_any_smooth_profile_comes_back_through_any_camera(scene):
    for z, points, outward, tangent in contour(scene):
        good = far_from_degeneracies(scene, points, outward, tangent)
        if not np.any(good):
            continue
        pixels = scene.view.to_pixels(points[good])
        t = image_tangent(scene.view, points[good], tangent[good])
        rays = scene.view.rays(pixels)
        got_z, got_r, weight = contact_points(
            scene.view.camera_centre_mm, rays, along(scene.view, pixels, t), scene.axis
        )
        np.testing.assert_allclose(got_z, z[good], rtol=0, atol=EXACT_MM)
        np.testing.assert_allclose(got_r, scene.profile.radius(z[good]), rtol=0, atol=EXACT_MM)
        assert np.all((weight > 0.99 * LEAST_WEIGHT) & (weight <= 1.0 + 1e-12))


@slow
@given(scenes())
def test_tangents_along_the_outline_itself_do_as_well(scene):
    # Central differences (fourth order) of the outline's own pixels: this ties the contour, not
    # only the surface's tangent plane, to the inversion.
    h = 5e-4
    profile, view, camera = scene.profile, scene.view, scene.view.camera_centre_mm
    for k, (z, points, outward, tangent) in enumerate(contour(scene)):
        good = far_from_degeneracies(scene, points, outward, tangent)
        near = [
            outline_points(camera, scene.axis, z + s * h, profile.radius, profile.slope)[k]
            for s in (-2.0, -1.0, 1.0, 2.0)
        ]
        good &= np.all(np.isfinite(near), axis=(0, 2))
        if not np.any(good):
            continue
        pixels = view.to_pixels(points[good])
        a, b, c, d = (view.to_pixels(points_near[good]) for points_near in near)
        t = (a - 8.0 * b + 8.0 * c - d) / (12.0 * h)
        # Where the outline turns back in the photo (a cusp) its pace along z passes through 0.
        meridian = view.to_pixels(points[good] + tangent[good]) - pixels
        pace = np.linalg.norm(t, axis=1) / np.linalg.norm(meridian, axis=1)
        steady = pace > LEAST_PACE
        t = t[steady] / np.linalg.norm(t[steady], axis=1, keepdims=True)
        pixels, z_there = pixels[steady], z[good][steady]
        got_z, got_r, _ = contact_points(
            camera, view.rays(pixels), along(view, pixels, t), scene.axis
        )
        # What the differences miss of the tangent slides the contact along the surface.
        np.testing.assert_allclose(got_z, z_there, rtol=0, atol=1e-4)
        np.testing.assert_allclose(got_r, profile.radius(got_z), rtol=0, atol=EXACT_MM)


@slow
@given(scenes())
def test_contour_points_are_on_the_surface_and_seen_edge_on(scene):
    camera = scene.view.camera_centre_mm
    for z, points, _, tangent in contour(scene, 20):
        seen = np.all(np.isfinite(points), axis=1)
        offset = points[seen] - scene.axis.at(z[seen])
        np.testing.assert_allclose(offset @ scene.axis.direction, 0.0, atol=1e-9)
        r = np.linalg.norm(offset, axis=1)
        np.testing.assert_allclose(r, scene.profile.radius(z[seen]), atol=1e-9)
        normal = np.cross(np.cross(offset / r[:, None], scene.axis.direction), tangent[seen])
        ray = points[seen] - camera
        edge_on = np.sum(ray * normal, axis=1) / np.linalg.norm(ray, axis=1)
        np.testing.assert_allclose(edge_on, 0.0, atol=1e-9)


@slow
@given(scenes(), st.floats(0.002, 0.02))
def test_a_tangent_error_enters_the_profile_to_second_order(scene, angle):
    # DESIGN section 3: the contact slides along the surface, so (z, r) stays on the profile.
    # Halving the error must take the distance from the profile to about a quarter.
    for _, points, outward, tangent in contour(scene, 30):
        good = far_from_degeneracies(scene, points, outward, tangent)
        if not np.any(good):
            continue
        view, axis = scene.view, scene.axis
        pixels = view.to_pixels(points[good])
        t = image_tangent(view, points[good], tangent[good])
        across = np.column_stack([-t[:, 1], t[:, 0]])
        off = []
        for turn in (angle, 0.5 * angle):
            wrong = np.cos(turn) * t + np.sin(turn) * across
            z, r, _ = contact_points(
                view.camera_centre_mm, view.rays(pixels), along(view, pixels, wrong), axis
            )
            slope = scene.profile.slope(z)
            off.append(np.abs(r - scene.profile.radius(z)) / np.sqrt(1.0 + slope**2))
        # Judged where the error is large enough to tell and small enough for the series.
        judged = (off[0] > 1e-6) & (off[0] < 0.02)
        ratio = off[1][judged] / off[0][judged]
        if len(ratio) > 10:
            assert 0.15 < np.median(ratio) < 0.35


@slow
@given(scenes())
def test_contour_values_agree_and_tell_the_sides_apart(scene):
    # The half pixel that `contour_values` steps along the tangent leaves the distortion's
    # curvature over half a pixel: far below any edge noise.
    found = []
    for z, points, outward, tangent in contour(scene, 30):
        good = far_from_degeneracies(scene, points, outward, tangent)
        good &= np.abs(scene.profile.slope(z)) < 1.0
        if not np.any(good):
            return
        pixels = scene.view.to_pixels(points[good])
        t = image_tangent(scene.view, points[good], tangent[good])
        got_z, got_r, _, side = contour_values(pixels, t, scene.view, scene.axis)
        np.testing.assert_allclose(got_r, scene.profile.radius(got_z), rtol=0, atol=1e-4)
        assert len(set(side)) == 1
        found.append(side[0])
    assert sorted(found) == [-1.0, 1.0]


@settings(max_examples=60, deadline=None)
@given(scenes())
def test_rays_do_not_depend_on_their_length(scene):
    _, points, outward, tangent = contour(scene)[0]
    good = far_from_degeneracies(scene, points, outward, tangent)
    pixels = scene.view.to_pixels(points[good])
    t = image_tangent(scene.view, points[good], tangent[good])
    rays, ahead = scene.view.rays(pixels), along(scene.view, pixels, t)
    camera = scene.view.camera_centre_mm
    once = contact_points(camera, rays, ahead, scene.axis)
    again = contact_points(camera, -7.0 * rays, 0.3 * ahead + 2.0 * rays, scene.axis)
    for a, b in zip(once, again, strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-6, atol=EXACT_MM)
    assert np.all(np.isfinite(straighten(pixels, scene.view.lens.vector())))
