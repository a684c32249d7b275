"""Finding a plain card, in drawn pictures whose truth is a pinhole's projection.

Sizes by ISO/IEC 7810 ID-1: 85.60 x 53.98 mm, corner radius 3.18 mm. A visiting card is 90 x 50 mm
(common practice, no source). A magnetic stripe begins at most 5.54 mm below the upper edge (ISO/IEC
7811, from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from drawncards import (
    BENCH,
    CARD,
    FOCAL_35MM,
    SIZE_PX,
    STRIPE,
    photo_of,
    picture,
    rounded,
    view_over,
)

from calib import cardfind
from calib.cardcandidate import CardCandidate
from calib.cardsides import Sought, find_sides
from calib.finding import find_target, linear_table
from calib.lens import lens_from_exif
from calib.refusal import RefusalError
from calib.targets import ID1, parse_target

LENS = lens_from_exif(SIZE_PX, FOCAL_35MM)
ID1_CARD = rounded(85.60, 53.98, 3.18)
CORNERS_MM = np.array([[-42.8, 26.99], [42.8, 26.99], [42.8, -26.99], [-42.8, -26.99]])


def found(view, shapes):
    return find_target(photo_of(picture(view, shapes)), LENS, ID1, None)


def off_px(view, target):
    """Return how far the corners found lie from the true ones, whichever came first."""
    true = view.to_pixels(np.column_stack([CORNERS_MM, np.zeros(4)]))
    both = [np.roll(target.polygon_px, 2 * k, axis=0) - true for k in (0, 1)]
    return min(float(np.linalg.norm(each, axis=1).max()) for each in both)


@pytest.mark.parametrize("tilt_deg", [0.0, 12.0, 25.0, 38.0])
@pytest.mark.parametrize("turn_deg", [3.0, 48.0, 95.0])
def test_a_card_is_found_at_any_angle(tilt_deg, turn_deg):
    view = view_over(tilt_deg, turn_deg)
    assert off_px(view, found(view, [(ID1_CARD, CARD)])) < 0.45


def stripe(gap_mm, width_mm=11.0):
    """Return a dark stripe along the card, so far from its long edge."""
    middle = (0.0, 26.99 - gap_mm - 0.5 * width_mm)
    return rounded(85.60, width_mm, 0.01, middle), STRIPE


@pytest.mark.parametrize("gap_mm", [3.8, 5.5])
@pytest.mark.parametrize("tilt_deg", [5.0, 30.0])
def test_a_stripe_along_the_card_is_not_its_edge(gap_mm, tilt_deg):
    view = view_over(tilt_deg)
    # As light as the bench beside it: the stripe's edge is the stronger one.
    shapes = [(ID1_CARD, (120, 148, 170)), stripe(gap_mm)]
    assert off_px(view, found(view, shapes)) < 0.9


def panel(inset_mm, colour, radius_mm=0.01):
    """Return what is printed on a card to so far from its edge."""
    return rounded(85.60 - 2.0 * inset_mm, 53.98 - 2.0 * inset_mm, radius_mm), colour


@pytest.mark.parametrize("inset_mm", [1.5, 2.5, 3.5])
@pytest.mark.parametrize("colour", [(35, 35, 38), (190, 120, 40)])
@pytest.mark.parametrize("tilt_deg", [6.0, 25.0])
def test_a_border_printed_on_a_card_is_not_its_edge(inset_mm, colour, tilt_deg):
    """Its inner edge is as straight as the card's and often the stronger one."""
    view = view_over(tilt_deg)
    # Paler than the bench by less than the print is darker.
    shapes = [(ID1_CARD, (150, 170, 190)), panel(inset_mm, colour)]
    assert off_px(view, found(view, shapes)) < 0.9


@pytest.mark.parametrize("inset_mm", [2.0, 3.0])
@pytest.mark.parametrize("tilt_deg", [6.0, 25.0])
def test_a_line_printed_round_a_card_is_not_its_edge(inset_mm, tilt_deg):
    view = view_over(tilt_deg)
    line = [panel(inset_mm, (60, 40, 30)), panel(inset_mm + 0.8, CARD)]
    assert off_px(view, found(view, [(ID1_CARD, CARD), *line])) < 0.9


def test_what_is_printed_on_a_larger_card_is_no_card():
    """A print of the very size and shape of a bank card, 2 mm inside the edge of a larger one."""
    larger = rounded(89.6, 57.98, 3.18), CARD
    with pytest.raises(RefusalError) as caught:
        found(view_over(8.0), [larger, (ID1_CARD, (60, 60, 62))])
    assert caught.value.notice.code == "wrong-rectangle"


@pytest.mark.parametrize(
    ("outline", "code"),
    [
        (rounded(90.0, 50.0, 0.01), "wrong-rectangle"),
        (rounded(85.60, 53.98, 0.01), "wrong-rectangle"),
        (rounded(105.0, 74.0, 3.18), "wrong-rectangle"),
    ],
)
@pytest.mark.parametrize("tilt_deg", [4.0, 22.0])
def test_another_rectangle_is_no_card(outline, code, tilt_deg):
    with pytest.raises(RefusalError) as caught:
        found(view_over(tilt_deg), [(outline, CARD)])
    assert caught.value.notice.code == code


@pytest.mark.parametrize("levels", [6, 8])
@pytest.mark.parametrize("tilt_deg", [4.0, 24.0])
def test_a_card_hardly_paler_than_the_bench_is_found(levels, tilt_deg):
    view = view_over(tilt_deg)
    pale = tuple(c + levels for c in BENCH)
    shapes = [(ID1_CARD, pale), stripe(4.5)]
    assert off_px(view, found(view, shapes)) < 2.0


def slot(covers_mm, turn=0.0):
    """Return a block in front of the lower long side that hides so much of the card."""
    top = -26.99 + covers_mm
    block = rounded(150.0, 40.0, 0.01, (0.0, top - 20.0))
    about = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    flat = (block[:, :2] - [0.0, top]) @ about.T + [0.0, top]
    return np.column_stack([flat, np.zeros(len(flat))]), (70, 66, 60)


@pytest.mark.parametrize(("covers_mm", "turn"), [(2.5, 0.0), (6.0, 0.03), (15.0, -0.02)])
@pytest.mark.parametrize("tilt_deg", [3.0, 25.0])
def test_a_card_that_stands_in_a_slot_is_found_by_three_sides(covers_mm, turn, tilt_deg):
    view = view_over(tilt_deg)
    target = found(view, [(ID1_CARD, CARD), slot(covers_mm, turn)])
    assert [n.code for n in target.notices] == ["side-hidden"]
    true = view.to_pixels(np.column_stack([CORNERS_MM, np.zeros(4)]))
    both = [
        np.linalg.norm(np.roll(target.polygon_px, 2 * k, axis=0) - true, axis=1) for k in (0, 1)
    ]
    off = min(both, key=max)
    # The hidden corners are only as sure as the other sides tell.
    assert off[:2].max() < 0.6
    assert off[2:].max() < 3.0


@pytest.mark.parametrize("radius_mm", [2.0, 3.18, 4.5])
@pytest.mark.parametrize(
    "size_mm",
    [
        (90.0, 50.0),
        (85.6, 48.0),
        (85.6, 57.0),
        (88.0, 60.0),
        (78.0, 54.0),
        (105.0, 74.0),
        (148.0, 105.0),
    ],
)
def test_another_rectangle_with_round_corners_is_no_card_of_which_a_side_is_hidden(
    size_mm, radius_mm
):
    # Of two tilts, so that neither is tuned to.
    tilt_deg = 4.0 if radius_mm == 3.18 else 22.0
    with pytest.raises(RefusalError) as caught:
        found(view_over(tilt_deg, distance_mm=480.0), [(rounded(*size_mm, radius_mm), CARD)])
    assert caught.value.notice.code == "wrong-rectangle"


def column(width_mm, length_mm, foot_mm):
    """Return the outline of a standing piece whose foot is bowed by so much, and what cuts it."""
    turn = np.linspace(np.pi, 2.0 * np.pi, 60)
    half = 0.5 * np.array([width_mm, length_mm])
    foot = np.column_stack([half[0] * np.cos(turn), foot_mm * np.sin(turn) - half[1]])
    flat = np.concatenate([foot, [half, half * [-1.0, 1.0]]])
    above = rounded(200.0, 40.0, 0.01, (0.0, half[1] + 15.0))
    return [(np.column_stack([flat, np.zeros(len(flat))]), CARD), (above, (60, 60, 62))]


@pytest.mark.parametrize(
    ("width_mm", "length_mm", "tilt_deg"), [(54.0, 60.0, 25.0), (70.0, 90.0, 4.0)]
)
def test_a_piece_between_two_straight_sides_and_a_bowed_foot_is_no_card(
    width_mm, length_mm, tilt_deg
):
    """Where its foot begins the corners look as round as a card's; a body was taken for one."""
    with pytest.raises(RefusalError) as caught:
        found(view_over(tilt_deg), column(width_mm, length_mm, 2.0))
    assert caught.value.notice.code in {"no-target", "wrong-rectangle"}


def test_corners_behind_the_phone_are_no_outline():
    photo = photo_of(picture(view_over(10.0), [(ID1_CARD, CARD)]))
    sought = Sought(
        photo.bgr, linear_table(), LENS, (85.60, 53.98), (0.1, 0.05), 0.76, 3.18, step=2
    )
    quad = np.array([[100.0, 100.0], [400.0, np.nan], [400.0, 300.0], [100.0, 300.0]])
    assert find_sides(sought, quad) is None


@pytest.mark.parametrize(
    ("side_share", "misfit", "shares", "is_card"),
    [
        (0.62, 1.7, [0.83, 0.57, 0.0, 0.95], False),
        (0.62, 1.7, [0.83, 0.90, 0.0, 0.95], True),
        (0.57, 1.9, [1.14, 0.37, 0.99, 1.25], False),
        (0.90, 1.7, [0.83, 0.57, 0.0, 0.95], True),
        (0.90, 3.4, [0.74, 0.32, 0.91, 0.08], False),
        (0.90, 1.7, [0.61, 0.0, 0.71, 1.74], False),
        # On cloth and on boards: less of the sides is seen, and all else is as it should be.
        (0.55, 0.9, [0.95, 0.86, 1.06, 1.28], True),
        (0.57, 0.5, [0.91, 1.02, -0.29, 1.08], True),
        (0.68, 0.9, [0.65, 0.91, 0.86, 0.69], True),
        (0.68, 1.4, [0.65, 0.91, 0.86, 0.69], False),
        # Print at both corners of one side; a stripe's corners are both square.
        (0.80, 0.9, [1.05, 1.04, 1.93, -0.31], True),
        (0.80, 2.0, [1.05, 1.04, 1.93, -0.31], False),
        (0.80, 0.9, [1.05, 1.04, 0.05, -0.31], False),
        (0.80, 0.9, [1.05, 1.04, 1.93, 1.80], False),
    ],
)
def test_without_three_corners_as_round_as_they_should_be_the_sides_must_be_plain(
    side_share, misfit, shares, is_card
):
    view = view_over(10.0)
    gaps = np.array(shares) * (np.sqrt(2.0) - 1.0) * 3.18
    sight = found(view, [(ID1_CARD, CARD)]).sight
    candidate = CardCandidate(sight, view, side_share, misfit, gaps, 3.18, None)
    assert candidate.good is is_card


def test_two_cards_are_one_too_many():
    view = view_over(10.0, distance_mm=420.0)
    left = ID1_CARD + np.array([-60.0, 0.0, 0.0])
    right = ID1_CARD + np.array([60.0, 10.0, 0.0])
    with pytest.raises(RefusalError) as caught:
        found(view, [(left, CARD), (right, (190, 140, 90))])
    assert caught.value.notice.code == "two-targets"


def test_a_like_shape_on_a_steep_side_is_no_card_where_the_card_is_said_to_face_the_phone():
    view = view_over(10.0, distance_mm=420.0)
    steep = np.radians(66.0)
    about_x = np.array(
        [[1, 0, 0], [0, np.cos(steep), -np.sin(steep)], [0, np.sin(steep), np.cos(steep)]]
    )
    side = ID1_CARD @ about_x.T + np.array([0.0, 70.0, 0.0])
    photo = photo_of(picture(view, [(ID1_CARD, CARD), (side, (190, 140, 90))]))
    with pytest.raises(RefusalError) as caught:
        find_target(photo, LENS, ID1, None)
    assert caught.value.notice.code == "two-targets"
    assert off_px(view, find_target(photo, LENS, ID1, None, steepest_deg=45.0)) < 0.45


def test_a_card_that_the_border_cuts_is_named():
    view = view_over(10.0, off_mm=(195.0, 0.0))
    with pytest.raises(RefusalError) as caught:
        found(view, [(ID1_CARD, CARD)])
    assert caught.value.notice.code in {"target-cut", "no-target"}


def test_an_empty_bench_shows_no_card():
    with pytest.raises(RefusalError) as caught:
        found(view_over(10.0), [])
    assert caught.value.notice.code == "no-target"


def test_a_border_is_thought_of_only_where_three_sides_lead_to_no_card(monkeypatch):
    """Beside print an edge may lie anywhere, which fits almost any card."""
    view = view_over(12.0)
    asked = []
    corners = view.to_pixels(np.column_stack([CORNERS_MM, np.zeros(4)]))
    monkeypatch.setattr(cardfind, "_guesses", lambda *args: [])
    monkeypatch.setattr(cardfind, "_amended", lambda *args: [corners])
    monkeypatch.setattr(cardfind, "_bordered", lambda *args: asked.append(args) or [])
    assert off_px(view, found(view, [(ID1_CARD, CARD)])) < 0.45
    assert not asked


@pytest.mark.parametrize(("distance_mm", "kept"), [(330.0, True), (900.0, False)])
def test_a_sharp_rectangle_that_spans_little_of_the_picture_is_not_taken(distance_mm, kept):
    """Grain, print and facets make many small ones of any ratio."""
    view = view_over(20.0, distance_mm=distance_mm)
    photo = photo_of(picture(view, [(rounded(90.0, 50.0, 0.01), CARD)]))
    if kept:
        assert not find_target(photo, LENS, parse_target("90x50x0.76"), None).is_board
    else:
        with pytest.raises(RefusalError):
            find_target(photo, LENS, parse_target("90x50x0.76"), None)
