"""Walls between bores and outline against sums by hand."""

from __future__ import annotations

import numpy as np
import pytest

from calib.refusal import BadFileError, RefusalError
from measure.advice import first_drill
from measure.mechanism import Bore, Mechanism
from measure.profile import Profile
from measure.units import INCHES, METRIC
from measure.wall import section_of, wood_parts


def cone(d0: float, d1: float, length: float = 100.0, u95: float = 0.2) -> Profile:
    z = np.arange(0.0, length + 0.01, 0.25)
    u = np.full(len(z), u95)
    return Profile(z, d0 + (d1 - d0) * z / length, u, 0.5 * u)


def bore(name: str, d: float, depth: float | None, end: str = "foot", part: str = "body") -> Bore:
    return Bore(name, d, depth, end, part, tolerance_mm=0.4, depth_tolerance_mm=1.0)


SIMPLE = Mechanism("simple", (bore("seat", 40.0, 20.0), bore("chamber", 25.0, None)))


def test_wall_of_a_cone_by_hand() -> None:
    profile = cone(60.0, 50.0)
    section = section_of(profile, SIMPLE, wood_parts(100.0, SIMPLE, None, 0.4), 5.0)
    wall = section.walls[0]
    at = {h: int(np.argmin(np.abs(wall.height_mm - h))) for h in (0.0, 10.0, 20.5, 50.0, 100.0)}
    for height, hole in ((0.0, 40.0), (10.0, 40.0), (50.0, 25.0), (100.0, 25.0)):
        i = at[height]
        assert wall.nominal_mm[i] == pytest.approx(0.5 * (60.0 - 0.1 * height - hole))
        assert wall.worst_mm[i] == pytest.approx(wall.nominal_mm[i] - 0.5 * (0.2 + 0.4))
    # Half a millimetre beyond the stop the seat may still be: its depth is 20 ± 1.
    assert wall.worst_mm[at[20.5]] < 9.0 < wall.nominal_mm[at[20.5]]
    assert section.thin == ()


def test_thin_places_are_named_where_they_are() -> None:
    profile = cone(60.0, 50.0)
    waist = profile.diameter_mm.copy()
    waist[(profile.z_mm >= 60.0) & (profile.z_mm <= 64.0)] = 33.0
    thin_piece = Profile(profile.z_mm, waist, profile.u95_mm, profile.u95_common_mm)
    section = section_of(thin_piece, SIMPLE, wood_parts(100.0, SIMPLE, None, 0.4), 5.0)
    (place,) = section.thin
    assert 59.7 < place.from_mm <= 60.0
    assert 64.0 <= place.to_mm < 64.3
    assert place.nominal_mm == pytest.approx(4.0)
    assert place.worst_mm == pytest.approx(3.7)


def test_only_the_bore_that_is_wider_than_a_rounded_end_is_named() -> None:
    profile = cone(60.0, 50.0)
    rounded = np.where(profile.z_mm < 2.0, 38.0, profile.diameter_mm)
    piece = Profile(profile.z_mm, rounded, profile.u95_mm, profile.u95_common_mm)
    section = section_of(piece, SIMPLE, wood_parts(100.0, SIMPLE, None, 0.4), 5.0)
    assert [placed.bore.name for placed in section.opens] == ["seat"]


@pytest.mark.parametrize("turned_down_mm", [44.0, 38.0])
def test_a_shoulder_where_the_cap_begins_is_not_the_caps(turned_down_mm: float) -> None:
    """The cap is 56 mm at its foot, whatever the body is turned down to under it."""
    runs = [(0.0, 60.0, 60.0), (60.0, 70.0, turned_down_mm), (70.0, 100.0, 56.0)]
    places = [np.arange(a, b + 0.01, 0.25) for a, b, _ in runs]
    z = np.concatenate(places)
    d = np.concatenate([np.full(len(p), run[2]) for p, run in zip(places, runs, strict=True)])
    u = np.full(len(z), 0.1)
    capped = Mechanism("capped", (bore("recess", 44.0, 10.0, "foot", "cap"),))
    parts = wood_parts(100.0, capped, 70.0, 0.4)
    section = section_of(Profile(z, d, u, u), capped, parts, 5.0)
    assert section.opens == ()
    wall = section.walls[1]
    assert wall.outside_mm[0] == pytest.approx(56.0)
    assert wall.nominal_mm[0] == pytest.approx(6.0)


def test_bore_wider_than_the_outline_is_refused_with_the_place() -> None:
    profile = cone(60.0, 50.0)
    waist = np.where(np.abs(profile.z_mm - 70.0) < 3.0, 24.0, profile.diameter_mm)
    piece = Profile(profile.z_mm, waist, profile.u95_mm, profile.u95_common_mm)
    with pytest.raises(RefusalError, match=r"chamber.* at (6[7-9]|7[0-3])") as caught:
        section_of(piece, SIMPLE, wood_parts(100.0, SIMPLE, None, 0.4), 5.0)
    assert caught.value.notice.code == "bore-breaks-out"


def test_bore_may_open_in_a_rounded_end() -> None:
    z = np.arange(0.0, 100.01, 0.25)
    dome = 2.0 * np.sqrt(np.maximum(25.0**2 - np.maximum(z - 75.0, 0.0) ** 2, 0.0))
    u = np.full(len(z), 0.1)
    section = section_of(Profile(z, dome, u, u), SIMPLE, wood_parts(100.0, SIMPLE, None, 0.4), 5.0)
    assert [b.bore.name for b in section.opens] == ["chamber"]
    # The bore of 25 leaves where the dome of radius 25 is as wide; the dome falls at 45 degrees
    # where r = 25 / sqrt(2), 92.68 above the foot: beyond that it is the end, not a wall.
    (wall,) = section.walls
    known = wall.height_mm[np.isfinite(wall.nominal_mm)]
    assert known[-1] == pytest.approx(75.0 + 25.0 / np.sqrt(2.0), abs=0.3)
    assert np.nanmin(wall.nominal_mm[wall.height_mm > 50.0]) == pytest.approx(
        25.0 / np.sqrt(2.0) - 12.5, abs=0.3
    )
    assert not [t for t in section.thin if t.at_mm > 50.0]


def test_end_is_left_out_only_where_a_bore_leaves_by_it() -> None:
    """A blind bore that comes near the inside of a rounded end can still break through."""
    z = np.arange(0.0, 100.01, 0.25)
    dome = 2.0 * np.sqrt(np.maximum(25.0**2 - np.maximum(z - 75.0, 0.0) ** 2, 0.0))
    u = np.full(len(z), 0.1)
    blind = Mechanism("blind", (bore("chamber", 25.0, 95.0),))
    section = section_of(Profile(z, dome, u, u), blind, wood_parts(100.0, blind, None, 0.4), 5.0)
    assert not section.opens
    assert section.thin[-1].to_mm >= 95.0
    # At worst 1 mm deeper, 0.2 wider to a side, and the dome 0.05 smaller in radius.
    worst = np.sqrt(25.0**2 - 21.0**2) - 12.5 - 0.2 - 0.05
    assert section.thin[-1].worst_mm == pytest.approx(worst, abs=0.01)


def test_chamfer_of_less_than_45_degrees_is_a_wall() -> None:
    """From Ø 40 at 80 to Ø 26 at 100, 19 degrees: beside the bore of 25 half a millimetre."""
    z = np.arange(0.0, 100.01, 0.25)
    u = np.full(len(z), 0.1)
    taper = Profile(z, 40.0 - 0.7 * np.maximum(z - 80.0, 0.0), u, u)
    through = Mechanism("through", (bore("chamber", 25.0, None),))
    section = section_of(taper, through, wood_parts(100.0, through, None, 0.4), 5.0)
    (thin,) = section.thin
    assert (thin.at_mm, thin.nominal_mm) == pytest.approx((100.0, 0.5))


def test_unseen_stretch_has_no_wall() -> None:
    p = cone(60.0, 50.0)
    keep = (p.z_mm <= 40.0) | (p.z_mm >= 55.0)
    holed = Profile(p.z_mm[keep], p.diameter_mm[keep], p.u95_mm[keep], p.u95_common_mm[keep])
    section = section_of(holed, SIMPLE, wood_parts(100.0, SIMPLE, None, 0.4), 5.0)
    wall = section.walls[0]
    unseen = (wall.height_mm > 40.0) & (wall.height_mm < 55.0)
    assert unseen.any()
    assert np.all(np.isnan(wall.nominal_mm[unseen]))


CAPPED = Mechanism(
    "capped",
    (
        bore("chamber", 27.0, None),
        bore("seat", 42.0, 8.0),
        bore("grinder", 38.0, 28.0),
        bore("shaft hole", 24.0, None, "foot", "cap"),
        bore("recess", 44.0, 10.0, "foot", "cap"),
    ),
    shaft_length_mm=260.0,
    shaft_fixed_by="knob",
    shaft_foot_mm=4.0,
    shaft_proud_mm=11.0,
)


def test_order_is_from_each_end_widest_first() -> None:
    parts = wood_parts(100.0, CAPPED, 70.0, 0.4)
    section = section_of(cone(60.0, 58.0), CAPPED, parts, 5.0)
    names = [b.bore.name for b in section.bores]
    assert names == ["seat", "grinder", "chamber", "recess", "shaft hole"]


def test_neck_recess_and_shaft_by_hand() -> None:
    parts = wood_parts(100.0, CAPPED, 70.0, 0.4)
    assert parts[0].neck_mm == pytest.approx((43.6, 9.0))
    assert parts[0].high_mm == pytest.approx(79.0)
    section = section_of(cone(60.0, 58.0), CAPPED, parts, 5.0)
    assert section.recess_mm == pytest.approx((44.0, 43.6))
    assert section.shaft_cut_mm == pytest.approx(100.0 - 4.0 + 11.0)
    body = section.walls[0]
    i = int(np.argmin(np.abs(body.height_mm - 75.0)))
    assert body.nominal_mm[i] == pytest.approx(0.5 * (43.6 - 27.0))


def test_cap_without_a_split_is_asked_for() -> None:
    with pytest.raises(BadFileError) as caught:
        wood_parts(100.0, CAPPED, None, 0.4)
    assert caught.value.notice.code == "split-missing"
    with pytest.raises(BadFileError) as caught:
        wood_parts(100.0, CAPPED, 100.0, 0.4)
    assert caught.value.notice.code == "split-outside"


def test_bore_deeper_than_its_part_is_refused() -> None:
    deep = Mechanism("deep", (bore("well", 20.0, 100.0),))
    with pytest.raises(RefusalError) as caught:
        section_of(cone(60.0, 50.0), deep, wood_parts(100.0, deep, None, 0.4), 5.0)
    assert caught.value.notice.code == "bore-too-deep"


def test_bore_from_the_top_reaches_down() -> None:
    top = Mechanism("top", (bore("seat", 30.0, 15.0, "top"),))
    section = section_of(cone(60.0, 50.0), top, wood_parts(100.0, top, None, 0.4), 5.0)
    (seat,) = section.bores
    assert (seat.low_mm, seat.high_mm) == (85.0, 100.0)


def test_narrowest_bore_of_a_mechanism_is_not_called_the_pilots() -> None:
    """A stepped cutter brings its own pilot: `measure cutter` tells the drill for it."""
    section = section_of(cone(60.0, 50.0), SIMPLE, wood_parts(100.0, SIMPLE, None, 0.4), 5.0)
    for units, size in ((METRIC, "40 mm"), (INCHES, "1 37/64 in, 40 mm")):
        words = first_drill(section, units)
        assert words.startswith(f"First drill {size} (seat)")
        assert "25" not in words
        assert "measure cutter" in words
