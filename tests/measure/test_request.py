import pytest

from calib.refusal import BadFileError
from measure.boxcheck import check_box
from measure.request import build_request, parse_box, parse_known


def message_of(**options):
    with pytest.raises(BadFileError) as refusal:
        build_request(**options)
    assert refusal.value.notice.code == "bad-option"
    assert refusal.value.exit_status == 2
    return refusal.value.notice


def test_the_plain_request_is_a_piece_on_the_bench_beside_a_card():
    request = build_request()
    assert (request.setup, request.target, request.every_mm) == ("bench", "id1", 5.0)
    assert request.axis_offset_mm == 0.0
    assert request.box_px is None
    assert request.known == ()


def test_words_may_be_typed_in_capitals():
    request = build_request(setup="Plane", start="LEFT", axis_offset=-2.5)
    assert (request.setup, request.start, request.axis_offset_mm) == ("plane", "left", -2.5)


@pytest.mark.parametrize(
    "options",
    [
        {"setup": "lying"},
        {"setup": ""},
        {"setup": "level"},
        {"axis_height": 30.0},
        {"setup": "level", "axis_height": 0.0},
        {"setup": "level", "axis_height": float("nan")},
        {"axis_offset": 1.0},
        {"setup": "plane", "axis_offset": float("inf")},
        {"start": "front"},
        {"every": 0.0},
        {"every": 0.2},
        {"every": -5.0},
        {"every": float("nan")},
    ],
)
def test_options_that_cannot_be_are_refused(options):
    notice = message_of(**options)
    assert notice.message.startswith("--")
    assert notice.advice


def test_level_takes_its_height():
    assert build_request(setup="level", axis_height=45.5).axis_height_mm == 45.5


@pytest.mark.parametrize(("text", "box"), [("0,0,10,20", (0, 0, 10, 20)), (" 5.5, 6,7,8", None)])
def test_a_box_is_four_numbers(text, box):
    assert parse_box(text) == (box or (5.5, 6.0, 7.0, 8.0))


@pytest.mark.parametrize(
    "text", ["", "1,2,3", "1,2,3,4,5", "a,b,c,d", "1,2,0,4", "-1,2,3,4", "1,2,nan,4", "1;2;3;4"]
)
def test_other_boxes_are_refused(text):
    with pytest.raises(BadFileError):
        parse_box(text)


def test_caliper_readings_are_sorted_and_take_a_decimal_comma():
    assert parse_known(["97:44.0", "12,5:30,25"]) == ((12.5, 30.25), (97.0, 44.0))


@pytest.mark.parametrize(
    "text", ["", "97", "97:", ":44", "97:44:2", "a:44", "-1:44", "97:0", "97:-4", "nan:4", "9:inf"]
)
def test_other_readings_are_refused(text):
    with pytest.raises(BadFileError):
        parse_known([text])


BESIDE = [(9000.0, 9000.0, 10.0, 10.0), (4032.0, 0.0, 10.0, 10.0), (4020.0, 10.0, 500.0, 500.0)]


@pytest.mark.parametrize("box", BESIDE)
def test_a_box_beside_the_photo_is_refused(box):
    with pytest.raises(BadFileError) as caught:
        check_box((4032, 3024), box, "mill.jpg")
    assert caught.value.notice.code == "bad-option"
    assert "4032 x 3024" in caught.value.notice.message


@pytest.mark.parametrize("box", [None, (0.0, 0.0, 9000.0, 9000.0), (3900.0, 2900.0, 500.0, 50.0)])
def test_a_box_that_shows_some_of_the_photo_is_not(box):
    assert check_box((4032, 3024), box, "mill.jpg") is None
