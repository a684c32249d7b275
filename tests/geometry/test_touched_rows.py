"""Rows that rays only just touch: right where they are claimed, and none where a rim hides them."""

import numpy as np
import pytest
from exact_piece import Solid, exact_outline, line, round_arc, seen_outline
from exact_views import lens_of, view_from

from measure.profile import GRID_MM
from measure.revolve import Axis
from measure.sides import contour_values
from measure.touching import axis_rays, rows_touched_by_both, touched_rows

LENS = lens_of(3028.0)
FLANGE, NECK = 20.0, 11.0
SPINDLE = Solid(
    (
        line(0.0, FLANGE, 22.0, FLANGE),
        line(22.0, FLANGE, 22.0, NECK),
        line(22.0, NECK, 60.0, NECK),
        round_arc(65.0, NECK, 5.0, np.pi, 0.0),
        line(70.0, NECK, 110.0, NECK),
    )
)
SD_PX = 0.1
NOISE_PX = 0.15


def touched(solid, camera, rng, noise_px=NOISE_PX, bumps=()):
    """Return rows, what rays touch there on both sides, which count, and the distance of rays."""
    view = view_from(camera, [0.0, 0.0, 15.0], LENS)
    axis = Axis(np.array([-0.5 * solid.length, 0.0, 25.0]), np.array([1.0, 0.0, 0.0]))
    exact = exact_outline(view, axis, solid)
    sides = np.ones(len(exact.points_px))
    outline = seen_outline(exact, rng, noise_px, (0.0, 0.0), sides)
    z, r, weight, side = contour_values(outline.points_px, outline.tangents, view, axis)
    rows = np.arange(0.0, solid.length + 1e-9, GRID_MM)
    scale = float(np.linalg.norm(axis.point_mm - view.camera_centre_mm)) / LENS.focal_px
    both = []
    for sign in (1.0, -1.0):
        keep = np.flatnonzero((side == sign) & (weight > 0.1) & np.isfinite(z))
        # In order along the outline, also where that passes its first point.
        keep = np.roll(keep, -1 - int(np.argmax(np.diff(keep, append=keep[0] + len(z)))))
        rays = axis_rays(
            view.rays(outline.points_px[keep]),
            view.camera_centre_mm,
            axis,
            np.full(len(keep), SD_PX * scale),
        )
        first = np.full(len(rows), float(np.median(r[keep])))
        both.append(touched_rows(rays, first, 3.0 * scale))
    return rows, (both[0], both[1]), rows_touched_by_both((both[0], both[1])), 3.0 * scale


@pytest.mark.parametrize("tilt_mm", [0.0, 120.0, -250.0])
def test_what_rays_touch_is_as_large_as_it_is_from_any_first_guess(tilt_mm):
    rows, sides, seen, _ = touched(SPINDLE, [tilt_mm, -80.0, 400.0], np.random.default_rng(3))
    even = (rows > 1.0) & (rows < 21.0) | (rows > 72.0) & (rows < 108.0)
    true = np.where(rows < 22.0, FLANGE, NECK)
    for side, believed in zip(sides, seen, strict=True):
        keep = even & believed
        assert np.mean(believed[even]) > 0.7
        assert np.abs(side.r_mm - true)[keep].max() < 0.06


def test_a_cylinder_that_runs_away_from_the_phone_is_seen_all_along():
    rod = Solid((line(0.0, 25.0, 100.0, 25.0),))
    rows, _, seen, _ = touched(rod, [-330.0, 0.0, 330.0], np.random.default_rng(5))
    inside = (rows > 3.0) & (rows < 97.0)
    assert seen[:, inside].mean() > 0.97


@pytest.mark.parametrize("seed", range(4))
def test_no_row_is_believed_behind_a_rim(seed):
    camera = [-230.0, 0.0, 330.0]
    rows, sides, seen, apart = touched(SPINDLE, camera, np.random.default_rng(seed))
    # The ray past the flange's rim meets the neck again so far behind it, in the plane that
    # touches both; a row or two beside its ends may be either.
    hides = (rows > 22.0 + apart) & (rows < 28.0)
    assert hides.sum() > 10
    assert not seen[:, hides].any()
    assert np.abs(sides[0].r_mm - NECK)[hides].max() > 1.0


def test_a_groove_that_shows_but_a_dip_is_not_bridged():
    half, depth = 0.75, 0.9
    grooved = Solid(
        (
            line(0.0, FLANGE, 50.0, FLANGE),
            line(50.0, FLANGE, 50.0 + half, FLANGE - depth),
            line(50.0 + half, FLANGE - depth, 50.0 + 2.0 * half, FLANGE),
            line(50.0 + 2.0 * half, FLANGE, 100.0, FLANGE),
        )
    )
    rows, _, seen, _ = touched(grooved, [-60.0, -60.0, 330.0], np.random.default_rng(2), 0.05)
    bottom = np.abs(rows - 50.0 - half) < 0.3
    assert not seen[:, bottom].any()
    assert seen[:, np.abs(rows - 30.0) < 15.0].mean() > 0.9


def test_what_it_states_covers_what_it_is_off():
    inside, rows_of_all = 0, 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        camera = [rng.uniform(-200.0, 200.0), rng.uniform(-120.0, 120.0), 380.0]
        rows, sides, seen, apart = touched(SPINDLE, camera, rng)
        # Rows right at a corner are judged square to it elsewhere.
        clear = np.min(np.abs(rows[:, None] - [0.0, 22.0, 60.0, 70.0, 110.0]), axis=1) > apart
        true = SPINDLE.radius(rows)
        for side, believed in zip(sides, seen, strict=True):
            keep = clear & believed
            inside += int(np.sum(np.abs(side.r_mm - true)[keep] < 1.96 * side.sd_mm[keep]))
            rows_of_all += int(keep.sum())
    assert rows_of_all > 5000
    assert inside / rows_of_all > 0.93


def test_no_rows_and_no_rays_are_no_fault():
    none = axis_rays(
        np.zeros((0, 3)), np.zeros(3), Axis(np.ones(3), np.array([1.0, 0.0, 0.0])), np.zeros(0)
    )
    for count in (0, 2, 40):
        empty = touched_rows(none, np.full(count, 10.0), 0.3)
        assert len(empty.r_mm) == count
        assert not empty.seen.any()
        assert rows_touched_by_both((empty, empty)).shape == (2, count)


def test_the_wood_is_not_carried_on_past_the_rim_of_a_shoulder():
    # From far aslant rays that touch the rim pass little lower behind it for a while.
    camera, behind = [-700.0, -40.0, 500.0], 0
    for seed in range(4):
        rows, sides, seen, _ = touched(SPINDLE, camera, np.random.default_rng(seed), 0.3)
        neck = (rows > 22.25) & (rows < 30.0)
        off = np.abs(np.stack([side.r_mm for side in sides]) - NECK)[:, neck]
        behind += int(np.sum(seen[:, neck] & (off > 1.0)))
    assert behind == 0
