"""Steps of made-up profiles of exactly known tools."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.refusal import RefusalError
from measure.lineruns import fit_line, line_runs, scatter
from measure.profile import Profile
from measure.steps import find_steps

BORER = [
    (0, 5.0),
    (60, 5.0),
    (60, 21.0),
    (68, 21.0),
    (68, 19.0),
    (88, 19.0),
    (88, 12.5),
    (133, 12.5),
]


def profile_of(corners, noise=0.0, seed=1, gaps=(), shoulders=True):
    """Return rows each 0.25 mm; corners are (z, radius), equal z a shoulder."""
    z0, r0 = np.array(corners, dtype=float).T
    rows = []
    for z in np.arange(z0[0], z0[-1] + 1e-9, 0.25):
        same = np.nonzero(np.abs(z0 - z) < 1e-9)[0]
        if shoulders and len(same) == 2:
            rows += [(z, r0[same[0]]), (z, r0[same[1]])]
        else:
            bump = np.arange(len(z0)) * 1e-9
            rows.append((z, float(np.interp(z, z0 + bump, r0))))
    z, r = np.array(rows).T
    keep = np.ones(len(z), dtype=bool)
    for low, high in gaps:
        keep &= ~((z > low) & (z < high))
    d = 2.0 * r + np.random.default_rng(seed).normal(0.0, noise, len(z))
    n = int(keep.sum())
    return Profile(z[keep], d[keep], np.full(n, 0.12), np.full(n, 0.06))


@pytest.mark.parametrize("noise", [0.0, 0.03, 0.1])
@pytest.mark.parametrize("shoulders", [True, False])
def test_steps_of_a_boring_tool(noise, shoulders):
    steps = find_steps(profile_of(BORER, noise, shoulders=shoulders))
    assert [round(s.diameter_mm) for s in steps] == [10, 42, 38, 25]
    for step, diameter in zip(steps, (10.0, 42.0, 38.0, 25.0), strict=True):
        assert step.diameter_mm == pytest.approx(diameter, abs=0.01 + noise)
        assert step.taper_deg == 0.0
    limit = 0.01 if shoulders else 0.13
    assert [s.from_mm for s in steps] == pytest.approx([0.0, 60.0, 68.0, 88.0], abs=limit)
    assert steps[-1].to_mm == pytest.approx(133.0)


def test_a_chamfer_belongs_to_the_step_whose_edge_it_breaks():
    corners = [(0, 6), (30, 6), (30, 14.0), (32, 16), (50, 16), (50, 6), (60, 6)]
    steps = find_steps(profile_of(corners, 0.02))
    assert [round(s.diameter_mm) for s in steps] == [12, 32, 12]
    assert steps[1].from_mm == pytest.approx(30.0, abs=0.13)


def test_a_fillet_in_the_corner_does_not_move_the_shoulder():
    t = np.linspace(0.0, np.pi / 2.0, 9)
    arc = [(30.0 - 1.0 + np.sin(a), 6.0 + 1.0 - np.cos(a)) for a in t]
    corners = [(0, 6), *arc, (30.001, 15), (50, 15)]
    steps = find_steps(profile_of(corners, 0.01))
    assert steps[1].from_mm == pytest.approx(30.0, abs=0.2)


def test_a_taper_is_told():
    """2 mm in 40: included angle 2 atan(1 / 40) = 2.864 degrees."""
    steps = find_steps(profile_of([(0, 5), (30, 5), (30, 9), (70, 10)], 0.03))
    assert steps[0].taper_deg == 0.0
    assert steps[1].taper_deg == pytest.approx(2.864, abs=0.1)
    assert steps[1].start_mm == pytest.approx(18.0, abs=0.05)
    assert steps[1].end_mm == pytest.approx(20.0, abs=0.05)
    assert steps[1].diameter_mm == pytest.approx(20.0, abs=0.05)


def test_the_point_of_a_drill():
    """A 118 degree point 20 wide is 10 / tan(59) = 6.01 long."""
    long = 10.0 / np.tan(np.radians(59.0))
    steps = find_steps(
        profile_of([(0, 6.5), (40, 6.5), (40, 10), (110, 10), (110 + long, 0.3)], 0.03)
    )
    assert [s.is_point for s in steps] == [False, False, True]
    assert steps[-1].from_mm == pytest.approx(110.0, abs=0.3)
    assert steps[-1].taper_deg == pytest.approx(118.0, abs=4.0)


def test_a_hidden_foot_leaves_the_shoulder_at_the_larger_edge():
    steps = find_steps(profile_of(BORER, 0.02, gaps=[(52.0, 60.0)], shoulders=True))
    assert steps[1].from_mm == pytest.approx(60.0, abs=0.01)
    assert steps[1].from_u95_mm > steps[2].from_u95_mm
    assert len(steps) == 4


@settings(deadline=None, max_examples=30)
@given(
    lengths=st.lists(st.floats(6.0, 40.0), min_size=1, max_size=5),
    radii=st.lists(st.integers(4, 25), min_size=5, max_size=5, unique=True),
    seed=st.integers(0, 10_000),
)
def test_any_stepped_tool(lengths, radii, seed):
    lengths = [round(4.0 * v) / 4.0 for v in lengths]
    ends = np.cumsum([0.0, *lengths])
    corners = [
        corner
        for i, r in enumerate(radii[: len(lengths)])
        for corner in ((ends[i], r), (ends[i + 1], r))
    ]
    steps = find_steps(profile_of(corners, 0.04, seed))
    assert [round(s.diameter_mm / 2.0) for s in steps] == radii[: len(lengths)]
    np.testing.assert_allclose([s.from_mm for s in steps], ends[:-1], atol=0.13)
    # Of the reversed tool the same steps are found the other way round.
    p = profile_of(corners, 0.04, seed)
    turned = Profile(
        ends[-1] - p.z_mm[::-1], p.diameter_mm[::-1], p.u95_mm[::-1], p.u95_common_mm[::-1]
    )
    back = find_steps(turned)
    assert [s.diameter_mm for s in back[::-1]] == pytest.approx(
        [s.diameter_mm for s in steps], abs=0.02
    )


def test_stray_rows_do_not_make_steps():
    p = profile_of(BORER, 0.03)
    d = p.diameter_mm.copy()
    d[[30, 31, 100, 300]] += [0.8, 0.7, -1.0, 0.9]
    steps = find_steps(Profile(p.z_mm, d, p.u95_mm, p.u95_common_mm))
    assert [round(s.diameter_mm) for s in steps] == [10, 42, 38, 25]


def test_slow_waves_of_the_noise_do_not_make_steps():
    p = profile_of(BORER, 0.01)
    d = p.diameter_mm + 0.06 * np.sin(p.z_mm / 3.0)
    assert len(find_steps(Profile(p.z_mm, d, p.u95_mm, p.u95_common_mm))) == 4


def test_a_cone_without_steps_is_a_point_and_rows_too_few_are_refused():
    assert find_steps(profile_of([(0, 1), (20, 15)]))[0].is_point
    with pytest.raises(RefusalError) as refusal:
        find_steps(profile_of([(0, 5), (0.5, 5)]))
    assert refusal.value.notice.code == "no-steps"


def test_scatter_is_that_of_the_noise():
    """Blind to the steps of the profile; 5 % of standard error at 600 rows."""
    y = np.repeat([0.0, 5.0, 2.0], 200) + np.random.default_rng(5).normal(0.0, 0.2, 600)
    assert scatter(y) == pytest.approx(0.2, rel=0.15)


def test_runs_are_the_best_of_all_cuttings():
    """Brute force over every cutting of a short row into at most three runs."""
    rng = np.random.default_rng(8)
    x = np.arange(12.0)
    y = np.where(x < 5, 1.0, np.where(x < 8, 3.0 + 0.5 * x, 0.0)) + rng.normal(0.0, 0.05, 12)

    def price(cuts):
        total = 0.0
        for a, b in pairwise(cuts):
            fit = np.polyfit(x[a:b], y[a:b], min(1, b - a - 1))
            total += np.sum((y[a:b] - np.polyval(fit, x[a:b])) ** 2) / 0.05**2
            total += 3.0 * np.log(12)
        return total

    cuttings = [[0, 12]] + [[0, a, 12] for a in range(1, 12)]
    cuttings += [[0, a, b, 12] for a in range(1, 11) for b in range(a + 1, 12)]
    runs = line_runs(x, y, 0.05, np.array([], dtype=np.int64))
    assert [0] + [run.stop for run in runs] == min(cuttings, key=price) == [0, 5, 8, 12]


def test_line_ignores_what_does_not_belong():
    x = np.arange(40.0)
    y = 2.0 + 0.1 * x
    y[::7] += 5.0
    value, slope, weights = fit_line(x, y, 0.02)
    assert slope == pytest.approx(0.1, abs=0.002)
    assert value == pytest.approx(2.0 + 0.1 * x.mean(), abs=0.05)
    assert weights[7] < 0.05


def test_misuse():
    with pytest.raises(ValueError, match="at least 3"):
        scatter(np.array([1.0]))
    with pytest.raises(ValueError, match="sigma"):
        line_runs(np.arange(3.0), np.arange(3.0), 0.0, np.array([], dtype=np.int64))


def test_a_turned_piece_is_no_tool():
    z = np.linspace(0.0, 180.0, 61)
    wavy = list(zip(z, 22.0 + 7.0 * np.sin(z / 14.0), strict=True))
    with pytest.raises(RefusalError) as caught:
        find_steps(profile_of(wavy, 0.02))
    assert caught.value.notice.code == "no-steps"
    assert "measure trace" in caught.value.notice.advice


def test_a_countersink_of_three_cones_is_a_tool():
    corners = [(0, 3), (20, 6), (30, 6), (45, 12), (60, 12), (70, 15), (110, 15)]
    assert len(find_steps(profile_of(corners, 0.01))) >= 5
