from itertools import combinations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from measure.annotate import Rims, _rising, annotate
from measure.overlay import LONGER_SIDE_PX, Overlay
from measure.units import INCHES
from tests.measure.exact_shapes import (
    CARD_PX,
    PX_PER_MM,
    SIZE_PX,
    START_PX,
    ball,
    cone,
    gapped_result,
    result_of,
    stepped,
)

SCALE = LONGER_SIDE_PX / SIZE_PX[0]


def plain(level, size=SIZE_PX):
    return np.full((size[1], size[0], 3), level, dtype=np.uint8)


def decoded(jpeg):
    return cv2.imdecode(np.frombuffer(jpeg, dtype=np.uint8), cv2.IMREAD_COLOR)


def with_artwork(seed):
    """A photo with a card full of large letters and digits, of one mean colour."""
    photo = plain(150)
    draw = np.random.default_rng(seed)
    texts = ["".join(draw.choice(list("0123456789ABCDEF"), 12)) for _ in range(6)]
    card = np.full((540, 856, 3), 200, dtype=np.uint8)
    for row, text in enumerate(texts):
        at = (30, 80 + row * 85)
        cv2.putText(card, text, at, cv2.FONT_HERSHEY_DUPLEX, 2.6, (20, 30, 90), 6)
    corners = np.array([[0, 0], [855, 0], [855, 539], [0, 539]], dtype=np.float32)
    warp = cv2.getPerspectiveTransform(corners, CARD_PX.astype(np.float32))
    laid = cv2.warpPerspective(card, warp, SIZE_PX)
    inside = cv2.warpPerspective(np.full((540, 856), 255, np.uint8), warp, SIZE_PX) > 0
    photo[inside] = laid[inside]
    return photo


def card_patch(picture, inset=0.85):
    """The part of a picture well inside the card, as (n, 3) rows and as a rectangle."""
    polygon = (CARD_PX - CARD_PX.mean(axis=0)) * inset + CARD_PX.mean(axis=0)
    low, high = polygon.min(axis=0) * SCALE, polygon.max(axis=0) * SCALE
    return picture[int(low[1]) + 20 : int(high[1]) - 20, int(low[0]) + 20 : int(high[0]) - 20]


def letters(patch):
    """Energy of detail as fine as the digits, which are about 45 px high."""
    grey = patch.astype(np.float32).mean(axis=2)
    return float(np.std(grey - cv2.GaussianBlur(grey, (0, 0), 12)))


def hidden(seed):
    overlay = Overlay(with_artwork(seed))
    overlay.hide(CARD_PX)
    return overlay.image


def test_a_cards_digits_cannot_be_recognised():
    shown = Overlay(with_artwork(1)).image
    assert letters(card_patch(hidden(1))) < 0.03 * letters(card_patch(shown))


def test_two_cards_with_other_digits_look_alike_once_hidden():
    one, other = (card_patch(hidden(seed)).astype(float) for seed in (1, 2))
    shown = [card_patch(Overlay(with_artwork(seed)).image).astype(float) for seed in (1, 2)]
    assert np.abs(shown[0] - shown[1]).max() > 100.0
    assert np.abs(one - other).max() < 25.0


def test_the_card_is_hidden_in_the_picture_that_is_written():
    patch = card_patch(decoded(annotate(with_artwork(3), result_of(cone()))))
    label_free = patch[5:65, 60:-60]  # neither the ring round the card nor its name
    assert letters(label_free) < 2.0


def test_hiding_covers_the_whole_card_and_little_else():
    photo = plain(0)
    cv2.fillPoly(photo, [np.round(CARD_PX).astype(np.int32)], (255, 255, 255))
    photo[::2] = 0  # stripes, which hiding turns to grey
    overlay = Overlay(photo)
    before = overlay.image.copy()
    overlay.hide(CARD_PX)
    changed = np.any(overlay.image != before, axis=2)
    card = np.zeros(changed.shape, np.uint8)
    cv2.fillPoly(card, [np.round((CARD_PX + 0.5) * SCALE - 0.5).astype(np.int32)], 1)
    # A pixel may keep its value by chance, a place may not.
    kept = ((card > 0) & ~changed).astype(np.uint8)
    assert not np.any(cv2.erode(kept, np.ones((3, 3), np.uint8)))
    assert not np.any(changed[cv2.dilate(card, np.ones((45, 45), np.uint8)) == 0])


def test_the_projects_own_board_stays_as_it_is():
    picture = decoded(annotate(with_artwork(1), result_of(cone(), target_is_board=True)))
    shown = card_patch(Overlay(with_artwork(1)).image)
    assert letters(card_patch(picture)) > 0.9 * letters(shown)


def test_a_target_that_leaves_the_photo_is_hidden_as_far_as_it_shows():
    overlay = Overlay(with_artwork(1))
    overlay.hide(CARD_PX + np.array([500.0, 300.0]))
    overlay.hide(CARD_PX + np.array([9000.0, 0.0]))
    assert overlay.image.shape == (1200, 1600, 3)


def test_the_picture_carries_no_metadata_of_the_photo():
    jpeg = annotate(plain(90), result_of(cone()))
    assert jpeg[:2] == b"\xff\xd8"
    assert b"Exif" not in jpeg
    assert b"GPS" not in jpeg


@pytest.mark.parametrize(
    ("size", "expected"), [((2016, 1512), (1600, 1200)), ((900, 700), (900, 700))]
)
def test_the_longer_side_is_at_most_1600(size, expected):
    picture = decoded(annotate(plain(90, size), result_of(cone())))
    assert (picture.shape[1], picture.shape[0]) == expected


@pytest.mark.parametrize("level", [0, 128, 255])
def test_the_outline_shows_on_dark_and_on_pale_wood(level):
    result = result_of(ball())
    picture = decoded(annotate(plain(level), result)).astype(int)
    grey = picture.sum(axis=2)
    points = result.outline_px[(result.outline_z_mm > 5) & (result.outline_z_mm < 15)]
    for x, y in np.round((points + 0.5) * SCALE - 0.5).astype(int):
        near = grey[y - 4 : y + 5, x - 4 : x + 5]
        assert near.max() - near.min() > 300


def test_the_outline_is_drawn_where_the_points_are():
    overlay = Overlay(plain(128))
    before = overlay.image.copy()
    overlay.dots(np.array([[1000.0, 700.0]]), (255, 255, 255))
    y, x = np.nonzero(np.any(overlay.image != before, axis=2))
    assert x.mean() == pytest.approx((1000.5) * SCALE - 0.5, abs=0.51)
    assert y.mean() == pytest.approx((700.5) * SCALE - 0.5, abs=0.51)


def test_a_stretch_left_out_is_hatched_and_not_only_coloured():
    picture = decoded(annotate(plain(200), gapped_result()))
    z_to_px = lambda z, r: (START_PX + PX_PER_MM * np.array([z, r]) + 0.5) * SCALE - 0.5
    low, high = z_to_px(42.0, 3.0), z_to_px(50.0, 12.0)
    patch = picture[int(low[1]) : int(high[1]), int(low[0]) : int(high[0])].astype(int)
    grey = patch.sum(axis=2)
    dark = grey < 250
    assert 0.1 < dark.mean() < 0.6
    rows_with_both = [row for row in dark if row.any() and not row.all()]
    assert len(rows_with_both) == len(dark)
    beside = z_to_px(20.0, 3.0)
    assert np.ptp(picture[int(beside[1]) + 2, int(beside[0]) : int(beside[0]) + 8]) < 60


def test_the_end_that_z_counts_from_is_marked():
    result = result_of(cone())
    bar = np.round((START_PX + 0.5) * SCALE - 0.5).astype(int)
    normal = decoded(annotate(plain(128), result))
    assert np.ptp(normal[bar[1] + 30, bar[0] - 12 : bar[0] + 12].sum(axis=1).astype(int)) > 200


@pytest.mark.parametrize("turn", [0, 90, 180, 270, 33])
def test_any_direction_of_the_axis_is_drawn(turn):
    angle = np.radians(turn)
    matrix = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    middle = np.array(SIZE_PX) / 2.0
    result = result_of(stepped())
    turned = {
        name: (getattr(result, name) - START_PX - [400.0, 0.0]) @ matrix.T + middle
        for name in ("outline_px", "axis_px")
    }
    jpeg = annotate(plain(128), result_of(stepped(), **turned), units=INCHES)
    assert np.any(decoded(jpeg) != 128)


def test_rims_follow_the_outline():
    rims = Rims.of(result_of(cone(100.0, 20.0, 60.0)))
    for z in (0.0, 25.0, 70.0, 100.0):
        r = (20.0 + 0.4 * z) / 2.0
        for sign in (-1, 1):
            expected = START_PX + PX_PER_MM * np.array([z, sign * r])
            np.testing.assert_allclose(rims.side(z, sign), expected, atol=0.2)


def test_points_out_of_order_do_not_bend_the_sides():
    result = result_of(cone())
    rims = Rims.of(result)
    astray = result.outline_px.copy()
    astray[50::60] += np.array([0.0, 3.0])
    astray[50::60, 0] -= 90.0
    astray_rims = Rims.of(result_of(cone(), outline_px=astray))
    for z in np.linspace(0.0, 100.0, 41):
        np.testing.assert_allclose(astray_rims.side(z, -1), rims.side(z, -1), atol=4.0)


def test_points_on_the_cut_do_not_stretch_the_picture():
    # Rays along the line that cuts a piece meet its axis anywhere.
    whole = result_of(cone(100.0, 20.0, 60.0))
    cut = result_of(
        cone(100.0, 20.0, 60.0),
        length_mm=None,
        length_u95_mm=None,
        far_end="cut",
        outline_px=np.vstack([whole.outline_px, whole.axis_px[1] + [[0.0, 5.0], [0.0, -5.0]]]),
        outline_z_mm=np.append(whole.outline_z_mm, [4385.0, 2190.0]),
    )
    for z in (0.0, 25.0, 70.0, 100.0):
        np.testing.assert_allclose(Rims.of(cut).side(z, 1), Rims.of(whole).side(z, 1), atol=0.5)
    assert Rims.of(cut).z_mm[-1] == pytest.approx(100.0, abs=0.5)


@given(st.lists(st.integers(0, 8), max_size=9))
def test_the_longest_rise_is_the_longest(values):
    chosen = [values[i] for i in _rising(np.array(values, dtype=float))]
    assert chosen == sorted(chosen)
    subsets = (c for n in range(len(values) + 1) for c in combinations(values, n))
    assert len(chosen) == max(len(c) for c in subsets if list(c) == sorted(c))


def test_plates_do_not_cover_each_other():
    overlay = Overlay(plain(128))
    put = [overlay.plate("dia 43.6", np.array([900.0, 700.0]), np.array([0, 1])) for _ in range(5)]
    boxes = overlay._boxes()
    assert sum(put) == len(boxes) >= 3
    for i, (a, b, c, d) in enumerate(boxes):
        for e, f, g, h in boxes[:i]:
            assert c < e or g < a or d < f or h < b


def test_a_plate_that_must_be_put_stays_in_the_picture():
    overlay = Overlay(plain(128))
    assert overlay.plate("far out", np.array([-80.0, 3000.0]), np.array([-1, 1]), must=True)
    ((x0, y0, x1, y1),) = overlay._boxes()
    assert min(x0, y0) >= 0
    assert x1 < 1600
    assert y1 < 1200


def test_a_plate_keeps_off_the_outline_where_there_is_room():
    grey = np.full((600, 800, 3), 128, dtype=np.uint8)
    line = np.column_stack([np.arange(800.0), np.full(800, 330.0)])
    middle, away = np.array([400.0, 300.0]), np.array([0.0, 1.0])
    boxes = []
    for spared in (False, True):
        overlay = Overlay(grey)
        if spared:
            overlay.spare(line)
        assert overlay.plate("left out: hidden", middle, away)
        boxes.append(overlay._boxes()[0])
    covered, clear = ((box[1] <= 330 <= box[3]) for box in boxes)
    assert covered
    assert not clear


def test_the_edges_are_marked_in_pixels_of_the_photo_itself():
    # Ticks and numbers are for a box: they must stand where the photo has that pixel.
    picture = decoded(annotate(plain(120), result_of(ball()))).astype(np.float64).mean(axis=2)
    assert max(picture.shape) < max(SIZE_PX)
    for line, length in ((picture[3], SIZE_PX[0]), (picture[:, 3], SIZE_PX[1])):
        bright = (np.flatnonzero(line > 170.0) + 0.5) / SCALE - 0.5
        for place in range(500, length - 100, 500):
            beside = bright[np.abs(bright - place) < 50.0]
            assert beside.mean() == pytest.approx(place, abs=1.5)
