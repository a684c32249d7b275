"""What a measured outline is called where it is no chain of circles: common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from sheetturnings import Turner, any_piece, mill, names_of, traced

from measure.curvestations import STATION
from measure.fair import fair_profile
from measure.features import DEEPER, Feature, name_features
from measure.profile import Profile
from measure.settings import MEASURE, finish_words, setting_words
from measure.sheet import SheetRequest, make_sheet
from measure.sheetback import feature_words
from measure.sheetfront import what_words
from measure.stray import is_within
from measure.units import METRIC

FloatArray = NDArray[np.float64]


def rows(r: FloatArray, seed: int, u95: FloatArray | float = 0.06) -> Profile:
    """Return radii on the grid as a trace gives them: 0.02 mm of scatter on the diameter."""
    rng = np.random.default_rng(seed)
    z = 0.25 * np.arange(len(r))
    whole = np.broadcast_to(np.asarray(u95, dtype=np.float64), z.shape).copy()
    common = np.sqrt(np.maximum(whole**2 - 0.06**2, 0.03**2))
    return Profile(z, 2.0 * r + rng.normal(0.0, 0.02, len(z)), np.hypot(common, 0.06), common)


def names(profile: Profile) -> list[str]:
    return [f.name for f in found_in(profile)]


def found_in(profile: Profile) -> tuple[Feature, ...]:
    return name_features(fair_profile(profile), profile)


@pytest.mark.parametrize("seed", range(6))
def test_free_curve_is_named_as_a_whole_and_not_by_the_arcs_that_draw_it(seed: int) -> None:
    """A waist r = 20 - 4 sin²: level at both ends and in the middle, no part of it a circle."""
    z = np.arange(0.0, 80.01, 0.25)
    waist = 20.0 - 4.0 * np.sin(np.pi * z / 80.0) ** 2
    r = np.concatenate([np.full(40, 23.0), waist, np.full(40, 23.0)])
    found = found_in(rows(r, seed))
    assert [f.kind for f in (found[0], found[-1])] == ["cylinder", "cylinder"]
    between = [f for f in found if 10.0 < f.z_mid_mm < 90.0]
    assert len(between) <= 5
    assert not any(f.kind == "taper" and f.width_mm < 8.0 for f in between)
    hollow = next(f for f in between if f.kind in ("hollow", "cove"))
    assert hollow.z_mid_mm == pytest.approx(50.0, abs=2.0)
    assert hollow.diameter_mm == pytest.approx(32.0, abs=0.1)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(("width", "height"), [(6.0, 1.2), (5.0, 1.8), (8.0, 2.4)])
def test_bead_of_an_ellipse_is_one_bead(seed: int, width: float, height: float) -> None:
    z = np.arange(0.25, width, 0.25)
    bead = 20.0 + height * np.sqrt(1.0 - (2.0 * z / width - 1.0) ** 2)
    r = np.concatenate([np.full(80, 20.0), bead, np.full(80, 20.0)])
    found = found_in(rows(r, seed))
    assert [f.name for f in found] == ["cylinder", "bead", "cylinder"]
    assert found[1].diameter_mm == pytest.approx(40.0 + 2.0 * height, abs=0.1)
    assert found[1].width_mm == pytest.approx(width, abs=0.8)


@pytest.mark.parametrize("seed", range(6))
def test_shoulder_that_a_lens_rounded_is_a_shoulder(seed: int) -> None:
    """A square step of 2 mm on the radius, blurred over 0.75 mm."""
    ramp = 20.0 + 2.0 * np.array([0.15, 0.6, 0.95])
    r = np.concatenate([np.full(60, 20.0), ramp, np.full(60, 22.0)])
    found = found_in(rows(r, seed))
    assert [f.kind for f in found][1] == "shoulder"
    assert len(found) == 3
    assert found[1].z_mid_mm == pytest.approx(15.1, abs=0.3)


@pytest.mark.parametrize("seed", range(6))
def test_fillets_of_a_groove_are_fillets(seed: int) -> None:
    """Level in wood; beside groove and shoulder the rows tilt by what is not known of them."""
    groove = 22.6 - np.array([0.1, 0.35, 0.5, 0.35, 0.1])
    tilted = 22.6 + np.array([-0.08, -0.03, 0.0, 0.02, 0.03, 0.05, 0.08, 0.12, 0.15])
    r = np.concatenate([np.full(40, 22.6), groove, tilted, np.full(24, 25.5)])
    u95 = np.full(len(r), 0.1)
    u95[38:46], u95[46:54] = 0.4, [0.3, 0.2, 0.2, 0.2, 0.2, 0.4, 1.5, 4.0]
    u95[54:58] = [4.0, 1.5, 0.6, 0.2]
    found = found_in(rows(r, seed, u95))
    assert [f.kind for f in found] == ["cylinder", "cove", "fillet", "shoulder", "cylinder"]
    assert found[2].diameter_mm == pytest.approx(45.2, abs=0.15)
    assert found[2].u95_mm < 0.5  # of its middle, not of the step's edge


def test_curve_that_was_first_cut_into_a_straight_is_an_ogee() -> None:
    """A taper of 2.9 degrees, then two arcs level at the far end: no short taper between."""
    rng = np.random.default_rng(1057)
    turner = any_piece(rng)
    assert names_of(turner.made)[:2] == ["taper", "ogee"]
    found = found_in(traced(turner.chain(), rng))
    assert [f.name for f in found] == names_of(turner.made)


def test_fillet_that_the_rows_speak_of_over_millimetres_is_not_smoothed_away() -> None:
    """A fillet of 3 mm before a taper of 3 degrees: without it the curve is 0.14 mm off there."""
    rng = np.random.default_rng(5051)
    turner = any_piece(rng)
    profile = traced(turner.chain(), rng)
    assert [f.name for f in found_in(profile)] == names_of(turner.made)
    assert is_within(fair_profile(profile).stray)


def test_taper_that_calipers_tell_stays_a_taper() -> None:
    r = np.concatenate([np.full(60, 20.0), 20.0 + 0.06 * 0.25 * np.arange(60)])
    assert names(rows(r, 1)) == ["cylinder", "taper"]
    z = 0.25 * np.arange(160)
    assert names(rows(20.0 + 0.08 * z / z[-1] / 2.0, 2)) == ["cylinder"]


def test_long_curve_has_stations_between_its_settings() -> None:
    """A bead of 30 mm at 135 to 165: cuts at full centimetres, none beside crest or end."""
    sheet = make_sheet(SheetRequest("mill", traced(mill().chain(), np.random.default_rng(1))))
    stations = [s for s in sheet.settings if s.name == STATION]
    assert [s.z_mm for s in stations] == [140.0, 160.0]
    for s in stations:
        true = 2.0 * float(mill().chain().radius_at(np.array([s.z_mm]))[0])
        assert s.diameter_mm == pytest.approx(true, abs=0.2)
        assert any(m.z_mm == s.z_mm and s in m.settings for m in sheet.marks)
    assert [s.z_mm for s in sheet.settings] == sorted(s.z_mm for s in sheet.settings)


def test_straight_taper_needs_no_station() -> None:
    t = Turner(20.0)
    t.flat(10.0)
    t.taper(150.0, 6.0)
    sheet = make_sheet(SheetRequest("leg", traced(t.chain(), np.random.default_rng(1))))
    assert STATION not in [s.name for s in sheet.settings]


def test_slope_seen_in_part_is_set_where_it_was_seen() -> None:
    p = traced(mill().chain(), np.random.default_rng(1))
    keep = (p.z_mm < 20.0) | ((p.z_mm > 24.0) & (p.z_mm < 41.0)) | (p.z_mm > 45.0)
    holed = Profile(p.z_mm[keep], p.diameter_mm[keep], p.u95_mm[keep], p.u95_common_mm[keep])
    sheet = make_sheet(SheetRequest("mill", holed))
    assert [s.z_mm for s in sheet.settings if s.name == STATION and 24 < s.z_mm < 41] == [30.0]


def test_shoulder_is_known_as_well_as_its_levels() -> None:
    """Beside a step the rows are as unsure as the step is high; the levels are not."""
    t = Turner(20.0)
    t.flat(30.0)
    t.taper(20.0, 2.0)
    t.shoulder(5.0)
    t.taper(20.0, -2.0)
    p = traced(t.chain(), np.random.default_rng(1))
    near = np.abs(p.z_mm - 50.0) < 1.1
    u95, common = np.where(near, 8.0, p.u95_mm), np.where(near, 7.9, p.u95_common_mm)
    sheet = make_sheet(SheetRequest("step", Profile(p.z_mm, p.diameter_mm, u95, common)))
    at = [s for s in sheet.settings if abs(s.z_mm - 50.0) < 0.3]
    assert len(at) == 2
    assert all(s.u95_mm < 0.3 for s in at)


def test_end_of_a_bead_is_as_sure_as_the_rows_there() -> None:
    """A bead of 30 mm whose last 6 mm are known to 2.5 mm: its crest does not speak for them."""
    chain = mill().chain()
    p = traced(chain, np.random.default_rng(1))
    kept = p.z_mm <= 160.0
    unsure = np.where(p.z_mm > 154.0, 2.5, p.u95_mm)
    cut = Profile(p.z_mm[kept], p.diameter_mm[kept], unsure[kept], p.u95_common_mm[kept])
    sheet = make_sheet(SheetRequest("mill", cut))
    last = sheet.settings[-1]
    assert last.z_mm > 154.0
    assert last.u95_mm == pytest.approx(2.5)
    crest = min(sheet.settings, key=lambda s: abs(s.z_mm - 150.0))
    assert crest.u95_mm < 0.3


def test_turner_is_sent_to_the_piece_once_for_one_place() -> None:
    """A tip whose rows are known to 6 mm: its odd steps are one thing to measure."""
    t = Turner(20.0)
    t.flat(60.0)
    t.shoulder(-6.0)
    t.bow(0.8, 0.3)
    t.shoulder(-7.0)
    t.flat(1.5)
    p = traced(t.chain(), np.random.default_rng(1))
    unsure = p.z_mm > 59.0
    u95, common = np.where(unsure, 6.0, p.u95_mm), np.where(unsure, 5.9, p.u95_common_mm)
    sheet = make_sheet(SheetRequest("tip", Profile(p.z_mm, p.diameter_mm, u95, common)))
    asked = [s.z_mm for s in sheet.settings if not s.is_known]
    assert asked
    assert np.all(np.diff(asked) >= 2.0)


@pytest.mark.parametrize("foot_at_start", [True, False])
@pytest.mark.parametrize("step", [3.0, -3.0])
def test_of_a_shoulder_the_side_nearer_the_foot_comes_first(
    step: float, foot_at_start: bool
) -> None:
    """A cove on either side: no straight says the diameters at the step."""
    t = Turner(21.0)
    t.flat(40.0)
    t.bow(20.0, -3.0)
    t.shoulder(step)
    t.bow(20.0, -3.0)
    t.flat(30.0)
    p = traced(t.chain(), np.random.default_rng(1))
    sheet = make_sheet(SheetRequest("step", p, foot_at_start=foot_at_start))
    sides = [42.0, 42.0 + 2.0 * step]
    want = sides if foot_at_start else sides[::-1]
    place = 60.0 if foot_at_start else 50.0
    at = [s for s in sheet.settings if abs(s.z_mm - place) < 0.3]
    assert [s.diameter_mm for s in at] == pytest.approx(want, abs=0.3)
    (mark,) = (m for m in sheet.marks if abs(m.z_mm - place) < 0.3)
    assert [s.diameter_mm for s in mark.settings] == pytest.approx(want, abs=0.3)


def groove(width: float) -> Turner:
    """A rod of Ø 45 with a V-cut 1 mm deep, at 40 mm."""
    t = Turner(22.5)
    t.flat(40.0)
    t.taper(0.5 * width, -1.0)
    t.taper(0.5 * width, 1.0)
    t.flat(40.0)
    return t


def smeared(profile: Profile) -> Profile:
    """Return the rows as a trace draws them: each the mean over a millimetre."""
    d = np.convolve(np.pad(profile.diameter_mm, 2, mode="edge"), np.full(5, 0.2), mode="valid")
    return Profile(profile.z_mm, d, profile.u95_mm, profile.u95_common_mm)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(("width", "fine"), [(1.25, DEEPER), (8.0, "")])
def test_narrow_cut_of_a_trace_has_no_firm_diameter(width: float, fine: str, seed: int) -> None:
    """A mean over 1 mm fills the bottom of a V by its slope times 0.25 mm: 0.8 mm on Ø at 1.25."""
    turner = groove(width)
    profile = smeared(traced(turner.chain(), np.random.default_rng(seed)))
    sheet = make_sheet(SheetRequest("rod", profile, traced=True))
    (cut,) = (s for s in sheet.settings if abs(s.z_mm - 40.0 - 0.5 * width) < 0.5)
    true = 43.0
    assert cut.fine == fine
    if not fine:
        assert cut.is_known
        return
    assert cut.diameter_mm - cut.u95_mm > true  # why the diameter is not to be trusted
    assert setting_words(cut, METRIC) == MEASURE
    assert finish_words(cut, METRIC).endswith("or less")
    assert what_words(cut, METRIC).endswith("or deeper")
    said = [feature_words(f, METRIC) for f in sheet.features]
    assert any("or deeper" in words for words in said)


def test_narrow_ridge_may_be_prouder() -> None:
    t = Turner(20.0)
    t.flat(40.0)
    t.shoulder(2.0)
    t.flat(1.5)
    t.shoulder(-2.0)
    t.flat(40.0)
    p = traced(t.chain(), np.random.default_rng(1))
    sheet = make_sheet(SheetRequest("rod", p, traced=True))
    (ring,) = (s for s in sheet.settings if 40.5 < s.z_mm < 41.2)
    assert setting_words(ring, METRIC) == MEASURE
    assert finish_words(ring, METRIC).endswith("or more")


def test_narrow_groove_of_a_plan_is_as_the_plan_says() -> None:
    sheet = make_sheet(SheetRequest("rod", traced(groove(1.25).chain(), np.random.default_rng(1))))
    assert all(s.is_known and not s.fine for s in sheet.settings)
    assert all(not f.fine for f in sheet.features)
