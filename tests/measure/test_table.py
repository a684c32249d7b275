from dataclasses import replace

import numpy as np
import pytest

from measure.table import in_blocks, trace_table
from measure.units import INCHES, METRIC
from tests.measure.exact_shapes import cone, gapped_result, profile_of, result_of, stepped


def test_the_headline_numbers_come_first():
    lines = trace_table(result_of(cone()), 20.0, METRIC).splitlines()
    assert lines[0] == "mill.jpg; scale: bank card (ID-1); lens: from the photo's own note (EXIF)"
    assert lines[1] == "Taken as       piece lying on the bench beside the card."
    assert "lathe" in lines[2]
    assert "--setup" in lines[2]
    assert lines[3] == "Length         100.0 ±0.25 mm"
    assert lines[4] == "Largest seen   60.0 ±0.12 mm at 100"
    assert lines[5] == "Smallest seen  20.0 ±0.12 mm at 0"
    assert [line.split() for line in lines[8:]] == [
        [str(z), f"{20 + 0.4 * z:.1f}", "0.12"] for z in (0, 20, 40, 60, 80, 100)
    ]


def test_what_was_left_out_is_said_and_not_tabled():
    text = trace_table(gapped_result(), 5.0, METRIC)
    assert "Left out  40 to 52 mm: hidden behind a bead" in text
    places = [line.split()[0] for line in text.splitlines()[8:] if line[:1] == " "]
    assert "40" in places
    assert "45" not in places


def test_a_diameter_too_unsure_to_use_is_named_and_not_tabled():
    profile = cone(100.0, 20.0, 60.0)
    step = np.where(np.abs(profile.z_mm - 40.0) < 1.0, 9.0, 0.0)
    text = trace_table(result_of(replace(profile, u95_step_mm=step)), 20.0, METRIC)
    assert "Too unsure to use, beside a step or a gap: at 40 mm" in text
    places = [line.split()[0] for line in text.splitlines()[8:] if line[:1] == " "]
    assert places == ["0", "20", "60", "80", "100"]
    # Where nothing is any better, that is what the photo gives.
    everywhere = replace(profile, u95_step_mm=np.full_like(step, 9.0))
    assert "Too unsure" not in trace_table(result_of(everywhere), 20.0, METRIC)


@pytest.mark.parametrize(
    ("cut", "words"), [({"z_zero": "cut"}, "z = 0"), ({"far_end": "cut"}, "far end")]
)
def test_a_cut_piece_has_no_length(cut, words):
    result = result_of(cone(), length_mm=None, length_u95_mm=None, **cut)
    line = trace_table(result, 20.0, METRIC).splitlines()[3]
    assert line.startswith("Length         not known")
    assert words in line


def test_inches_give_fraction_decimal_and_spread():
    text = trace_table(result_of(cone()), 25.0, INCHES)
    assert "3 15/16 in (3.937 ±0.010)" in text
    # Stations on marks of a rule; the cone is 20 mm + 0.4 z thick.
    assert [line.split() for line in text.splitlines()[8:10]] == [
        ["0", "25/32", "0.787", "0.005"],
        ["1", "1", "3/16", "1.187", "0.005"],
    ]


def test_a_shoulder_takes_two_lines():
    lines = trace_table(result_of(stepped()), 10.0, METRIC).splitlines()
    assert [line.split()[1] for line in lines if line.startswith("    30")] == ["40.0", "25.0"]


def test_a_long_table_stands_in_blocks_no_wider_than_a_terminal():
    lines = trace_table(result_of(cone(300.0)), 2.0, METRIC).splitlines()
    assert max(map(len, lines)) <= 80
    assert len(lines) < 70


@pytest.mark.parametrize("count", [0, 1, 23, 24, 25, 61, 1000])
def test_blocks_keep_every_row_once(count):
    rows = [f"{i:>6} row" for i in range(count)]
    text = "\n".join(in_blocks("heading", rows))
    found = [word for word in text.split() if word.isdigit()]
    assert sorted(map(int, found)) == list(range(count))


def test_a_profile_without_a_station_prints_no_rows():
    short = profile_of([1.0, 1.25, 1.5], [30.0, 30.0, 30.0])
    assert "Largest seen   30.0" in trace_table(result_of(short), 5.0, METRIC)


def test_a_piece_on_the_board_is_not_said_to_lie_beside_a_card():
    text = trace_table(replace(result_of(cone()), target_is_board=True), 20.0, METRIC)
    assert "on or beside the board." in text
    assert "card." not in text.splitlines()[1]


def test_the_largest_is_told_where_it_is_known_and_as_the_table_tells_it():
    # The rim of an end reads a little more than the wood beside it, and is unsure.
    profile = profile_of([0.0, 5.0, 10.0, 15.0], [58.1, 57.8, 57.8, 40.0])
    unsure = replace(profile, u95_mm=np.array([0.75, 0.2, 0.2, 0.2]))
    result = result_of(replace(unsure, u95_step_mm=np.array([1.4, 0.0, 0.0, 0.0])))
    assert result.largest().z_mm == 5.0
    assert "Largest seen   57.8 ±0.20 mm at 5" in trace_table(result, 5.0, METRIC)
    assert result.max_diameter_mm() == 57.8


def test_what_is_smaller_than_the_smallest_told_is_said_to_be_passed_over():
    # The rim of the tenon reads less than its level does, and is unsure.
    profile = profile_of([0.0, 5.0, 10.0, 15.0], [12.7, 12.8, 12.8, 40.0])
    result = result_of(replace(profile, u95_mm=np.array([0.61, 0.07, 0.07, 0.1])))
    text = trace_table(result, 5.0, METRIC)
    assert "Smallest seen  12.8 ±0.07 mm at 5, steep and unsure places aside" in text


def test_caliper_readings_that_were_taken_in_are_named():
    text = trace_table(replace(result_of(cone()), known=((50.0, 40.1),)), 20.0, METRIC)
    assert "Caliper        40.1 mm at 50, taken in" in text.splitlines()
