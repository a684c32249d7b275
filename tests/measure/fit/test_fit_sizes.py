"""Sizes as a turner gives them, presets, and the command as it is typed."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from calib.refusal import BadFileError, RefusalError
from measure.presets import preset_named, presets_from, read_presets
from measure.sizes import given_size, size_lengths

MECHANISM = """
name = "Quay"
[[bore]]
name = "seat"
part = "body"
from = "foot"
diameter_mm = 42.0
tolerance_mm = 0.3
depth_mm = 8.0
"""
PROFILE = "z_mm,diameter_mm,u95_mm,u95_common_mm\n" + "".join(
    f"{0.25 * i},{43.5 if i < 40 else 60.0},0.12,0.05\n" for i in range(100)
)
HOLE = {
    "schema": 1,
    "kind": "hole",
    "photo": "face.jpg",
    "circles": [
        {"name": "recess", "diameter_mm": 44.0, "u95_mm": 0.1, "u95_common_mm": 0.06},
        {"name": "rim", "diameter_mm": 60.0, "u95_mm": 0.1},
        {"name": "step1", "diameter_mm": None, "u95_mm": None},
    ],
    "warnings": [],
}


@pytest.mark.parametrize(
    ("text", "diameter", "u95"),
    [
        ("43.6±0.1", 43.6, 0.1),
        ("43,6 +- 0,05 mm", 43.6, 0.05),
        ("43.6+/-.2", 43.6, 0.2),
        ("1 5/8in ±0.004", 41.275, 0.1016),
        ('1.75" ± 0.004"', 44.45, 0.1016),
        ("1.625±0.004in", 41.275, 0.1016),
        ("1-5/8 in", 41.275, 0.1),
        ("0.5in", 12.7, 0.1),
    ],
)
def test_typed_sizes(text, diameter, u95):
    size = given_size(text).size
    assert size.diameter_mm == pytest.approx(diameter)
    assert size.u95_mm == pytest.approx(u95)


def test_a_size_without_spread_says_what_was_taken():
    assert [n.code for n in given_size("43.6").notices] == ["u95-assumed"]
    assert given_size("43.6±0.1").notices == ()


@pytest.mark.parametrize(
    "text", ["", "abc", "43.6±", "-3", "0", "nan", "1/0in", "1in±", "43±50", "9999"]
)
def test_what_is_no_size(text):
    with pytest.raises(BadFileError) as refusal:
        given_size(text)
    assert refusal.value.notice.code == "size-text"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "quay.toml").write_text(MECHANISM)
    (tmp_path / "neck").mkdir()
    (tmp_path / "neck" / "profile.csv").write_text(PROFILE)
    (tmp_path / "neck" / "result.json").write_text(
        json.dumps({"schema": 1, "kind": "trace", "photo": "neck.jpg"})
    )
    (tmp_path / "face").mkdir()
    (tmp_path / "face" / "result.json").write_text(json.dumps(HOLE))
    return tmp_path


def test_sizes_from_files(folder):
    neck = given_size(f"{folder}/neck@5").size
    assert (neck.diameter_mm, neck.u95_mm, neck.u95_common_mm) == (43.5, 0.12, 0.05)
    assert given_size(f"{folder}/neck/profile.csv@5..20").size.diameter_mm == 60.0
    recess = given_size(f"{folder}/face@recess").size
    assert (recess.diameter_mm, recess.u95_common_mm) == (44.0, 0.06)
    assert given_size(f"{folder}/face/result.json@circle2").size.diameter_mm == 60.0
    seat = given_size(f"{folder}/quay.toml@seat")
    assert seat.size.diameter_mm == 42.0
    assert seat.wants is not None
    assert (seat.wants.least_mm, seat.wants.most_mm) == (-0.3, 0.3)


def test_one_photo_is_told_from_two(folder):
    recess, rim = (given_size(f"{folder}/face@{name}").size for name in ("recess", "rim"))
    assert recess.photo == rim.photo
    assert given_size(f"{folder}/neck@5").size.photo != recess.photo


@pytest.mark.parametrize(
    ("which", "code"),
    [
        ("neck@10", "size-on-shoulder"),
        ("neck@99", "size-not-there"),
        ("neck@40..60", "size-not-there"),
        ("face@tenon", "size-not-there"),
        ("quay.toml@tenon", "size-not-there"),
    ],
)
def test_what_a_file_does_not_hold(folder, which, code):
    with pytest.raises(RefusalError) as refusal:
        given_size(f"{folder}/{which}")
    assert refusal.value.notice.code == code


def test_presets_that_come_with_the_tool():
    """Glued, push and turning by hand: common practice, no source."""
    assert [preset.name for preset in read_presets()] == ["glued", "push", "turning"]


def test_a_range_typed_as_a_fit():
    assert preset_named(read_presets(), "0.2,0.4").middle_mm == pytest.approx(0.3)
    with pytest.raises(BadFileError) as refusal:
        preset_named(read_presets(), "snug")
    assert refusal.value.notice.code == "unknown-fit"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[x",
        "a = 1",
        '[x]\nsays = "a"\nleast_mm = 1',
        '[x]\nsays = "a"\nleast_mm = 0.5\nmost_mm = 0.4',
        '[x]\nsays = "a"\nleast_mm = nan\nmost_mm = 0.4',
        '[x]\nsays = "a"\nleast_mm = true\nmost_mm = 0.4',
        '[x]\nsays = "a"\nleast_mm = 0\nmost_mm = 0.4\nextra = 1',
        '[x]\nsays = ""\nleast_mm = 0\nmost_mm = 0.4',
        '["\\n"]\nsays = "a"\nleast_mm = 0\nmost_mm = 0.4',
    ],
)
def test_presets_that_are_none(text):
    with pytest.raises(BadFileError) as refusal:
        presets_from(text, "mine.toml")
    assert refusal.value.notice.code == "fit-presets"


def test_a_preset_is_one_line_of_the_table():
    text = '["my\\nfit"]\nsays = "runs\\u001b[31m\\nwell"\nleast_mm = 0\nmost_mm = 0.4'
    (preset,) = presets_from(text, "mine.toml")
    assert (preset.name, preset.says) == ("my fit", "runs [31m well")


STEP = {"diameter_mm": 24.9, "u95_mm": 0.1, "u95_common_mm": 0.08, "swept_u95_mm": 0.12}


def test_a_tool_is_as_wide_as_it_sweeps(tmp_path):
    step = {"name": "step4", **STEP, "swept_diameter_mm": 25.3, "swept_is_lower_bound": True}
    file = tmp_path / "result.json"
    file.write_text(json.dumps({"schema": 1, "kind": "cutter", "photo": "t.jpg", "steps": [step]}))
    pilot = given_size(f"{tmp_path}@step4")
    assert (pilot.size.diameter_mm, pilot.size.u95_mm) == (25.3, 0.12)
    assert [notice.code for notice in pilot.notices] == ["sweeps-more"]


def test_a_circle_of_unknown_depth_says_how_to_tell_it(folder):
    with pytest.raises(RefusalError, match="its depth was not known") as refused:
        given_size(f"{folder}/face@step1")
    assert "--depth step1:MM" in refused.value.notice.advice


def test_typed_sizes_of_one_photo_share_nothing_that_could_cancel():
    assert "cancelled" not in run("43.6±0.1", "44±0.1", "--same-photo").stdout


@pytest.mark.parametrize(
    ("text", "lengths"),
    [
        ("1.638±0.004", "1.638"),
        ("1.638in±0.004", ""),
        ("1.638±0.004in", ""),
        ("trace@12.5", "12.5"),
        ("trace@1/2in..3/4in", "1/2in..3/4in"),
        ("face@step1", ""),
        ("quay.toml@bore", ""),
    ],
)
def test_what_of_a_size_is_lengths(text, lengths):
    assert size_lengths(text) == lengths


def run(*words, cwd=None):
    call = [sys.executable, "-c", "from measure.cli import main; main()", "fit", *words]
    return subprocess.run(call, capture_output=True, text=True, cwd=cwd, check=False)


def test_command_prints_one_object(folder):
    done = run(f"{folder}/neck@5", f"{folder}/face@recess", "--json", "--out", f"{folder}/out")
    assert done.returncode == 0, done.stderr
    data = json.loads(done.stdout)
    assert data["clearance_mm"] == pytest.approx(0.5)
    assert data["one_photo"] is False
    assert [row["name"] for row in data["fits"]] == ["glued", "push", "turning"]
    assert json.loads((folder / "out" / "result.json").read_text()) == data


def test_mechanism_and_its_bore_either_way_round(folder):
    one = json.loads(run("41.5±0.1", f"{folder}/quay.toml@seat", "--json").stdout)
    two = json.loads(run(f"{folder}/quay.toml@seat", "41.5±0.1", "--json").stdout)
    assert one == two
    assert one["clearance_mm"] == pytest.approx(-0.5)
    assert one["fits"][0]["take_off_mm"] == pytest.approx(0.5)
    both = run(f"{folder}/quay.toml@seat", f"{folder}/quay.toml@seat", "--json")
    assert both.returncode == 2
    assert json.loads(both.stdout)["code"] == "two-mechanisms"


def test_a_bare_number_beside_inches_is_not_taken_for_millimetres(folder):
    done = run("1.638±0.004", "1.652±0.004", "--inches")
    assert done.returncode == 2
    assert done.stderr.splitlines()[0].endswith("and 1.638 has none.")
    done = run("1.638±0.004in", "1.652in±0.004", "--inches", "--json")
    assert json.loads(done.stdout)["clearance_mm"] == pytest.approx(0.014 * 25.4)


def test_command_refuses_in_two_lines(folder):
    done = run("12.5±0.1", f"{folder}/nowhere@3")
    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) == 2
    assert done.stdout == ""


@pytest.fixture
def gapped(tmp_path):
    """A trace with 13.25 to 27 left out."""
    lines = ["z_mm,diameter_mm,u95_mm,u95_common_mm"]
    lines += [f"{0.25 * i},40,0.1,0.05" for i in range(200) if not 13.25 < 0.25 * i < 27.0]
    (tmp_path / "profile.csv").write_text("\n".join(lines) + "\n")
    return tmp_path / "profile.csv"


@pytest.mark.parametrize("which", ["14", "14..20", "26,5"])
def test_a_place_in_a_gap_says_what_was_left_out(gapped, which):
    with pytest.raises(RefusalError) as refused:
        given_size(f"{gapped}@{which}")
    assert refused.value.notice.code == "size-not-there"
    assert "13.25 to 27 mm was left out" in refused.value.notice.message


def test_a_place_past_the_end_says_how_far_the_trace_runs(gapped):
    with pytest.raises(RefusalError, match=r"runs from 0 to 49\.75 mm"):
        given_size(f"{gapped}@60")


def test_largest_over_a_gap_warns_of_it(gapped):
    size = given_size(f"{gapped}@10..30")
    assert [n.code for n in size.notices] == ["size-over-gap"]
    assert "13.25 to 27 mm" in size.notices[0].message
    assert given_size(f"{gapped}@1..12").notices == ()


def test_a_clearance_with_a_decimal_comma_is_not_taken_for_two():
    with pytest.raises(BadFileError) as refused:
        preset_named((), "0,2")
    assert refused.value.notice.advice.startswith("Write 0.2, not 0,2")


def test_a_diameter_too_unsure_to_use_is_no_size(folder):
    rows = PROFILE.splitlines()
    z, diameter, _, common = rows[1].split(",")[:4]
    unsure = [f"{z},{diameter},23.0,{common}", *rows[2:]]
    (folder / "neck" / "profile.csv").write_text("\n".join([rows[0], *unsure]) + "\n")
    with pytest.raises(RefusalError) as refusal:
        given_size(f"{folder}/neck@{float(z):g}")
    assert refusal.value.notice.code == "size-unsure"
