from dataclasses import astuple

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.refusal import BadFileError
from measure.profile import GRID_MM, Profile
from measure.profilefile import profile_csv, profile_from_text, read_profile, rows_csv
from tests.measure.exact_shapes import ball, cone, profile_of, stepped, without

HEADER = "z_mm,diameter_mm,u95_mm,u95_common_mm\n"


def refusal_of(text):
    with pytest.raises(BadFileError) as refusal:
        profile_from_text(text, "p.csv")
    notice = refusal.value.notice
    assert "\n" not in notice.message + notice.advice
    return notice


def lines_of(profile):
    return profile_csv(profile).decode().splitlines()


def test_the_header_begins_as_others_rely_on():
    assert lines_of(cone())[0] == HEADER.strip()


def test_rows_stand_on_multiples_of_a_quarter_millimetre():
    z = [float(line.split(",")[0]) for line in lines_of(cone(100.0))[1:]]
    assert z == [index * 0.25 for index in range(401)]


def test_a_shoulder_is_two_rows_with_equal_z_start_side_first():
    rows = [line.split(",") for line in lines_of(stepped())[1:]]
    at_shoulder = [(row[0], row[1]) for row in rows if row[0] == "50.100"]
    assert at_shoulder == [("50.100", "25.0000"), ("50.100", "52.0000")]


def test_rows_not_seen_are_absent():
    z = [float(line.split(",")[0]) for line in lines_of(without(cone(), 40.0, 52.0))[1:]]
    assert not [value for value in z if 40.0 < value < 52.0]
    assert {40.0, 52.0} <= set(z)


def test_a_shoulder_that_rounds_onto_the_grid_stays_two_rows():
    z = [29.75, 30.0, 30.0002, 30.0002, 30.25]
    rows = [line.split(",")[:2] for line in lines_of(profile_of(z, [40, 40, 40, 25, 25]))[1:]]
    at_30 = [row for row in rows if row[0] == "30.000"]
    assert at_30 == [["30.000", "40.0000"], ["30.000", "25.0000"]]


@pytest.mark.parametrize(
    ("profile", "message"),
    [
        (profile_of([0.0, 0.1, 0.25], [30, 30, 30]), "off the"),
        (profile_of([0.0, 0.25, 0.25, 0.25], [30, 30, 31, 32]), "three rows"),
        (profile_of([0.0, 0.25], [30, np.nan]), "finite"),
        (profile_of([0.0, 0.25], [30, 30], u95=0.1, common=0.2), "exceeds"),
    ],
)
def test_a_profile_that_breaks_the_contract_is_misuse(profile, message):
    with pytest.raises(ValueError, match=message):
        profile_csv(profile)


@st.composite
def profiles(draw):
    """Any profile that a trace may give: gaps, shoulders on and off the grid."""
    count = draw(st.integers(90, 240))
    kept = draw(st.lists(st.booleans(), min_size=count, max_size=count))
    index = np.nonzero(kept)[0]
    shoulders = draw(st.sets(st.integers(0, count * 250), max_size=4))
    grid = [(float(i) * GRID_MM, 1) for i in index]
    edges = [(k / 1000.0, 2) for k in shoulders]
    grid = [(z, n) for z, n in grid if all(abs(z - edge) > 1e-9 for edge, _ in edges)]
    z = np.array([z for z, n in sorted(grid + edges) for _ in range(n)])
    if len(np.unique(z)) < 2:
        z = np.array([0.0, 25.0])
    size = st.integers(60_000, 900_000).map(lambda v: v / 10_000.0)
    spread = st.integers(0, 9_999).map(lambda v: v / 10_000.0)
    d = np.array(draw(st.lists(size, min_size=len(z), max_size=len(z))))
    u = np.array(draw(st.lists(spread, min_size=len(z), max_size=len(z))))
    common = np.round(u * draw(st.sampled_from([0.0, 0.5, 1.0])), 4)
    if draw(st.booleans()):
        return Profile(z, d, u, common)
    whole = np.array([draw(spread.map(lambda v, least=least: least + 30.0 * v)) for least in u])
    step = np.sqrt(np.round(whole, 4) ** 2 - u**2)
    return Profile(z, d, u, common, np.maximum(np.nan_to_num(step), 0.0))


@given(profiles())
def test_a_profile_written_and_read_back_is_the_same(profile):
    back = profile_from_text(profile_csv(profile).decode(), "p.csv")
    for ours, theirs in zip(astuple(profile)[:4], astuple(back)[:4], strict=True):
        np.testing.assert_allclose(theirs, ours, rtol=0.0, atol=1e-9)
    assert (back.u95_step_mm is None) == (profile.u95_step_mm is None)
    ours, theirs = profile.at_its_z().u95_mm, back.at_its_z().u95_mm
    np.testing.assert_allclose(theirs, ours, rtol=0.0, atol=1e-9)
    assert [(p.start, p.stop) for p in back.pieces()] == [
        (p.start, p.stop) for p in profile.pieces()
    ]


@given(profiles())
def test_writing_what_was_read_changes_no_byte(profile):
    first = profile_csv(profile)
    assert profile_csv(profile_from_text(first.decode(), "p.csv")) == first


def test_rounding_moves_nothing_by_more_than_half_a_digit():
    shape = ball(31.7)
    back = profile_from_text(profile_csv(shape).decode(), "p.csv")
    assert np.max(np.abs(back.diameter_mm - shape.diameter_mm)) <= 0.5e-4 + 1e-12


@pytest.mark.parametrize(
    "text",
    [
        HEADER + "0,60,0.1,0.05\n0.25,61,0.1,0.05\n",
        "\ufeff" + HEADER + "0,60,0.1,0.05\n0.25,61,0.1,0.05",
        HEADER.replace("\n", "\r\n") + "0,60,0.1,0.05\r\n0.25,61,0.1,0.05\r\n",
        "Z_mm, Diameter_mm , u95_mm,u95_common_mm,note\n0,60,0.1,0.05,a\n\n0.25,61,0.1,0.05,b\n",
        "note,u95_common_mm,u95_mm,diameter_mm,z_mm\nx,0.05,0.1,60,0\nx,0.05,0.1,61,0.25\n",
    ],
)
def test_harmless_differences_are_read(tmp_path, text):
    path = tmp_path / "profile.csv"
    path.write_text(text, encoding="utf-8", newline="")
    profile = read_profile(path)
    assert profile.z_mm.tolist() == [0.0, 0.25]
    assert profile.diameter_mm.tolist() == [60.0, 61.0]
    assert profile.u95_common_mm.tolist() == [0.05, 0.05]


@pytest.mark.parametrize(
    ("rows", "code", "said"),
    [
        ("0,60,0.1,0\n25,60,0.1,0\n20,60,0.1,0\n", "profile-order", "line 4"),
        ("0,60,0.1,0\n30,60,0.1,0\n30,50,0.1,0\n30,40,0.1,0\n", "profile-order", "line 5"),
        ("0,60,0.1,0\n25,-60,0.1,0\n", "profile-values", "negative"),
        ("0,60,-0.1,0\n25,60,0.1,0\n", "profile-values", "u95_mm -0.1 is negative"),
        ("0,60,0.1,0\n25,nan,0.1,0\n", "profile-values", "line 3"),
        ("0,60,0.1,0\n25,inf,0.1,0\n", "profile-values", "no number"),
        ("0,60,0.1,0\n25,,0.1,0\n", "profile-values", "no value"),
        ("0,60,0.1,0\n25,60\n", "profile-values", "no value for u95_mm"),
        ("0,60,0.1,0\n25,sixty,0.1,0\n", "profile-values", "'sixty'"),
        ("0,60,0.1,0\n25,60000,0.1,0\n", "profile-values", "absurd"),
        ("0,60,0.1,0.2\n25,60,0.1,0\n", "profile-values", "exceeds"),
        ("\n0,60,0.1,0\n\n25,x,0.1,0\n", "profile-values", "line 5"),
        ("", "profile-short", "no place"),
        ("0,60,0.1,0\n", "profile-short", "only one"),
        ("30,60,0.1,0\n30,50,0.1,0\n", "profile-short", "only one"),
        ("0,2.36,0.005,0\n7.7,2.39,0.005,0\n", "profile-inches", "inches"),
        ("0,60,0.1,0\n0.00984,60,0.1,0\n0.01969,60,0.1,0\n", "profile-inches", "0.25 mm"),
    ],
)
def test_what_cannot_be_a_profile_is_refused(rows, code, said):
    notice = refusal_of(HEADER + rows)
    assert notice.code == code
    assert said in notice.message


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "profile-empty"),
        (" \n\n", "profile-empty"),
        ("z_mm,diameter_mm,u95_mm\n0,1,2\n", "profile-columns"),
        ("0,60,0.1,0\n25,60,0.1,0\n", "profile-columns"),
        ("z_mm;diameter_mm;u95_mm;u95_common_mm\n0;60;0,1;0\n", "profile-columns"),
        ("z_in,diameter_in,u95_in,u95_common_in\n0,2,0,0\n", "profile-inches"),
        (HEADER + '0,"' + "6" * 200_000 + '",1,1\n', "profile-no-text"),
    ],
)
def test_a_file_of_another_kind_is_refused(text, code):
    assert refusal_of(text).code == code


def test_a_thin_drill_is_not_taken_for_inches():
    text = HEADER + "0,3,0.1,0\n60,3,0.1,0\n"
    assert profile_from_text(text, "p.csv").diameter_mm.tolist() == [3.0, 3.0]


@pytest.mark.parametrize("kind", ["missing", "folder", "picture"])
def test_files_that_cannot_be_read_are_refused(tmp_path, kind):
    path = tmp_path / "profile.csv"
    if kind == "folder":
        path.mkdir()
    if kind == "picture":
        path.write_bytes(b"\xff\xd8\xff\xe0\x00\x10JFIF")
    expected = {
        "missing": "no-such-file",
        "folder": "not-a-file",
        "picture": "profile-no-text",
    }
    with pytest.raises(BadFileError) as refusal:
        read_profile(path)
    assert refusal.value.notice.code == expected[kind]


def test_stations_may_stand_off_the_grid():
    text = rows_csv(profile_of([0.0, 6.35], [30.0, 31.0])).decode()
    assert text.splitlines()[2] == "6.350,31.0000,0.1200,0.0800"
