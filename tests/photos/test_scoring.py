"""The benchmark's judge, on profiles whose errors were put in by hand.

Expected values follow from plane geometry; no outside source is needed.
"""

from __future__ import annotations

import numpy as np
import pytest

from measure.profile import Profile
from tests.benchmarks.groundtruth import Truth
from tests.benchmarks.scoring import (
    bootstrap_share,
    distances_to,
    in_truth,
    judged,
    pooled,
    seen,
)

# Cylinder of 20 mm, square shoulder at z = 30 up to 40 mm, cone of slope 1/2 down to 20 mm.
MERIDIAN = np.array([[0.0, 10.0], [30.0, 10.0], [30.0, 20.0], [60.0, 20.0], [80.0, 10.0]])


def profile_of(
    z: np.ndarray, diameter: np.ndarray, u95: float = 0.1, common: float = 0.05
) -> Profile:
    return Profile(z, diameter, np.full(len(z), u95), np.full(len(z), common))


def exact(shoulder_at: float = 30.0) -> Profile:
    grid = np.arange(0.25, 80.0, 0.25)
    left = grid[grid < shoulder_at]
    right = grid[grid > shoulder_at]
    z = np.concatenate([left, [shoulder_at, shoulder_at], right])
    r = np.concatenate(
        [
            np.full(len(left) + 1, 10.0),
            [20.0],
            np.where(right > 60.0, 20.0 - 0.5 * (right - 60.0), 20.0),
        ]
    )
    return profile_of(z, 2.0 * r)


def test_an_exact_profile_has_no_error() -> None:
    assert np.abs(judged(exact(), MERIDIAN).error_mm).max() < 1e-12


def test_a_diameter_is_judged_along_the_radius_even_on_a_gentle_cone() -> None:
    profile = exact()
    proud = profile_of(profile.z_mm, profile.diameter_mm + 0.15)
    rows = judged(proud, MERIDIAN)
    flat = ~rows.steep
    assert rows.error_mm[flat] == pytest.approx(0.15)
    assert np.count_nonzero(flat) > 0.95 * len(flat)
    # 0.15 lies between U95 (0.1) and twice that.
    assert not rows.flat_rows().inside.any()
    assert not rows.far_outside.any()
    assert rows.flat_rows().rms_normalised == pytest.approx(1.96 * 1.5)


def test_a_shifted_shoulder_is_judged_by_twice_its_shift() -> None:
    rows = judged(exact(shoulder_at=30.2), MERIDIAN)
    near = np.abs(rows.z_mm - 30.0) < 0.26
    assert rows.steep[near].all()
    # The lower of the two rows at 30.2 mm is 0.2 mm off the true end face.
    assert np.abs(rows.error_mm[near]).max() == pytest.approx(0.4)
    assert np.abs(rows.error_mm[~near]).max() < 1e-12


def test_a_shoulder_off_by_more_is_wrong_by_its_step() -> None:
    rows = judged(exact(shoulder_at=31.0), MERIDIAN)
    assert np.abs(rows.error_mm).max() == pytest.approx(20.0)


def test_rows_beyond_the_true_end_are_errors() -> None:
    longer = profile_of(np.array([80.5, 81.0]), np.array([20.0, 20.0]))
    assert np.abs(judged(longer, MERIDIAN).error_mm) == pytest.approx([1.0, 2.0])


def test_distance_to_a_slanted_line() -> None:
    # The line r = z: (4, 0) is 4 / sqrt(2) off it; its ends' faces are farther.
    line = np.array([[0.0, 0.0], [10.0, 10.0]])
    assert distances_to(line, np.array([[4.0, 0.0]])) == pytest.approx([4.0 / np.sqrt(2.0)])


def test_a_profile_counted_from_the_other_end_is_turned_round() -> None:
    profile = exact()
    turned = profile_of(80.0 - profile.z_mm[::-1], profile.diameter_mm[::-1])
    back = in_truth(turned, 80.0, backward=True)
    assert back.z_mm == pytest.approx(profile.z_mm)
    assert np.abs(judged(back, MERIDIAN).error_mm).max() < 1e-9
    # Left as it is, it must not fit.
    assert np.abs(judged(turned, MERIDIAN).error_mm).max() > 5.0


def test_share_of_the_visible_axis() -> None:
    z = np.concatenate([np.arange(0.25, 20.1, 0.25), np.arange(40.0, 80.1, 0.25)])
    part = profile_of(z, np.full(len(z), 20.0))
    coverage = seen(part, [(0.0, 30.0), (50.0, 80.0)])
    assert coverage.visible_mm == pytest.approx(60.0)
    # Reported and visible: 0.125 to 20.125 and 50 to 80. Beyond: 40 to 50, less half a step.
    assert coverage.reported_mm == pytest.approx(50.0)
    assert coverage.beyond_mm == pytest.approx(10.0, abs=0.3)


def test_a_refused_photo_counts_as_a_miss() -> None:
    good = judged(exact(), MERIDIAN)
    assert pooled([good] * 3, []).quantile(0.95) < 1e-9
    pool = pooled([good] * 3, [80.0])
    assert np.isinf(pool.quantile(0.95))
    assert pool.quantile(0.5) < 1e-9
    assert pool.share_within(0.1) == pytest.approx(0.75, abs=0.01)


def test_the_photo_is_the_unit_of_the_interval() -> None:
    # Eight photos of which one is wholly outside: rows taken for units would give 86 to 89 %.
    photos = [np.ones(400, dtype=bool)] * 7 + [np.zeros(400, dtype=bool)]
    share, low, high = bootstrap_share(photos)
    assert share == pytest.approx(7.0 / 8.0)
    # None of the eight is drawn with (7/8)^8 = 34 %, so the upper limit is 1; at most 3 of 8
    # are drawn in 98.7 % of the cases, at most 2 in 92.5 %: the lower limit is 1 - 3/8.
    assert high == pytest.approx(1.0)
    assert low == pytest.approx(0.625)


def test_a_place_in_the_picture_is_found_on_the_true_axis() -> None:
    # Pinhole of 1000 px at 500 mm over an axis along x: 2 px a mm.
    truth = Truth(
        {
            "name": "made up",
            "profile_zr": MERIDIAN.tolist(),
            "K": [[1000.0, 0.0, 400.0], [0.0, 1000.0, 300.0], [0.0, 0.0, 1.0]],
            "dist_k1k2p1p2k3": [0.0] * 5,
            "R_world_to_cam": np.eye(3).tolist(),
            "t_world_to_cam": [0.0, 0.0, 500.0],
            "axis_world": {"A": [-40.0, 0.0, 0.0], "dir": [1.0, 0.0, 0.0]},
            "axis_px": [[320.0, 300.0], [480.0, 300.0]],
            "visible_z": [[0.0, 80.0]],
            "told": {"box": [360.0, 0.0, 240.0, 600.0]},
        }
    )
    assert truth.z_at(np.array([400.0, 301.0])) == pytest.approx(40.0)
    assert truth.runs_backward(np.array([[470.0, 300.0], [330.0, 299.0]]))
    ((low, high),) = truth.visible
    assert (low, high) == pytest.approx((20.0, 80.0), abs=0.06)
