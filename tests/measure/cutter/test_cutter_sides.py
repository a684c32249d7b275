"""Sides, shank and blade against exact projections, and the swept diameter against geometry."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scene import blade, cylinder, frame, lying, phone

from measure.flat import blade_half_width, swept_radius
from measure.reach import axis_of_shank, frame_of, reach_over
from measure.revolve import Axis
from measure.swept import Reading, swept_of

lengths = st.floats(2.0, 30.0)
tilts = st.floats(-25.0, 25.0)


@settings(deadline=None, max_examples=40)
@given(radius=lengths, tilt=tilts, aside=st.floats(-80.0, 80.0))
def test_reach_of_a_cylinder_is_its_radius(radius, tilt, aside):
    view, axis = phone(tilt, 420.0, aside), lying(radius)
    for pixels in cylinder(view, axis, radius, 5.0, 25.0):
        side = reach_over(view.camera_centre_mm, view.rays(pixels), axis)
        np.testing.assert_allclose(side.reach_mm, radius, atol=1e-8)
        np.testing.assert_allclose(side.z_mm, np.arange(5.0, 25.01, 0.1), atol=1e-7)


@settings(deadline=None, max_examples=40)
@given(radius=lengths, ex=st.floats(-1.5, 1.5), ey=st.floats(-1.5, 1.5), tilt=tilts)
def test_reach_of_an_offset_cylinder_is_radius_plus_offset_along_the_normal(radius, ex, ey, tilt):
    view, axis = phone(tilt), lying(radius)
    for sign, pixels in zip((1, -1), cylinder(view, axis, radius, 5, 25, (ex, ey)), strict=True):
        side = reach_over(view.camera_centre_mm, view.rays(pixels), axis)
        want = radius + sign * ex * np.cos(side.lean_rad) + ey * np.sin(side.lean_rad)
        np.testing.assert_allclose(side.reach_mm, want, atol=1e-7)


@pytest.mark.parametrize("shift_mm", [-0.8, 0.3])
@pytest.mark.parametrize("turn", [-0.01, 0.004])
def test_axis_of_the_shank_is_found_from_a_wrong_guess(shift_mm, turn):
    view, axis = phone(), lying(6.0)
    across, _ = frame(view, axis)
    wrong = Axis(axis.point_mm + shift_mm * across, axis.direction + turn * across)
    wrong = Axis(wrong.point_mm, wrong.direction / np.linalg.norm(wrong.direction))
    rays = tuple(view.rays(p) for p in cylinder(view, axis, 6.0, 2.0, 60.0))
    found = axis_of_shank(view.camera_centre_mm, rays, wrong, 2.0, 60.0).axis
    for z in (0.0, 60.0, 130.0):
        gap = found.at(z) - axis.at(z)
        # Along the axis a point may slide, and the depth stays as guessed.
        assert abs(gap @ across) < 2e-5


def test_shank_axis_scatter_is_as_stated():
    view, axis = phone(), lying(6.0)
    rng = np.random.default_rng(4)
    z_far, normalised = 120.0, []
    across, _ = frame(view, axis)
    for _ in range(60):
        noisy = [p + rng.normal(0.0, 1.5, p.shape) for p in cylinder(view, axis, 6.0, 2.0, 60.0)]
        rays = (view.rays(noisy[0]), view.rays(noisy[1]))
        line = axis_of_shank(view.camera_centre_mm, rays, axis, 2.0, 60.0)
        gap = (line.axis.at(z_far) - axis.at(z_far)) @ across
        normalised.append(gap / line.shift_sd(z_far))
    assert 0.75 < np.sqrt(np.mean(np.square(normalised))) < 1.3


def test_rims_seen_in_the_wrong_place_move_and_turn_the_axis_as_stated():
    """Each rim is moved by itself at either end: straight lines through the wrong places."""
    view, axis = phone(), lying(6.0)
    rng = np.random.default_rng(8)
    across, _ = frame(view, axis)
    sd, span, places = 0.1, (2.0, 60.0), (31.0, 120.0)
    sides = cylinder(view, axis, 6.0, *span)
    share = np.linspace(0.0, 1.0, len(sides[0]))[:, None]
    square = view.to_pixels(np.array([axis.point_mm, axis.point_mm + across]))
    pixels = (square[1] - square[0]) * sd
    gaps = []
    for _ in range(200):
        off = rng.normal(0.0, 1.0, (2, 2))
        moved = [
            p + ((1 - share) * a + share * b) * pixels for p, (a, b) in zip(sides, off, strict=True)
        ]
        rays = (view.rays(moved[0]), view.rays(moved[1]))
        line = axis_of_shank(view.camera_centre_mm, rays, axis, *span)
        gaps.append([(line.axis.at(z) - axis.at(z)) @ across for z in places])
    stated = line.with_rims_off(sd, span[1] - span[0])
    for seen, z in zip(np.std(gaps, axis=0), places, strict=True):
        assert stated.shift_sd(z) == pytest.approx(seen, rel=0.15)


@settings(deadline=None, max_examples=40)
@given(
    half=st.floats(5.0, 25.0),
    thickness=st.floats(0.5, 4.0),
    lean=st.floats(-0.4, 0.4),
    tilt=tilts,
)
def test_rim_of_a_flat_blade_is_exact(half, thickness, lean, tilt):
    view, axis = phone(tilt), lying(3.0)
    pixels, normal = blade(view, axis, half, thickness, lean, 4.0, 24.0)
    for sign, side_px in zip((1.0, -1.0), pixels, strict=True):
        side = reach_over(view.camera_centre_mm, view.rays(side_px), axis)
        z, found = blade_half_width(view.camera_centre_mm, side, axis, sign, normal, thickness)
        np.testing.assert_allclose(found, half, atol=1e-7)
        np.testing.assert_allclose(z, np.arange(4.0, 24.01, 0.1), atol=1e-6)


def test_a_blade_taken_for_a_cylinder_reads_wrong():
    """The flat form is needed: a blade 24 wide and 3 thick, tilted by 10 degrees."""
    view, axis = phone(), lying(3.0)
    pixels, _ = blade(view, axis, 12.0, 3.0, np.radians(10.0), 4.0, 24.0)
    side = reach_over(view.camera_centre_mm, view.rays(pixels[0]), axis)
    assert abs(float(np.median(side.reach_mm)) - 12.0) > 0.05


def test_blade_on_edge_is_misuse():
    view, axis = phone(), lying(3.0)
    pixels, _ = blade(view, axis, 12.0, 3.0, 0.0, 4.0, 24.0)
    side = reach_over(view.camera_centre_mm, view.rays(pixels[0]), axis)
    across, _ = frame_of(view.camera_centre_mm, axis)
    with pytest.raises(ValueError, match="on edge"):
        blade_half_width(view.camera_centre_mm, side, axis, 1.0, across, 3.0)


def test_corner_of_a_blade_by_pythagoras():
    assert swept_radius(12.0, 10.0) == 13.0


def reading(turned, radius, ex, ey, lean=0.05, own=0.0, axis_sd=0.0, scale=0.0):
    def reach(angle):
        a = angle - turned
        return radius + ex * np.cos(a) + ey * np.sin(a)

    return Reading(turned, reach(lean), reach(np.pi - lean), lean, own, axis_sd, scale)


@settings(deadline=None, max_examples=60)
@given(
    radius=lengths,
    offset=st.floats(0.0, 2.0),
    way=st.floats(-np.pi, np.pi),
    turn=st.floats(0.3, 2.8),
)
def test_two_photos_give_the_whole_offset(radius, offset, way, turn):
    ex, ey = offset * np.cos(way), offset * np.sin(way)
    found = swept_of([reading(0.0, radius, ex, ey), reading(turn, radius, ex, ey)])
    assert not found.is_lower_bound
    assert found.diameter_mm == pytest.approx(2.0 * (radius + offset), abs=2e-5)
    assert found.offset_mm == pytest.approx(offset, abs=1e-5)
    assert found.at_most_mm is None


@settings(deadline=None, max_examples=60)
@given(radius=lengths, offset=st.floats(0.0, 2.0), way=st.floats(-np.pi, np.pi))
def test_one_photo_gives_a_lower_bound(radius, offset, way):
    found = swept_of([reading(0.0, radius, offset * np.cos(way), offset * np.sin(way), lean=0.0)])
    assert found.is_lower_bound
    assert found.diameter_mm <= 2.0 * (radius + offset) + 1e-5
    seen = 2.0 * (radius + abs(offset * np.cos(way)))
    assert found.diameter_mm == pytest.approx(seen, abs=2e-5)


def test_photos_of_opposite_sides_are_still_a_lower_bound():
    both = [reading(0.0, 12.0, 0.1, 0.4), reading(np.pi, 12.0, 0.1, 0.4)]
    assert swept_of(both).is_lower_bound


def test_three_photos_decide_which_way_it_was_turned():
    ex, ey = 0.3, 0.4
    shots = [reading(-t, 12.0, ex, ey) for t in np.radians([0.0, 60.0, 120.0])]
    said = [
        Reading(abs(s.turned_rad), s.reach_a_mm, s.reach_b_mm, s.lean_rad, 0.01, 0.0, 0.0)
        for s in shots
    ]
    assert swept_of(said).diameter_mm == pytest.approx(25.0, abs=0.001)


def test_swept_diameter_of_two_noisy_photos_is_as_good_as_stated():
    """0.4 mm off centre in any direction, within 0.15 mm; the stated interval holds."""
    rng = np.random.default_rng(11)
    own, axis_sd, scale, inside, errors = 0.015, 0.02, 0.015, 0, []
    for _ in range(400):
        way = rng.uniform(-np.pi, np.pi)
        ex, ey = 0.4 * np.cos(way), 0.4 * np.sin(way)
        shots = []
        for said in np.radians([0.0, 90.0]):
            true = said + (rng.normal(0.0, np.radians(5.0)) if said else 0.0)
            exact = reading(true, 20.0, ex, ey)
            shift, wide = rng.normal(0.0, axis_sd), rng.normal(0.0, scale)
            noise = rng.normal(0.0, own, 2)
            shots.append(
                Reading(
                    said,
                    exact.reach_a_mm + shift + wide + noise[0],
                    exact.reach_b_mm - shift + wide + noise[1],
                    exact.lean_rad,
                    own,
                    axis_sd,
                    scale,
                )
            )
        found = swept_of(shots)
        errors.append(found.diameter_mm - 40.8)
        inside += abs(errors[-1]) <= found.u95_mm
    assert np.quantile(np.abs(errors), 0.95) < 0.15
    assert 0.92 <= inside / 400 <= 0.98


def test_a_section_that_is_not_round_gets_an_upper_limit():
    """A blade 24 x 2: seen flat it reaches 12, seen on edge 1; its corner at most hypot."""
    shots = [
        Reading(0.0, 12.0, 12.0, 0.0, 0.01, 0.01, 0.01),
        Reading(np.pi / 2, 1.0, 1.0, 0.0, 0.01, 0.01, 0.01),
    ]
    found = swept_of(shots)
    assert found.at_most_mm == pytest.approx(2.0 * np.hypot(12.0, 1.0), abs=1e-6)
    assert found.is_lower_bound
    assert found.diameter_mm == pytest.approx(24.0)


def test_no_reading_is_misuse():
    with pytest.raises(ValueError, match="at least one"):
        swept_of([])
