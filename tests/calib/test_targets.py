import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.board import BOARDS
from calib.refusal import BadFileError, RefusalError
from calib.targets import ID1, Rectangle, board_named, parse_target


def test_id1_is_the_card_of_iso_iec_7810():
    # ISO/IEC 7810:2003, ID-1 (from memory): 85.60 x 53.98 x 0.76 mm, corner radius 3.18 mm;
    # unused cards 85.47 to 85.72 by 53.92 to 54.03 mm.
    assert (ID1.width_mm, ID1.height_mm) == (85.60, 53.98)
    assert (ID1.thickness_mm, ID1.corner_radius_mm) == (0.76, 3.18)
    # The limits are within 2 to 2.5 standard uncertainties on both sides.
    for size, sd, low, high in (
        (ID1.width_mm, ID1.width_sd_mm, 85.47, 85.72),
        (ID1.height_mm, ID1.height_sd_mm, 53.92, 54.03),
    ):
        assert 1.6 * sd < min(size - low, high - size)
        assert max(size - low, high - size) < 2.5 * sd


def test_names_give_card_and_boards():
    assert parse_target(" ID1 ") is ID1
    for name, board in BOARDS.items():
        assert parse_target(name.upper()) is board
        assert board_named(name) is board


@pytest.mark.parametrize("text", ["85.6x54", "86x54", "54 x 85,6", "85.60x53.98"])
def test_a_size_that_is_the_cards_is_the_card(text):
    assert parse_target(text) is ID1


def test_a_thickness_or_another_size_is_no_card():
    assert parse_target("85.6x54x0.3").corner_radius_mm == 0.0
    assert parse_target("90x54").corner_radius_mm == 0.0


def test_sizes_are_read_longer_side_first_with_the_accuracy_of_their_decimals():
    plate = parse_target("50x90.5x2")
    assert plate == Rectangle("50x90.5x2", 90.5, 50.0, 2.0, 0.0, 0.10, 0.15)
    assert parse_target("120,25 x 80,00 mm") == Rectangle(
        "120.25x80.00", 120.25, 80.0, 0.3, 0.0, 0.05, 0.05
    )


@pytest.mark.parametrize(
    "text",
    [
        "",
        "a5",
        "card",
        "90",
        "90x",
        "x50",
        "90x50x1x2",
        "-90x50",
        "0x0",
        "nanx50",
        "1e3x50",
        "5x5",
        "2000x100",
        "90x50x40",
        "infxinf",
        "90y50",
    ],
)
def test_nonsense_is_refused(text):
    with pytest.raises(BadFileError) as caught:
        parse_target(text)
    assert caught.value.notice.code == "bad-target"


@given(st.text(max_size=12))
def test_any_text_gives_a_target_or_a_refusal(text):
    try:
        target = parse_target(text)
    except RefusalError:
        return
    assert target.thickness_mm >= 0.0


def test_unknown_board_is_refused():
    with pytest.raises(BadFileError) as caught:
        board_named("a5")
    assert caught.value.notice.code == "bad-board-size"
