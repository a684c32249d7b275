"""Blank, plank, layers, speeds and weights against rules and handbook figures."""

from __future__ import annotations

import numpy as np
import pytest

from calib.refusal import BadFileError, RefusalError
from measure.blank import (
    Allowances,
    Plank,
    blank_for,
    check_layers,
    count_from,
    parse_layers,
    parse_plank,
)
from measure.settings import (
    Setting,
    caliper_setting,
    finish_words,
    left_words,
    setting_words,
)
from measure.speeds import lathe_speeds
from measure.template import PAPERS
from measure.units import INCHES, METRIC
from measure.woods import density_kg_m3

ALLOW = Allowances()


def test_180_by_60_is_cut_from_70_by_70_by_250() -> None:
    """Common practice, no source."""
    blank = blank_for("piece", 60.0, 180.0, ALLOW)
    assert (blank.side_mm, blank.length_mm) == (70.0, 250.0)


def test_sides_go_up_to_whole_millimetres() -> None:
    assert blank_for("piece", 60.6, 180.0, ALLOW).side_mm == 71.0


def test_plank_counts_by_hand() -> None:
    # 2000 = 7 x 250 + 6 kerfs of 3 = 1768, an eighth needs 2021; 200 holds two of 70 + kerf.
    assert count_from(Plank(2000.0, 200.0, 80.0), 70.0, 250.0, 3.0) == 7 * 2 * 1
    # Kerfs decide: eight of 250 fill 2021 mm exactly.
    assert count_from(Plank(2021.0, 70.0, 70.0), 70.0, 250.0, 3.0) == 8
    assert count_from(Plank(2020.9, 70.0, 70.0), 70.0, 250.0, 3.0) == 7


def test_blank_that_does_not_fit_is_refused_with_what_is_short() -> None:
    with pytest.raises(RefusalError, match="thickness 50 for 70") as caught:
        count_from(Plank(2000.0, 200.0, 50.0), 70.0, 250.0, 3.0)
    assert caught.value.notice.code == "plank-small"


def test_a_plank_gives_layers_of_a_glued_up_blank():
    layers = parse_layers("maple 30, walnut 5, maple 35", Allowances())
    # 38 mm as sawn: twice in 80 mm, eleven times in the length, twice across.
    assert count_from(Plank(2800.0, 145.0, 80.0), 70.0, 250.0, 3.0, layers) == 11 * 2 * 2
    with pytest.raises(RefusalError) as caught:
        count_from(Plank(2000.0, 200.0, 30.0), 70.0, 250.0, 3.0, layers)
    assert "thickest layer, as sawn, 38 x 70 x 250" in caught.value.notice.message
    assert "--layers" not in caught.value.notice.advice


@pytest.mark.parametrize(
    "text", ["", "2000x200", "2000x200xthick", "0x200x80", "1e9x2x2", "nanx1x1"]
)
def test_nonsense_planks_are_refused(text: str) -> None:
    with pytest.raises(BadFileError):
        parse_plank(text)


def test_layers_know_what_to_saw() -> None:
    layers = parse_layers("red maple 20, walnut 6.5,maple 44", ALLOW)
    assert [(x.wood, x.planed_mm, x.sawn_mm) for x in layers] == [
        ("red maple", 20.0, 23.0), ("walnut", 6.5, 9.5), ("maple", 44.0, 47.0),
    ]  # fmt: skip
    assert check_layers(layers, 70.0) == pytest.approx(70.5)
    with pytest.raises(RefusalError, match="71") as caught:
        check_layers(layers, 71.0)
    assert caught.value.notice.code == "layers-thin"


@pytest.mark.parametrize("text", ["maple", "20", "maple -3", "maple 20,,walnut 5", "maple inf"])
def test_nonsense_layers_are_refused(text: str) -> None:
    with pytest.raises(BadFileError):
        parse_layers(text, ALLOW)


@pytest.mark.parametrize("diameter", [40.0, 60.0, 75.0, 150.0, 300.0])
def test_shaping_speed_obeys_the_handbook_rule(diameter: float) -> None:
    """Diameter in inches times rev/min between 6000 and 9000 (handbook rule, from memory)."""
    low, high = lathe_speeds(diameter).shaping
    for rpm in (low, high):
        assert rpm * diameter / 25.4 <= 9000.0
    assert low * diameter / 25.4 >= min(5800.0 - diameter, 3000.0 * diameter / 25.4 * 0.98)


def test_square_blank_turns_slower_by_its_diagonal() -> None:
    round_one, square = lathe_speeds(60.0), lathe_speeds(60.0, 70.0)
    assert square.roughing[1] < round_one.roughing[1]
    assert square.roughing[1] * 70.0 * np.sqrt(2.0) / 25.4 <= 6000.0
    assert square.shaping == round_one.shaping


@pytest.mark.parametrize("diameter", [8.0, 22.0, 60.0, 200.0])
def test_sanding_is_at_half_the_speed_of_shaping(diameter: float) -> None:
    """Common practice, no source; the speeds are rounded down to 50."""
    speeds = lathe_speeds(diameter)
    for shape, sand in zip(speeds.shaping, speeds.sanding, strict=True):
        assert 0.5 * shape - 50.0 <= sand <= 0.5 * shape + 25.0


def test_speed_of_nothing_is_misuse() -> None:
    with pytest.raises(ValueError, match="more than 0"):
        lathe_speeds(0.0)


def test_densities_at_twelve_percent() -> None:
    """Wood Handbook, table 5-3: hard maple 0.63, black walnut 0.55 (from memory); x 1.12."""
    assert density_kg_m3("maple") == pytest.approx(706.0, abs=1.0)
    assert density_kg_m3(" Walnut ") == pytest.approx(616.0, abs=1.0)
    assert density_kg_m3("640") == 640.0
    # Teak dry: 655 kg/m3 is a usual figure of the trade (from memory).
    assert density_kg_m3("teak") == pytest.approx(655.0, rel=0.03)


@pytest.mark.parametrize("wood", ["mapel", "", "iron", "9000", "-1", "nan"])
def test_unknown_woods_are_refused_with_a_hint(wood: str) -> None:
    with pytest.raises(BadFileError) as caught:
        density_kg_m3(wood)
    assert caught.value.notice.code == "unknown-wood"
    if wood == "mapel":
        assert "maple" in caught.value.notice.advice


def test_papers_are_iso_216() -> None:
    """ISO 216: A0 is 1 m² with sides 1 : sqrt 2; each next size halves the long side, floored."""
    long, short = 1189, 841
    sizes = {}
    for n in range(6):
        sizes[f"a{n}"] = (long, short)
        long, short = short, long // 2
    for name in ("a3", "a4", "a5"):
        assert (PAPERS[name].width_mm, PAPERS[name].height_mm) == sizes[name]
    assert PAPERS["letter"].width_mm == pytest.approx(11 * 25.4)
    assert PAPERS["letter"].height_mm == pytest.approx(8.5 * 25.4)


@pytest.mark.parametrize(
    ("exact", "setting"), [(50.0, 50.5), (50.25, 50.5), (50.26, 51.0), (49.9, 50.5), (43.61, 44.0)]
)
def test_caliper_settings_leave_a_quarter_millimetre_or_more(exact: float, setting: float) -> None:
    """A sizing cut leaves something for the skew and for sanding (common practice, no source)."""
    assert caliper_setting(exact) == setting


def test_no_setting_is_finished_size_nor_wastes_a_millimetre() -> None:
    for exact in np.arange(5.0, 60.0, 0.01):
        assert 0.25 - 1e-9 <= caliper_setting(float(exact)) - exact < 0.75
    assert left_words(METRIC) == "0.25 to 0.75 mm"
    assert left_words(INCHES) == "0.010 to 0.025 in"


def test_inch_settings_leave_wood_too() -> None:
    assert setting_words(Setting(10.0, "bead", 25.4, 0.1, 26.0), INCHES) == "1 1/64"
    assert setting_words(Setting(10.0, "bead", 25.6, 0.1, 26.0), INCHES) == "1 1/32"


def test_a_size_that_is_not_known_is_to_be_measured() -> None:
    known = Setting(10.0, "bead", 25.4, 0.99, 26.0)
    assert (setting_words(known, METRIC), finish_words(known, METRIC)) == ("26.0", "25.4 ±0.99")
    loose = Setting(10.0, "bead", 25.4, 1.01, 26.0)
    assert (setting_words(loose, METRIC), finish_words(loose, METRIC)) == ("measure", "about 25.4")
