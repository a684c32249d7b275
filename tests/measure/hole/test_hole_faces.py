"""End faces drawn from known circles, through the whole measurement."""

import dataclasses

import numpy as np
import pytest

from calib.refusal import BadFileError, RefusalError
from calib.targets import parse_target
from measure.circles import Circle, circle_points
from measure.hole import measure_hole
from measure.holerequest import build_hole_request
from tests.calib.drawncards import rounded
from tests.measure.hole.drawnfaces import (
    AT,
    DARK,
    FACE,
    PLAIN,
    SIZE_PX,
    WALL,
    Ring,
    drawn,
    out_of_focus,
    outline,
    phone_over,
)

CARD = parse_target("id1")


def measured(photo, **options):
    options.setdefault("card", "coplanar")
    result = measure_hole(photo, build_hole_request(**options), CARD)
    return {circle.name: circle for circle in result.circles}


def near(circle, diameter_mm):
    return circle.diameter_mm == pytest.approx(diameter_mm, abs=circle.u95_mm)


@pytest.mark.parametrize("off", [(0.4, 0.3), (-0.4, -0.3), (0.3, -0.4)])
def test_half_a_millimetre_off_centre_is_found_whichever_way(off):
    # Toward the phone it looks as a deeper bore would, so its depth has to be told.
    photo = drawn(phone_over(), (Ring(60.0, FACE), Ring(30.0, DARK, off_mm=off)))
    found = measured(photo, depth=["rim:0", "bore:0"])
    assert near(found["rim"], 60.0)
    assert near(found["bore"], 30.0)
    assert found["bore"].off_centre_mm == pytest.approx(0.5, abs=0.05)
    assert found["bore"].off_centre_u95_mm < 0.2


def test_that_the_bore_is_in_the_face_does_not_take_the_rim_out_of_it():
    photo = drawn(phone_over(), (Ring(60.0, FACE), Ring(30.0, DARK, off_mm=(0.4, 0.3))))
    assert measured(photo)["bore"].diameter_mm is None
    found = measured(photo, depth=["bore:0"])
    assert near(found["rim"], 60.0)
    assert found["bore"].off_centre_mm == pytest.approx(0.5, abs=0.05)


def test_a_step_off_centre_at_the_depth_told_is_measured_and_not_refused():
    rings = (Ring(60.0, FACE), Ring(30.0, WALL), Ring(20.0, DARK, 12.0, (0.4, 0.3)))
    step = measured(drawn(phone_over(), rings), depth=["step1:12"])["step1"]
    assert near(step, 20.0)
    assert step.off_centre_mm == pytest.approx(0.5, abs=step.off_centre_u95_mm)


STEPPED = (Ring(60.0, FACE), Ring(30.0, WALL), Ring(16.0, DARK, 16.0))


def card_at_its_foot(eye):
    """Face 180 mm over the card, phone 600 mm up: all looks 600 / 420 as large, and as deep."""
    return drawn(phone_over(eye, (-42.0, 2.0, 100.0)), STEPPED, face_mm=180.0, foot_mm=180.76)


def test_a_step_that_looks_far_deeper_than_told_says_that_the_card_lay_elsewhere():
    with pytest.raises(RefusalError) as refused:
        measured(card_at_its_foot((20.0, 60.0, 600.0)), depth=["step1:16"])
    assert refused.value.notice.code == "plane-contradicted"


def test_a_deep_step_is_not_taken_to_lie_in_the_face():
    with pytest.raises(RefusalError, match=r"looks 1[56]"):
        measured(drawn(phone_over((60.0, 40.0, 400.0)), STEPPED), depth=["step1:0"])


def test_seen_from_over_the_bore_it_may_as_well_be_off_centre_and_is_said():
    request = build_hole_request(card="coplanar", depth=["step1:16"])
    result = measure_hole(card_at_its_foot((-40.0, 40.0, 600.0)), request, CARD)
    assert "plane-doubtful" in [notice.code for notice in result.notices]


def test_a_card_out_of_focus_beside_a_sharp_face_is_not_level_with_it():
    photo = drawn(phone_over())
    x = np.arange(SIZE_PX[0]) < outline(phone_over(), PLAIN[0], 0.0, AT)[:, 0].min() - 20.0
    soft = np.where(x[None, :, None], out_of_focus(photo.bgr), photo.bgr)
    with pytest.raises(RefusalError) as refused:
        measured(dataclasses.replace(photo, bgr=soft))
    assert refused.value.notice.code == "plane-contradicted"
    # Blurred alike, both may be level.
    alike = dataclasses.replace(photo, bgr=out_of_focus(photo.bgr))
    assert near(measured(alike)["bore"], 30.0)


def test_a_photo_out_of_focus_is_said_to_be():
    photo = drawn(phone_over())
    soft = dataclasses.replace(photo, bgr=out_of_focus(photo.bgr, 4.0))
    result = measure_hole(soft, build_hole_request(card="coplanar"), CARD)
    assert "out-of-focus" in [notice.code for notice in result.notices]


BLOCK = (rounded(100.0, 70.0, 1.0)[:, :2], (225, 235, 240))


def test_a_card_on_the_bench_is_not_taken_for_level_with_the_face_unless_it_is_said_to_be():
    view = phone_over((-40.0, 40.0, 600.0), (-42.0, 2.0, 100.0))
    photo = drawn(view, face_mm=180.0, foot_mm=180.76)
    with pytest.raises(RefusalError) as refused:
        measured(photo, card=None)
    assert refused.value.notice.code == "plane-contradicted"
    # Said to be level, the photo alone does not prove otherwise.
    assert measured(photo, card="coplanar")["rim"].diameter_mm > 80.0
    assert near(measured(photo, card="at-foot", face_height=180.76)["rim"], 60.0)


def test_a_card_on_a_block_is_taken_for_level_with_the_face():
    photo = drawn(phone_over(), more=[BLOCK])
    assert near(measured(photo, card=None)["bore"], 30.0)


ASLANT = (40.0, 60.0, 250.0)


@pytest.mark.parametrize("depth", [14.0, 20.0])
def test_a_step_half_hidden_by_the_mouth_of_the_bore_is_measured_where_its_depth_is_told(depth):
    rings = (Ring(60.0, FACE), Ring(30.0, WALL), Ring(24.0, DARK, depth))
    step = measured(drawn(phone_over(ASLANT), rings), depth=[f"step1:{depth}"])["step1"]
    assert step.arc_deg < 300.0
    assert near(step, 24.0)


def test_what_lies_elsewhere_than_a_step_so_deep_is_not_taken_for_it():
    rings = (Ring(60.0, FACE), Ring(30.0, WALL), Ring(24.0, DARK, 20.0))
    with pytest.raises(BadFileError) as refused:
        measured(drawn(phone_over(ASLANT), rings), depth=["step1:8"])
    assert refused.value.notice.code == "bad-option"


def test_a_hole_beside_the_card_in_a_large_face_is_not_its_rim():
    platter = (circle_points(Circle(np.array([-40.0, 0.0]), 105.0), 720), FACE)
    rings = (Ring(40.0, WALL), Ring(24.0, DARK, 9.0))
    photo = drawn(phone_over(), rings, face_mm=-0.76, more=[platter])
    found = measured(photo, card="on-face", depth=["step1:9"])
    assert list(found) == ["bore", "step1"]
    assert near(found["bore"], 40.0)
    assert near(found["step1"], 24.0)


@pytest.mark.parametrize(
    ("rings", "said"),
    [((Ring(40.0, WALL), Ring(24.0, DARK, 12.0)), True), (PLAIN, False)],
)
def test_a_mouth_whose_rim_is_not_seen_is_not_simply_called_a_rim(rings, said):
    result = measure_hole(drawn(phone_over(), rings), build_hole_request(card="coplanar"), CARD)
    assert ("rim-or-mouth" in [notice.code for notice in result.notices]) == said


def arc_of_the_rim(arc_deg):
    """Return a photo in which so much of a rim is seen, and the box round all of it."""
    rim = outline(phone_over(), PLAIN[0], 0.0, AT)
    middle = rim.mean(axis=0)
    reach = float(np.linalg.norm(rim - middle, axis=1).mean())
    x = middle[0] - reach * np.cos(np.radians(arc_deg / 2.0))
    (left, top), (right, bottom) = middle - reach - 25.0, middle + reach + 25.0
    cover = [[x, top], [SIZE_PX[0], top], [SIZE_PX[0], bottom], [x, bottom]]
    photo = drawn(phone_over(), PLAIN[:1], hide=[(cover, (60, 60, 60))])
    return photo, f"{left:.0f},{top:.0f},{right - left:.0f},{bottom - top:.0f}"


@pytest.mark.parametrize("arc_deg", [76.0, 100.0, 150.0])
def test_an_arc_in_a_box_is_one_circle(arc_deg):
    photo, box = arc_of_the_rim(arc_deg)
    found = measured(photo, box=box)
    assert list(found) == ["circle"]
    assert near(found["circle"], 60.0)


@pytest.mark.parametrize("arc_deg", [30.0, 55.0])
def test_less_than_60_degrees_of_a_circle_give_no_diameter(arc_deg):
    photo, box = arc_of_the_rim(arc_deg)
    with pytest.raises(RefusalError) as refused:
        measured(photo, box=box)
    assert refused.value.notice.code in {"arc-short", "no-circle"}
    assert "give --box" not in refused.value.notice.advice


def test_the_rim_of_a_piece_that_the_card_lies_beside_is_no_bore():
    """Told to lie on the face, the card would have to lie inside its rim."""
    request = build_hole_request(card="on-face")
    result = measure_hole(drawn(phone_over((60.0, 40.0, 400.0))), request, CARD)
    assert [circle.name for circle in result.circles] == ["rim", "bore"]
    assert "card-beside" in [notice.code for notice in result.notices]


def test_a_stepped_bore_in_the_face_that_the_card_lies_on_stays_a_bore():
    rings = (Ring(60.0, WALL), Ring(30.0, DARK, 12.0))
    request = build_hole_request(card="on-face")
    result = measure_hole(drawn(phone_over((60.0, 40.0, 400.0)), rings), request, CARD)
    assert [circle.name for circle in result.circles] == ["bore", "step1"]
    assert "card-beside" not in [notice.code for notice in result.notices]


def test_a_bore_with_a_broken_edge_in_the_face_that_the_card_lies_on_stays_a_bore():
    rings = (Ring(60.0, WALL), Ring(57.0, DARK, 1.5))
    request = build_hole_request(card="on-face")
    result = measure_hole(drawn(phone_over((60.0, 40.0, 400.0)), rings), request, CARD)
    assert result.circles[0].name == "bore"
