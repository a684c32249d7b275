"""General tolerances, ISO 2768-1:1989 table 1, linear dimensions.

m 0.3 mm and c 0.8 mm for 30 to 120 mm are stated independently of the code's table; the other
values here are from memory, the standard could not be seen.
"""

import numpy as np
import pytest

from calib.refusal import BadFileError
from measure.tolerances import general_tolerance, parse_tolerance


@pytest.mark.parametrize(
    ("grade", "size", "allowed"),
    [
        ("m", 31.0, 0.3),
        ("m", 120.0, 0.3),
        ("c", 60.0, 0.8),
        ("m", 30.0, 0.2),  # a bound belongs to the range below it: "over 6 up to 30"
        ("m", 30.001, 0.3),
        ("m", 6.0, 0.1),
        ("f", 60.0, 0.15),
        ("v", 60.0, 1.5),
        ("c", 6.5, 0.5),
        ("m", 121.0, 0.5),
    ],
)
def test_table(grade, size, allowed):
    assert general_tolerance(np.array([size]), grade)[0] == allowed


def test_classes_are_ordered_at_every_size():
    sizes = np.array([2.0, 5.0, 20.0, 60.0, 200.0, 600.0, 1500.0])
    fine, medium, coarse = (general_tolerance(sizes, g) for g in "fmc")
    assert np.all(fine <= medium)
    assert np.all(medium < coarse)


def test_words_on_the_command_line():
    assert parse_tolerance("C") == "c"
    assert parse_tolerance("0.3") == (0.3, 0.3)
    assert parse_tolerance("0.3,0.1") == (0.3, 0.1)


@pytest.mark.parametrize("text", ["", "x", "-0.1", "0.1,0.2,0.3", "nan", "0.1,inf", "1e9"])
def test_nonsense_is_refused(text):
    with pytest.raises(BadFileError) as caught:
        parse_tolerance(text)
    assert caught.value.notice.code == "tolerance"
