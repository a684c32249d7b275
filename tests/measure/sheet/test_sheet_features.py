"""Features found again in profiles that were built of them."""

from __future__ import annotations

import numpy as np
import pytest
from sheetturnings import Turner, any_piece, baluster, mill, names_of, sharp_places, traced

from calib.refusal import RefusalError
from measure.chain import Chain, arc_centre, distance_to_chain, signed_distance
from measure.curvestations import STATION
from measure.fair import fair_profile, to_profile
from measure.features import KINDS, OUTLINE, Feature, name_features
from measure.profile import Profile
from measure.segmenting import cut_run, run_costs
from measure.settings import Setting
from measure.sheet import Sheet, SheetRequest, make_sheet
from measure.sheetback import feature_words
from measure.spanjoins import spans_of
from measure.spans import Outline
from measure.stray import is_within, local_u95, stray_of
from measure.units import METRIC


def find_features(profile: Profile) -> tuple[Feature, ...]:
    """Return the features as the sheet names them."""
    return name_features(fair_profile(profile), profile)


def drawn(turner: Turner) -> Profile:
    """Return the piece without noise and without uncertainty, as a plan has it."""
    p = traced(turner.chain(), np.random.default_rng(0), scatter=0.0, wobble=0.0)
    zero = np.zeros(len(p.z_mm))
    return Profile(p.z_mm, p.diameter_mm, zero, zero.copy())


@pytest.mark.parametrize("turner", [mill(), baluster()], ids=["mill", "baluster"])
@pytest.mark.parametrize("seed", range(4))
def test_number_and_kind_are_right_at_the_noise_of_a_trace(turner: Turner, seed: int) -> None:
    found = find_features(traced(turner.chain(), np.random.default_rng(seed)))
    assert [f.name for f in found] == names_of(turner.made)


@pytest.mark.parametrize("turner", [mill(), baluster()], ids=["mill", "baluster"])
def test_places_and_sizes_within_two_tenths(turner: Turner) -> None:
    found = find_features(traced(turner.chain(), np.random.default_rng(3)))
    sharp = sharp_places(turner.chain())
    placed = 0
    for made, f in zip(turner.made, found, strict=True):
        want = made.diameter
        if f.kind == "ogee":  # its middle moves with its faint ends: compare there
            want = 2.0 * float(turner.chain().radius_at(np.array([f.z_mid_mm]))[0])
        assert f.diameter_mm == pytest.approx(want, abs=0.2)
        for z, want in ((f.z_from_mm, made.z0), (f.z_to_mm, made.z1)):
            if np.min(np.abs(sharp - want)) < 1e-6:
                assert z == pytest.approx(want, abs=0.2)
                placed += 1
            else:  # a faint corner: within what the fit itself allows it
                assert abs(z - want) <= max(f.place_u95_mm, 0.2)
    assert placed >= 10


def test_faint_joints_are_placed_within_what_is_said_and_no_more_is_said_than_needed() -> None:
    """An ogee of 60 mm meets a level line at 0 and a taper at 1.5 degrees of corner."""
    off, said = [], []
    for seed in range(8):
        turner = baluster()
        found = find_features(traced(turner.chain(), np.random.default_rng(seed)))
        for made, f in zip(turner.made, found, strict=True):
            if made.kind == "ogee":
                off.append(max(abs(f.z_from_mm - made.z0), abs(f.z_to_mm - made.z1)))
                said.append(f.place_u95_mm)
    assert sum(o <= s for o, s in zip(off, said, strict=True)) >= 7
    assert np.median(said) < 5.0


def outline_of(*nodes: tuple[float, float, float]) -> Outline:
    """Return an outline of nodes (z, r, bulge of what follows), known to ±0.1 mm."""
    z, r, bulge = (np.array(part) for part in zip(*nodes, strict=True))
    u95 = np.full(len(z), 0.1)
    return Outline(Chain(z, r, bulge[:-1]), np.full(len(z), 0.3), u95, 0.05)


def test_what_calipers_hardly_tell_is_one_cylinder() -> None:
    """Fitted to the ripple of a photo: lines that lean to and fro, bows of a tenth of a mm."""
    leaning = outline_of((0, 22.564, 0), (3.4, 22.537, 0), (4.0, 22.577, 0), (10.5, 22.529, 0))
    assert [s.sort for s in spans_of(leaning)] == ["flat"]
    bowed = outline_of((0, 22.626, 0), (1.3, 22.626, 0.0477), (5.3, 22.626, 0.0151),
                       (12.2, 22.676, 0))  # fmt: skip
    assert [s.sort for s in spans_of(bowed)] == ["flat"]


def test_low_bead_on_a_cylinder_stays_a_bead() -> None:
    """A bead 6 wide that stands 0.3 proud is cut on purpose."""
    b = outline_of((0, 20, 0), (20, 20, 0.1), (26, 20, 0), (50, 20, 0))
    assert [s.sort for s in spans_of(b)] == ["flat", "out", "flat"]


def test_bead_is_so_wide_and_so_proud_at_its_place() -> None:
    t = Turner(24.0)
    t.flat(94.0)
    t.bow(6.0, 2.5)
    t.flat(60.0)
    bead = next(f for f in find_features(drawn(t)) if f.kind == "bead")
    assert bead.z_mid_mm == pytest.approx(97.0, abs=0.02)
    assert bead.width_mm == pytest.approx(6.0, abs=0.02)
    assert bead.height_mm == pytest.approx(2.5, abs=0.02)


def test_random_pieces_are_mostly_read_right() -> None:
    right = 0
    for seed in range(12):
        rng = np.random.default_rng(7000 + seed)
        turner = any_piece(rng)
        found = find_features(traced(turner.chain(), rng))
        right += [f.name for f in found] == names_of(turner.made)
        assert all(f.kind in KINDS for f in found)
    assert right >= 11  # the benchmark's share over a hundred pieces is above nineteen in twenty


def test_noise_alone_grows_no_features() -> None:
    t = Turner(20.0)
    t.flat(150.0)
    for seed in range(6):
        found = find_features(traced(t.chain(), np.random.default_rng(seed)))
        assert [f.name for f in found] == ["cylinder"]


def test_slow_wobble_within_the_uncertainty_grows_no_features() -> None:
    t = Turner(20.0)
    t.flat(150.0)
    profile = traced(t.chain(), np.random.default_rng(1), scatter=0.02, wobble=0.04, memory_mm=8.0)
    assert len(find_features(profile)) == 1


@pytest.mark.parametrize("seed", range(5, 10))
def test_fair_curve_keeps_within_the_uncertainty(seed: int) -> None:
    profile = traced(mill().chain(), np.random.default_rng(seed))
    curve = fair_profile(profile)
    stray = curve.stray
    assert is_within(stray)
    off = 2.0 * distance_to_chain(curve.chains[0], profile.z_mm, 0.5 * profile.diameter_mm)
    ratio = off / local_u95(profile)
    assert np.max(ratio) == pytest.approx(stray.distance_mm / stray.allowed_mm)
    assert np.mean(ratio > 1.0) == pytest.approx(stray.share_outside)
    # Over 2 mm the noise of single rows is no longer taken for a misfit.
    assert stray.mean_mm < stray.mean_allowed_mm


def test_mean_over_two_millimetres_tells_a_misfit_from_noise() -> None:
    """Nine rows 0.15 mm proud are a misfit where ±0.10 is known; one row 0.15 proud is none."""
    t = Turner(20.0)
    t.flat(60.0)
    flat = traced(t.chain(), np.random.default_rng(0), scatter=0.0, wobble=0.0)
    for rows, mean in ((1, 0.15 / 9), (9, 0.15)):
        d = flat.diameter_mm.copy()
        d[100 : 100 + rows] += 0.15
        bumped = Profile(flat.z_mm, d, flat.u95_mm, flat.u95_common_mm)
        stray = stray_of((t.chain(),), bumped.pieces(), bumped)
        assert stray.distance_mm == pytest.approx(0.15)
        assert (stray.rows_outside, stray.rows) == (rows, 241)
        assert stray.mean_mm == pytest.approx(mean)
        assert stray.mean_allowed_mm == pytest.approx(0.10)
        assert is_within(stray) == (rows == 1)
        if rows == 9:
            assert stray.mean_z_mm == pytest.approx(26.0)


def test_fair_curve_is_nearer_to_the_piece_than_its_rows() -> None:
    turner = mill()
    profile = traced(turner.chain(), np.random.default_rng(6))
    faired = to_profile(fair_profile(profile), profile)
    truth = turner.chain()

    def rms(p: Profile) -> float:
        return float(np.sqrt(np.mean(distance_to_chain(truth, p.z_mm, 0.5 * p.diameter_mm) ** 2)))

    assert rms(faired) < 0.8 * rms(profile)


def test_gap_parts_the_curve_and_is_not_bridged() -> None:
    p = traced(mill().chain(), np.random.default_rng(2))
    keep = ~((p.z_mm > 30.0) & (p.z_mm < 41.0))
    holed = Profile(p.z_mm[keep], p.diameter_mm[keep], p.u95_mm[keep], p.u95_common_mm[keep])
    curve = fair_profile(holed)
    assert len(curve.chains) == 2
    assert curve.chains[0].z_mm[-1] == pytest.approx(30.0)
    assert curve.chains[1].z_mm[0] == pytest.approx(41.0)
    assert not any(f.z_from_mm < 35.0 < f.z_to_mm for f in find_features(holed))


def with_gaps(profile: Profile, gaps: list[tuple[float, float]]) -> Profile:
    keep = np.ones(len(profile.z_mm), dtype=bool)
    for low, high in gaps:
        keep &= (profile.z_mm <= low) | (profile.z_mm >= high)
    return Profile(
        profile.z_mm[keep], profile.diameter_mm[keep], profile.u95_mm[keep],
        profile.u95_common_mm[keep],
    )  # fmt: skip


def own_of(sheet: Sheet) -> list[Setting]:
    """Return the settings of features; stations take their place where these are seen in part."""
    return [s for s in sheet.settings if s.name != STATION]


@pytest.mark.parametrize("seed", range(5))
def test_edge_of_what_was_not_seen_is_no_setting(seed: int) -> None:
    rng = np.random.default_rng(seed)
    p = traced(mill().chain(), rng)
    starts = np.sort(rng.uniform(3.0, 170.0, 12))
    gaps = [(float(z), float(z + rng.uniform(1.0, 4.0))) for z in starts]
    sheet = make_sheet(SheetRequest("mill", with_gaps(p, gaps), length_mm=float(p.z_mm[-1])))
    edges = [z for gap in sheet.gaps for z in (gap.z_from_mm, gap.z_to_mm)]
    assert len(sheet.gaps) >= 5
    for z in edges:
        assert all(abs(s.z_mm - z) >= 1.0 for s in sheet.settings)
        assert all(m.z_mm in (0.0, sheet.length_mm) or m.settings or abs(m.z_mm - z) > 1e-6
                   for m in sheet.marks)  # fmt: skip
    whole = make_sheet(SheetRequest("mill", p))
    assert 0 < len(own_of(sheet)) < len(own_of(whole))
    for s in sheet.settings:  # what is set is on the piece
        assert s.diameter_mm == pytest.approx(
            np.interp(s.z_mm, p.z_mm, p.diameter_mm), abs=0.5
        ) or ("shoulder" in s.name or s.name.endswith(("from", "to", "end")))


def test_run_too_short_to_name_is_said_and_set_once() -> None:
    """Rod of Ø 30, u95 0.1: of the runs at 30 to 34 and 40 to 41.5 only the first has room."""
    z = np.arange(0.0, 60.1, 0.25)
    u = np.full(len(z), 0.1)
    flat = Profile(z, np.full(len(z), 30.0), u, 0.5 * u)
    gaps = [(20.0, 30.0), (34.0, 40.0), (41.5, 45.0)]
    sheet = make_sheet(SheetRequest("rod", with_gaps(flat, gaps)))
    assert [(f.kind, f.z_from_mm) for f in sheet.features] == [
        ("cylinder", 0.0), (OUTLINE, 30.0), (OUTLINE, 40.0), ("cylinder", 45.0)
    ]  # fmt: skip
    assert [(s.z_mm, s.diameter_mm, s.u95_mm) for s in sheet.settings] == [
        pytest.approx((place, 30.0, 0.1)) for place in (10.0, 32.0, 52.5)
    ]
    assert feature_words(sheet.features[1], METRIC) == "seen 30 to 34: Ø 30.0 at 32"


def test_short_run_that_is_not_known_says_measure() -> None:
    z = np.arange(0.0, 60.1, 0.25)
    u = np.where((z > 25.0) & (z < 40.0), 1.5, 0.1)
    flat = Profile(z, np.full(len(z), 30.0), u, np.minimum(0.5 * u, 0.05))
    sheet = make_sheet(SheetRequest("rod", with_gaps(flat, [(20.0, 30.0), (34.0, 45.0)])))
    assert feature_words(sheet.features[1], METRIC) == "seen 30 to 34: measure"
    assert [s.z_mm for s in sheet.settings] == pytest.approx([10.0, 52.5])


@pytest.mark.parametrize("seed", range(5))
def test_every_stretch_that_was_seen_is_said_and_set(seed: int) -> None:
    """The edges of the gaps keep a millimetre clear, so runs under 2 mm have no room to set."""
    rng = np.random.default_rng(100 + seed)
    p = traced(mill().chain(), rng)
    starts = np.sort(rng.uniform(3.0, 170.0, 15))
    gaps = [(float(z), float(z + rng.uniform(1.0, 4.0))) for z in starts]
    seen = with_gaps(p, gaps)
    sheet = make_sheet(SheetRequest("mill", seen, length_mm=float(p.z_mm[-1])))
    runs = [seen.z_mm[piece] for piece in seen.pieces()]
    assert len(runs) > 6
    for z in runs:
        inside = [f for f in sheet.features if z[0] - 1e-9 <= f.z_from_mm <= f.z_to_mm <= z[-1]]
        if z[-1] > z[0]:
            # A sliver at an edge is not told from the edge.
            assert sum(f.width_mm for f in inside) >= z[-1] - z[0] - 2.0
            assert inside
        if z[-1] - z[0] >= 2.0:
            assert any(z[0] <= s.z_mm <= z[-1] for s in sheet.settings)


def test_unmarked_shoulder_is_found_between_two_rows() -> None:
    z = np.arange(0.0, 60.1, 0.25)
    d = np.where(z < 25.1, 30.0, 42.0) + np.random.default_rng(1).normal(0, 0.02, len(z))
    u = np.full(len(z), 0.1)
    found = find_features(Profile(z, d, u, np.full(len(z), 0.05)))
    assert [f.kind for f in found] == ["tenon", "shoulder", "cylinder"]
    assert found[1].z_mid_mm == pytest.approx(25.125, abs=0.13)


def test_a_profile_of_one_point_is_refused() -> None:
    one = np.array([1.0])
    with pytest.raises(RefusalError) as caught:
        make_sheet(SheetRequest("point", Profile(one, one, one, one)))
    assert caught.value.notice.code == "profile-point"


def test_distance_agrees_with_the_circle_through_the_ends() -> None:
    rng = np.random.default_rng(4)
    for _ in range(50):
        a, b = (0.0, float(rng.uniform(5, 20))), (float(rng.uniform(3, 30)), 12.0)
        bulge = float(rng.uniform(0.05, 0.95) * rng.choice([-1, 1]))
        zc, rc, radius = arc_centre(a, b, bulge)
        for end in (a, b):
            assert np.hypot(end[0] - zc, end[1] - rc) == pytest.approx(radius)
        z, r = rng.uniform(-5, 35, 20), rng.uniform(0, 40, 20)
        ends = [(np.full(20, p[0]), np.full(20, p[1])) for p in (a, b)]
        ours = signed_distance(z, r, ends[0], ends[1], np.full(20, bulge))
        plain = np.hypot(z - zc, r - rc) - radius
        np.testing.assert_allclose(ours, np.sign(bulge) * plain, atol=1e-9)


def test_part_of_a_chain_is_the_chain_there() -> None:
    chain = baluster().chain()
    part = chain.between(100.0, 430.0)
    assert part is not None
    z = np.linspace(100.0, 430.0, 500)
    np.testing.assert_array_equal(part.radius_at(z), chain.radius_at(z))
    assert len(part.bulge) < len(chain.bulge)
    assert chain.between(601.0, 700.0) is None


def test_bulge_of_one_is_half_a_circle() -> None:
    chain = Chain(np.array([0.0, 10.0]), np.array([20.0, 20.0]), np.array([1.0]))
    assert chain.radius_at(np.array([5.0]))[0] == pytest.approx(25.0)
    assert chain.radius_at(np.array([2.0]))[0] == pytest.approx(20.0 + 4.0)  # 3-4-5


def test_cutting_is_the_best_of_all_cuttings() -> None:
    """Exhaustive search over all cuts of a short run gives the same price."""
    rng = np.random.default_rng(8)
    z = np.arange(14) * 0.5
    r = np.where(z < 3.0, 10.0, 10.0 + 0.4 * (z - 3.0)) + rng.normal(0, 0.02, 14)
    costs = run_costs(z, r, np.full(14, 0.02))
    price = np.log(14)
    step = [np.minimum(line + 3 * price, arc + 4 * price)
            for line, arc in zip(costs.line, costs.arc, strict=True)]  # fmt: skip

    def best(i: int) -> float:
        if i == 14:
            return 0.0
        return min((step[i][j] + best(i + j + 1) for j in range(14 - i)), default=np.inf)

    ours = sum(step[s.start][s.stop - s.start - 1] for s in cut_run(costs, price))
    assert ours == pytest.approx(best(0))
