"""Which edges are taken for rims, and how far they go on, in drawn pictures."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from measure.rimchoice import chosen_rims
from measure.rimedges import edges_of_step
from measure.rimextents import goes_past_an_end, laid_along, overlooks
from measure.rimpixels import rim_points
from tests.measure.cutter.drawntool import AXIS, TRUE, drawn, view_from

CAMERA = (-10.0, 60.0, 320.0)
PIXEL_MM = 0.2
NEAR_MM = 2.0 * PIXEL_MM
"""Pictures are drawn to a pixel, and an onset's crest lies up to one beside the edge."""


def radii(steps):
    return np.array([step.radius_mm for step in steps])


def lined(picture, view, step, share, tone):
    """Return the picture with a highlight along both sides of a step, at a share of its radius."""
    z = np.array([step.z_from_mm + 1.0, step.z_to_mm - 1.0])
    out = picture.copy()
    for sign in (1.0, -1.0):
        sides = [
            rim_points(view.camera_centre_mm, AXIS, z, np.full(2, at * step.radius_mm), sign)
            for at in (share, share - 0.15)
        ]
        corners = view.to_pixels(np.concatenate([sides[0], sides[1][::-1]]))
        cv2.fillConvexPoly(out, np.round(corners * 16).astype(np.int32), (tone,) * 3, 4, 4)
    return out


def test_rough_radii_find_the_rims():
    view = view_from(CAMERA)
    rough = [replace(step, radius_mm=0.93 * step.radius_mm, aside_mm=0.3) for step in TRUE]
    found = chosen_rims(drawn(view, TRUE), view, AXIS, rough)
    np.testing.assert_allclose(radii(found), radii(TRUE), atol=NEAR_MM)
    assert all(step.loss < 0.5 for step in found)


def test_highlight_as_strong_as_any_rim_is_none():
    view = view_from(CAMERA)
    picture = lined(drawn(view, TRUE), view, TRUE[2], 0.85, 250)
    on_highlight = [*TRUE[:2], replace(TRUE[2], radius_mm=0.85 * TRUE[2].radius_mm)]
    edges = edges_of_step(picture, view, AXIS, on_highlight, 2, 1.0)
    # The highlight's outer border is there to be taken.
    assert np.abs(edges.radius_mm - 0.85 * TRUE[2].radius_mm).min() < 2.0 * PIXEL_MM
    found = chosen_rims(picture, view, AXIS, on_highlight)
    np.testing.assert_allclose(radii(found), radii(TRUE), atol=NEAR_MM)


def test_rim_lost_on_one_side_is_not_taken_from_a_shadow_border():
    """An edge outside one rim, as a shadow has, stands on that side alone."""
    view = view_from(CAMERA)
    picture = drawn(view, TRUE)
    step = TRUE[0]
    z = np.array([step.z_from_mm, step.z_to_mm])
    out = [
        view.to_pixels(rim_points(view.camera_centre_mm, AXIS, z, np.full(2, radius), 1.0))
        for radius in (step.radius_mm, step.radius_mm + 1.5)
    ]
    shadow = np.round(np.concatenate([out[0], out[1][::-1]]) * 16).astype(np.int32)
    cv2.fillConvexPoly(picture, shadow, (70, 70, 70), 4, 4)
    found = chosen_rims(picture, view, AXIS, TRUE)
    np.testing.assert_allclose(radii(found), radii(TRUE), atol=NEAR_MM)


def test_step_without_any_edge_is_told():
    view = view_from(CAMERA)
    found = chosen_rims(drawn(view, []), view, AXIS, TRUE)
    assert all(step.loss > 5.0 for step in found)
    assert sum(step.borne_out_mm for step in found) < 0.4 * 96.0


@pytest.mark.parametrize("short", [(0, 12.0), (2, 15.0)])
def test_rims_are_followed_to_their_ends(short):
    view = view_from(CAMERA)
    k, less = short
    steps = list(TRUE)
    steps[k] = replace(
        TRUE[k],
        z_from_mm=TRUE[k].z_from_mm + (less if k == 0 else 0.0),
        z_to_mm=TRUE[k].z_to_mm - (less if k == 2 else 0.0),
    )
    found = laid_along(drawn(view, TRUE), view, AXIS, steps)
    ends = [found[0].z_from_mm, found[-1].z_to_mm]
    # Seen from aslant the arc of an end begins before the rim ends.
    np.testing.assert_allclose(ends, [0.0, 96.0], atol=2.5)


def test_step_overlooked_between_two_is_found():
    view = view_from(CAMERA)
    found = laid_along(drawn(view, TRUE), view, AXIS, [TRUE[0], TRUE[2]])
    assert len(found) == 3
    assert found[1].radius_mm == pytest.approx(TRUE[1].radius_mm, abs=NEAR_MM)


def test_rim_that_shows_on_one_side_alone_is_told_by_the_axis():
    """The other side is painted over in the bench's tone, deep into the step."""
    view = view_from(CAMERA)
    step = TRUE[1]
    z = np.array([step.z_from_mm - 1.0, step.z_to_mm + 1.0])
    sides = [
        rim_points(view.camera_centre_mm, AXIS, z, np.full(2, at * step.radius_mm), -1.0)
        for at in (0.6, 1.5)
    ]
    corners = view.to_pixels(np.concatenate([sides[0], sides[1][::-1]]))
    picture = drawn(view, TRUE)
    cv2.fillConvexPoly(picture, np.round(corners * 16).astype(np.int32), (120,) * 3, 4, 4)
    found = chosen_rims(picture, view, AXIS, TRUE)
    assert found[1].radius_mm == pytest.approx(step.radius_mm, abs=NEAR_MM)
    assert found[1].loss >= 4.0
    assert all(other.loss < 0.5 for other in (found[0], found[2]))


def test_larger_step_that_was_overlooked_is_seen():
    view = view_from(CAMERA)
    picture = drawn(view, TRUE)
    assert not overlooks(picture, view, AXIS, TRUE)
    through = [replace(TRUE[0], z_to_mm=TRUE[1].z_to_mm), TRUE[2]]
    assert overlooks(picture, view, AXIS, through)


def test_shadow_beside_a_step_is_no_larger_step():
    """It has a border as straight as a rim, on one side."""
    view = view_from(CAMERA)
    picture = drawn(view, TRUE)
    z = np.array([TRUE[0].z_from_mm, TRUE[0].z_to_mm])
    out = [
        view.to_pixels(rim_points(view.camera_centre_mm, AXIS, z, np.full(2, radius), 1.0))
        for radius in (TRUE[0].radius_mm, TRUE[0].radius_mm + 9.0)
    ]
    shadow = np.round(np.concatenate([out[0], out[1][::-1]]) * 16).astype(np.int32)
    cv2.fillConvexPoly(picture, shadow, (70, 70, 70), 4, 4)
    assert not overlooks(picture, view, AXIS, TRUE)


@pytest.mark.parametrize("missed", [0, 2])
def test_step_missed_past_an_end_is_seen(missed):
    view = view_from(CAMERA)
    picture = drawn(view, TRUE)
    assert not goes_past_an_end(picture, view, AXIS, TRUE)
    left = [step for k, step in enumerate(TRUE) if k != missed]
    assert goes_past_an_end(picture, view, AXIS, left)


def test_shadow_past_an_end_is_no_step():
    """It has one straight border to either side, not mirrored about the axis."""
    view = view_from(CAMERA)
    picture = drawn(view, TRUE)
    z = np.array([TRUE[-1].z_to_mm, TRUE[-1].z_to_mm + 25.0])
    borders = [
        view.to_pixels(rim_points(view.camera_centre_mm, AXIS, z, np.full(2, radius), sign))
        for radius, sign in ((0.6 * TRUE[-1].radius_mm, -1.0), (1.6 * TRUE[-1].radius_mm, 1.0))
    ]
    shadow = np.round(np.concatenate([borders[0], borders[1][::-1]]) * 16).astype(np.int32)
    cv2.fillConvexPoly(picture, shadow, (70, 70, 70), 4, 4)
    assert not goes_past_an_end(picture, view, AXIS, TRUE)


def test_no_rim_is_asked_of_a_cylinder_about_the_camera():
    """Its pixels are those of the last that has one, and no warning comes of it."""
    view = view_from(CAMERA)
    radii = np.array([10.0, 1e4])
    with np.errstate(invalid="raise"):
        points = rim_points(view.camera_centre_mm, AXIS, np.zeros(2), radii, 1.0)
    assert np.isfinite(points).all()
