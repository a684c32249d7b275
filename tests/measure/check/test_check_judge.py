"""Deviations and verdicts against exact shapes: flats, tapers, shoulders and arcs."""

import numpy as np
import pytest
from checkpieces import Noise, bump, measured_copy, mill_diameter, mill_plan, rows_with_shoulders
from hypothesis import given, settings
from hypothesis import strategies as st

from measure.judge import OUTSIDE, UNSURE, WITHIN, agreed, judge, verdicts
from measure.plan import Zone
from measure.planmaking import checked_plan, plan_of_profile
from measure.profile import Profile
from measure.register import Placement

STILL = Placement(0.0, False, 0.0, "start", 0.2, 0.0, np.inf)
LIMITS = (0.3, 0.3)


def profile(z, d, u95=0.05, common=0.0):
    z, d = np.asarray(z, dtype=float), np.asarray(d, dtype=float)
    return Profile(z, d, np.full_like(z, u95), np.full_like(z, common))


def stepped(at):
    grid = np.arange(0.0, 60.01, 0.25)
    before, after = grid[grid < at], grid[grid > at]
    z = np.concatenate([before, [at, at], after])
    return z, np.concatenate([np.full(len(before) + 1, 40.0), np.full(len(after) + 1, 30.0)])


@given(off=st.floats(-2.0, 2.0))
@settings(max_examples=40, deadline=None)
def test_flat_is_judged_by_diameter(off):
    z = np.arange(0.0, 50.0, 0.25)
    rows = judge(profile(z, 30.0 + off + 0 * z), checked_plan("p", z, 30.0 + 0 * z), STILL, LIMITS)
    assert np.allclose(rows.deviation_mm, off)
    assert not np.any(rows.normal)


@given(shift=st.floats(-1.8, 1.8))
@settings(max_examples=40, deadline=None)
def test_moved_shoulder_reads_twice_its_move(shift):
    """ISO 1101, profile of a line: the zone is square to the curve, here along the axis."""
    rows = judge(profile(*stepped(30.0 + shift)), checked_plan("p", *stepped(30.0)), STILL, LIMITS)
    worst = rows.deviation_mm[np.argmax(np.abs(rows.deviation_mm))]
    assert worst == pytest.approx(2.0 * shift, abs=1e-6)
    wrong = np.abs(rows.deviation_mm) > 1e-6
    assert np.all(rows.normal[wrong])
    # Not the 10 mm that the diameters differ by between the planned and the true shoulder.
    assert np.max(np.abs(rows.deviation_mm)) < 3.7


@pytest.mark.parametrize("grown", [0.3, -0.4])
def test_ball_is_judged_square_to_its_surface(grown):
    """Two spheres about one centre: twice the difference of radii, wherever it is steep."""
    planned_z = np.arange(0.0, 40.01, 0.02)
    planned = 2.0 * np.sqrt(np.maximum(400.0 - (planned_z - 20.0) ** 2, 0.0))
    radius = 20.0 + grown
    z = np.arange(0.5, 39.6, 0.25)
    d = 2.0 * np.sqrt(radius**2 - (z - 20.0) ** 2)
    keep = np.abs(z - 20.0) < 18.5
    rows = judge(profile(z[keep], d[keep]), checked_plan("b", planned_z, planned), STILL, LIMITS)
    steep = np.abs(rows.z_mm - 20.0) > 20.0 / np.sqrt(2.0) + 0.1
    assert np.all(rows.normal[steep])
    assert np.allclose(rows.deviation_mm[steep], 2.0 * grown, atol=0.01)
    assert not np.any(rows.normal[np.abs(rows.z_mm - 20.0) < 13.5])


def test_slope_of_exactly_one_is_still_a_diameter():
    z = np.arange(0.0, 20.01, 0.25)
    plan = checked_plan("cone", np.array([0.0, 20.0]), np.array([10.0, 50.0]))
    rows = judge(profile(z, 10.0 + 2.0 * z + 0.2), plan, STILL, LIMITS)
    assert not np.any(rows.normal)
    steeper = checked_plan("cone", np.array([0.0, 20.0]), np.array([10.0, 50.4]))
    rows = judge(profile(z, 10.0 + 2.02 * z + 0.2), steeper, STILL, LIMITS)
    assert np.all(rows.normal)
    middle = slice(5, -5)
    assert np.allclose(rows.deviation_mm[middle], 0.2 / np.hypot(1.0, 1.01), atol=1e-6)


def test_placement_error_enters_by_the_slope():
    z = np.arange(0.0, 40.01, 0.25)
    plan = checked_plan("taper", np.array([0.0, 40.0]), np.array([20.0, 60.0]))  # dr/dz 0.5
    placed = Placement(0.0, False, 0.2, "best", 0.2, 0.0, np.inf)
    rows = judge(profile(z, 20.0 + z), plan, placed, LIMITS)
    assert np.allclose(rows.u95_mm, np.hypot(0.05, 2.0 * 0.5 * 0.2))


def test_traced_plan_brings_its_own_uncertainty_and_one_photo_cancels_the_common_part():
    z = np.arange(0.0, 50.0, 0.25)
    plan = plan_of_profile(profile(z, 30.0 + 0 * z, 0.10, 0.08), "first")
    piece = profile(z, 30.0 + 0 * z, 0.13, 0.12)
    apart = judge(piece, plan, STILL, LIMITS)
    assert np.allclose(apart.u95_mm, np.hypot(0.10, 0.13))
    assert np.allclose(apart.u95_common_mm, np.hypot(0.08, 0.12))
    together = judge(piece, plan, STILL, LIMITS, same_photo=True)
    assert np.allclose(together.u95_mm, np.hypot(0.06, 0.05))
    assert np.allclose(together.u95_common_mm, 0.0)


def test_gaps_are_not_judged():
    z = np.concatenate([np.arange(0.0, 20.0, 0.25), np.arange(30.0, 50.0, 0.25)])
    rows = judge(profile(z, 30.0 + 0 * z), checked_plan("p", [0.0, 50.0], [30.0, 30.0]), STILL)
    assert not np.any((rows.z_mm > 20.0) & (rows.z_mm < 30.0))
    gapped = plan_of_profile(profile(z, 30.0 + 0 * z), "traced")
    whole = np.arange(0.0, 50.0, 0.25)
    rows = judge(profile(whole, 30.0 + 0 * whole), gapped, STILL)
    assert not np.any((rows.z_mm > 19.8) & (rows.z_mm < 29.9))


def test_zones_rows_and_general_tolerance():
    z = np.array([0.0, 20.0, 40.0])
    nan = np.nan
    plan = checked_plan(
        "p",
        z,
        np.array([40.0, 40.0, 40.0]),
        proud_mm=np.array([nan, nan, 0.05]),
        shy_mm=np.array([nan, nan, nan]),
    )
    from dataclasses import replace

    plan = replace(plan, zones=(Zone("tenon", 15.0, 40.0, proud_mm=0.1),), general=(0.5, 0.4))
    proud, shy = plan.tolerance_at(np.array([0.0, 20.0, 40.0]))
    assert proud.tolist() == [0.5, 0.1, 0.05]
    assert shy.tolist() == [0.4, 0.4, 0.4]
    proud, _ = plan.tolerance_at(np.array([0.0, 20.0]), (0.2, 0.2))
    assert proud.tolist() == [0.2, 0.1]
    unsaid = checked_plan("p", z, np.array([40.0, 40.0, 40.0]))
    assert unsaid.tolerance_at(np.array([10.0]))[0][0] == 0.3  # class m, 30 to 120 mm


def test_lone_outside_row_is_unsure_and_three_are_not():
    z = np.arange(0.0, 5.0, 0.25)
    raw = np.array([WITHIN] * 20, dtype="U8")
    d = np.zeros(20)
    raw[[3, 10, 11, 12]] = OUTSIDE
    d[[3, 10, 11, 12]] = 1.0
    got = agreed(raw, d, z)
    assert got[3] == UNSURE
    assert got[10:13].tolist() == [OUTSIDE] * 3
    d[11] = -1.0  # sides that do not agree
    assert OUTSIDE not in agreed(raw, d, z)
    # Rows far apart have no neighbours to agree with.
    assert OUTSIDE in agreed(raw, d, z * 20.0)


def test_a_short_stretch_is_outside_only_if_chance_would_not_make_it_so():
    """Rows within 2 mm err alike: the worst of 40 such places passes 1.96 sd now and then.

    Against drawn errors: pieces without fault whose rows err alike over 2 mm, each place having
    one chance in twenty to lie beyond its U95. One piece in twenty may have a short outside
    place, and 39 neighbours both beyond on one side are found in 2 * 39 * 0.025^2 of them: 0.10
    in all, 0.13 with two standard deviations of 400 draws. Three rows in a row alone let most
    pieces have one.
    """
    rng = np.random.default_rng(4)
    z = np.arange(0.0, 80.0, 0.25)
    u95 = np.full(len(z), 0.1)
    none = np.zeros(len(z))
    alarms = before = 0
    for _ in range(400):
        d = np.repeat(0.1 / 1.96 * rng.standard_normal(40), 8)
        raw = verdicts(d, u95, none, none)
        # With no allowance at all the limit is 0, and what is outside is what chance makes.
        alarms += OUTSIDE in agreed(raw, d, z, np.abs(d) / u95)
        before += OUTSIDE in agreed(raw, d, z)
    assert before > 200
    assert alarms <= 0.13 * 400
    d = np.where(np.abs(z - 40.0) < 0.6, 0.3, 0.0)  # short and far beyond
    assert OUTSIDE in agreed(verdicts(d, u95, none, none), d, z, np.abs(d) / u95)
    d = np.where(np.abs(z - 40.0) < 3.0, 0.11, 0.0)  # long and just beyond
    d[160] = 0.09
    assert OUTSIDE in agreed(verdicts(d, u95, none, none), d, z, np.abs(d) / u95)


def test_u95_of_rows_covers_the_truth():
    """Drawn from the stated model, 95 % of judged rows hold the true deviation."""
    plan = mill_plan()
    inside = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        z, d = rows_with_shoulders(lambda z: mill_diameter(z) + bump(z, 60.0, 20.0, 0.4))
        piece = measured_copy(z, d, Noise(0.0012, 0.03), rng)
        rows = judge(piece.profile, plan, STILL, LIMITS)
        use = ~rows.normal & (rows.slope < 0.5)
        truth = bump(rows.z_mm, 60.0, 20.0, 0.4)
        flank = np.abs(np.abs(rows.z_mm - 60.0) - 10.0) < 1.0
        ok = np.abs(rows.deviation_mm - truth) <= rows.u95_mm
        inside.append(np.mean(ok[use & ~flank]))
    # 60 draws that share one scale error each: a standard error of about 2 %.
    assert 0.90 <= np.mean(inside) <= 0.99
