"""Whole tools of exactly known shape, seen by one phone or turned before it."""

from __future__ import annotations

import numpy as np
import pytest
from scene import tool_view

from calib.refusal import BadFileError, RefusalError
from measure.blade import Thickness
from measure.cutter import FLAT, measure_tool
from measure.cutterjob import measure_cutter
from measure.result import TraceRequest
from measure.steps import Step
from measure.toolrequest import build_tool_request
from measure.toolroles import Role, find_roles

BORER = [(60.0, 5.95), (8.0, 20.95), (20.0, 18.9), (45.0, 12.45)]
SPADE = [(100.0, 3.2), (35.0, 12.5)]
CENTRED = [(0.0, 0.0)] * 4


def codes(tool):
    return [notice.code for notice in tool.notices]


def test_steps_roles_and_stock_of_a_boring_tool():
    tool = measure_tool([tool_view(BORER, noise_px=0.1)], [0.0])
    assert [s.role for s in tool.steps] == [Role.SHANK, Role.CUTTING, Role.CUTTING, Role.PILOT]
    assert tool.tip_mm == pytest.approx(133.0)
    assert [round(s.step.diameter_mm, 1) for s in tool.steps] == [11.9, 41.9, 37.8, 24.9]
    assert tool.steps[3].stock[0].size.name == "25 mm"
    assert codes(tool) == ["lower-bound"]
    for step in tool.steps[1:]:
        assert step.swept is not None
        assert step.swept.is_lower_bound
        assert step.swept.diameter_mm == pytest.approx(step.step.diameter_mm, abs=0.08)


@pytest.mark.parametrize("way_deg", [0.0, 40.0, 90.0, 200.0, 300.0])
@pytest.mark.parametrize("reversed_second", [False, True])
def test_a_cutter_off_centre_cuts_larger_than_it_is_wide(way_deg, reversed_second):
    """0.4 mm off in any direction: twice that more than its width, within 0.15 mm."""
    e = (0.4 * np.cos(np.radians(way_deg)), 0.4 * np.sin(np.radians(way_deg)))
    offsets = [(0.0, 0.0), e, e, (0.0, 0.0)]
    one = tool_view(BORER, offsets, 0.0, 0.15, seed=1)
    two = tool_view(BORER, offsets, 90.0, 0.15, seed=2, reversed_z=reversed_second)
    tool = measure_tool([one, two], [0.0, np.pi / 2.0])
    for index, true in ((1, 42.7), (2, 38.6)):
        swept = tool.steps[index].swept
        assert swept is not None
        assert not swept.is_lower_bound
        assert swept.diameter_mm == pytest.approx(true, abs=0.15)
        assert abs(swept.diameter_mm - true) <= swept.u95_mm + 0.02
    assert codes(tool).count("off-centre") == 2
    pilot = tool.steps[3].swept
    assert pilot is not None
    assert pilot.diameter_mm == pytest.approx(24.9, abs=0.1)


def test_sides_are_given_apart():
    offsets = [(0.0, 0.0), (0.4, 0.0), (0.0, 0.0), (0.0, 0.0)]
    step = measure_tool([tool_view(BORER, offsets, noise_px=0.1)], [0.0]).steps[1]
    assert step.reach_mm == pytest.approx((21.35, 20.55), abs=0.05)


def test_an_offset_toward_the_phone_stays_a_lower_bound():
    offsets = [(0.0, 0.0), (0.0, 0.4), (0.0, 0.4), (0.0, 0.0)]
    tool = measure_tool([tool_view(BORER, offsets, noise_px=0.1)], [0.0])
    swept = tool.steps[1].swept
    assert swept is not None
    assert swept.is_lower_bound
    assert swept.diameter_mm - swept.u95_mm <= 42.7
    assert "lower-bound" in codes(tool)


def test_a_bent_tool_cuts_by_its_far_end():
    """The pilot runs askew by 0.01: 0.45 mm over its 45 mm, all beyond the shoulder."""
    from scene import cylinder, lying, phone

    view = tool_view(BORER, noise_px=0.05)
    rays = []
    camera, axis = phone(), lying(15.95, rise=0.0)
    pieces = cylinder(camera, axis, 12.45, 88.0, 133.0)
    z = np.arange(88.0, 133.0 + 1e-9, 0.1)
    for sign, side, pixels in zip((1, -1), view.rays, pieces, strict=True):
        # Slide the pilot's outline across by 0.01 of its distance from the shoulder.
        keep = side[: -len(z)]
        points = camera.rays(pixels)
        normal = np.cross(points, axis.direction)
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        back = camera.camera_centre_mm - axis.point_mm
        depth = np.linalg.norm(back) / np.linalg.norm(points, axis=1, keepdims=True)
        out = np.sign(normal @ back)[:, None] * normal
        rays.append(np.vstack([keep, points * depth + sign * 0.01 * (z - 88.0)[:, None] * out]))
    bent = type(view)(view.profile, view.camera_mm, view.axis, (rays[0], rays[1]))
    swept = measure_tool([bent], [0.0]).steps[3].swept
    assert swept is not None
    assert swept.diameter_mm == pytest.approx(24.9 + 0.9, abs=0.12)


def test_a_spade_is_flat():
    tool = measure_tool(
        [tool_view(SPADE, noise_px=0.1, flat=2.5)],
        [0.0],
        form=FLAT,
        thickness=Thickness(2.5, 0.05, "given"),
    )
    assert [s.role for s in tool.steps] == [Role.SHANK, Role.CUTTING]
    blade = tool.steps[1]
    assert blade.step.diameter_mm == pytest.approx(25.0, abs=0.05)
    assert blade.swept is not None
    assert blade.swept.diameter_mm == pytest.approx(2.0 * np.hypot(12.5, 1.25), abs=0.08)
    assert blade.swept.is_lower_bound


def test_a_thickness_that_was_not_given_is_assumed_and_said_so():
    alone = measure_tool([tool_view(SPADE, noise_px=0.1, flat=2.5)], [0.0], form=FLAT)
    assert "thickness-assumed" in codes(alone)
    blade = alone.steps[1].step
    assert abs(blade.diameter_mm - 25.0) <= blade.u95_mm


def test_a_spade_on_edge_shows_how_far_its_plane_passes_the_axis():
    flat = tool_view(SPADE, noise_px=0.1, flat=2.5)
    edge = tool_view(SPADE, turned_deg=90.0, noise_px=0.1, flat=2.5)
    both = measure_tool(
        [flat, edge],
        [0.0, np.pi / 2.0],
        form=FLAT,
        thickness=Thickness(2.5, 0.05, "given"),
        shank_first=True,
    )
    swept = both.steps[1].swept
    assert swept is not None
    assert not swept.is_lower_bound
    assert abs(swept.diameter_mm - 2.0 * np.hypot(12.5, 1.25)) <= swept.u95_mm
    assert swept.u95_mm < 0.3


def test_a_spade_taken_for_round_shows_itself_on_edge():
    flat = tool_view(SPADE, noise_px=0.05, flat=2.5)
    edge = tool_view(SPADE, turned_deg=90.0, noise_px=0.05, flat=2.5)
    tool = measure_tool([flat, edge], [0.0, np.pi / 2.0], shank_first=True)
    assert "not-round" in codes(tool)


@pytest.mark.parametrize(("size", "length"), [(6.0, 60.0), (9.0, 33.0)])
def test_another_tool_is_refused(size, length):
    other = tool_view([(40.0, size), (60.0, 10.0), (length, 25.0)])
    with pytest.raises(RefusalError) as refusal:
        measure_tool([tool_view(BORER), other], [0.0, np.pi / 2.0])
    assert refusal.value.notice.code == "tools-differ"


def test_hidden_shank_is_refused():
    view = tool_view(BORER)
    far = tuple(side[700:] for side in view.rays)
    hidden = type(view)(view.profile, view.camera_mm, view.axis, far)
    with pytest.raises(RefusalError) as refusal:
        measure_tool([hidden], [0.0])
    assert refusal.value.notice.code == "shank-hidden"


def test_misuse():
    with pytest.raises(ValueError, match="as many turns"):
        measure_tool([tool_view(BORER)], [0.0, 1.0])
    with pytest.raises(ValueError, match="form"):
        measure_tool([tool_view(BORER)], [0.0], form="square")


def steps_of(*sizes, point=None):
    """Return steps of (length, diameter); `point` is the index of a pointed one."""
    ends = np.cumsum([0.0, *(length for length, _ in sizes)])
    return [
        Step(ends[i], ends[i + 1], 0.1, 0.1, d, 0.1, 0.05, d, d, i == point)
        for i, (_, d) in enumerate(sizes)
    ]


ROLE_CASES = [
    ("stepped borer", [(60, 11.9), (8, 41.9), (20, 37.8), (45, 24.9)], None, "SCCP"),
    ("the same turned round", [(45, 24.9), (20, 37.8), (8, 41.9), (60, 11.9)], None, "PCCS"),
    ("drill with a point", [(60, 10), (70, 12), (4, 12)], 2, "SCO"),
    ("spade with a point", [(100, 6.3), (35, 25), (14, 25)], 2, "SCO"),
    ("counterbore", [(50, 12), (15, 32), (20, 16)], None, "SCP"),
    ("head with a neck", [(50, 12), (20, 9), (10, 35), (8, 8)], None, "SNCP"),
    ("plain rod", [(90, 10)], None, "C"),
]


@pytest.mark.parametrize(("name", "sizes", "point", "want"), ROLE_CASES)
def test_roles(name, sizes, point, want):
    letters = {"shank": "S", "cutting": "C", "pilot": "P", "neck": "N", "point": "O"}
    roles = find_roles(steps_of(*sizes, point=point))
    assert "".join(letters[role] for role in roles.of_step) == want
    # A head with a thin tip could be held by either end.
    assert roles.sure == (name != "head with a neck")


def test_a_shank_that_could_be_either_is_a_guess_until_told():
    like = steps_of((40, 12.0), (20, 30.0), (40, 12.0))
    assert not find_roles(like).sure
    told = find_roles(like, shank_first=False)
    assert told.sure
    assert told.shank == 2
    assert told.from_tip() == [0, 1, 2]


def test_one_photo_given_for_both_turns_is_refused(tmp_path):
    photo = tmp_path / "borer.jpg"
    photo.write_bytes(b"never read")
    asked = build_tool_request(2, turned="0,90")
    with pytest.raises(BadFileError, match="twice"):
        measure_cutter(
            [photo, photo], TraceRequest(), asked, mechanism_file=None, out=tmp_path / "o",
            inches=False, report=False, quietly=True,
        )  # fmt: skip
    assert not (tmp_path / "o").exists()
