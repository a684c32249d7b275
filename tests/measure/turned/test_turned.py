"""Several traces of one piece brought together, against exact oval pieces."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pytest

from calib.refusal import BadFileError, RefusalError
from measure import turnedjob
from measure.evened import even_out
from measure.profile import Profile
from measure.profilefile import profile_csv
from measure.result import TraceRequest, TraceResult
from measure.sidebyside import joined, side_by_side
from measure.turned import bring_together
from measure.turnedrequest import check_several
from measure.turnedwords import oval_data, oval_lines, ovals_csv
from measure.units import units_for

U95, COMMON = 0.10, 0.04
TURNS = np.deg2rad([0.0, 60.0, 120.0])


def mean_diameter(z: np.ndarray) -> np.ndarray:
    d = 36.0 + 4.0 * np.sin(z / 14.0) - 0.03 * z
    return np.where(z < 20.0, 24.0, d)


def oval_profile(
    turn_rad: float, oval_mm: float, widest_rad: float, rng=None, shift_mm: float = 0.0
) -> Profile:
    """Return what a photo sees of a piece whose sections are ellipses, widest at one turn."""
    z = np.sort(np.concatenate([np.arange(0.0, 150.01, 0.25), [20.0]]))
    d = mean_diameter(z + shift_mm)
    d[np.flatnonzero(z == 20.0)[0]] = 24.0
    a, b = 0.5 * (d + 0.5 * oval_mm), 0.5 * (d - 0.5 * oval_mm)
    off = turn_rad - widest_rad
    w = 2.0 * np.sqrt((a * np.cos(off)) ** 2 + (b * np.sin(off)) ** 2)
    if rng is not None:
        local = np.sqrt(U95**2 - COMMON**2) / 1.96
        w = w * (1.0 + COMMON / 1.96 / 36.0 * rng.standard_normal())
        w = w + local * rng.standard_normal(len(z))
    return Profile(z, w, np.full_like(z, U95), np.full_like(z, COMMON))


def trace_of(profile: Profile, name: str) -> TraceResult:
    return TraceResult(
        photo_name=name, setup="bench", scale_from="ID-1 card", lens_from="exif", z_zero="end",
        length_mm=150.0, length_u95_mm=0.3, profile=profile, notices=(), left_out=(),
        outline_px=np.zeros((0, 2)), outline_z_mm=np.zeros(0), axis_px=np.zeros((2, 2)),
        target_px=np.zeros((4, 2)), tilt_deg=20.0, px_per_mm=8.0,
    )  # fmt: skip


def traces(oval_mm: float, widest_deg: float, turns=TURNS, rng=None) -> list[TraceResult]:
    return [
        trace_of(oval_profile(t, oval_mm, np.deg2rad(widest_deg), rng), f"{k}.jpg")
        for k, t in enumerate(turns)
    ]


@pytest.mark.parametrize("widest_deg", [0.0, 40.0, 75.0, 110.0, 165.0])
def test_an_oval_piece_is_sized_and_its_mean_given(widest_deg: float) -> None:
    together = bring_together(traces(0.5, widest_deg), TURNS)
    place = together.largest()
    assert together.oval is not None
    assert place is not None
    assert place.size_mm == pytest.approx(0.5, abs=2e-3)
    assert place.turn_rad is not None
    off = (np.rad2deg(place.turn_rad) - widest_deg + 90.0) % 180.0 - 90.0
    assert abs(off) < 0.5
    profile = together.result.profile
    clear = np.abs(profile.z_mm - 20.0) > 1.0
    assert np.allclose(profile.diameter_mm[clear], mean_diameter(profile.z_mm)[clear], atol=2e-3)


def test_noise_of_the_photos_is_covered() -> None:
    rng = np.random.default_rng(1)
    hits, means = [], []
    for _ in range(40):
        together = bring_together(traces(0.6, 70.0, rng=rng), TURNS)
        assert together.oval is not None
        hits.append(np.mean(np.abs(together.oval.size_mm - 0.6) <= together.oval.size_u95_mm))
        profile = together.result.profile
        clear = np.abs(profile.z_mm - 20.0) > 1.0
        off = np.abs(profile.diameter_mm - mean_diameter(profile.z_mm))[clear]
        means.append(np.mean(off <= profile.u95_mm[clear]))
    assert np.mean(hits) >= 0.93
    assert np.mean(means) >= 0.93


def test_two_photos_give_a_lower_bound_and_say_so() -> None:
    turns = np.deg2rad([0.0, 90.0])
    together = bring_together(traces(0.5, 0.0, turns), turns)
    assert together.oval is None
    place = together.largest()
    assert place is not None
    assert 0.2 < place.size_mm < 0.5
    assert "oval-bound" in {n.code for n in together.result.notices}
    assert "lower bound" in " ".join(oval_lines(together, units_for(False)))
    assert oval_data(together)["oval"]["lower_bound_only"] is True
    hidden = bring_together(traces(0.5, 45.0, turns), turns)
    assert hidden.largest() is None
    assert "may still be oval" in " ".join(oval_lines(hidden, units_for(False)))


def test_a_piece_that_was_not_moved_is_averaged() -> None:
    rng = np.random.default_rng(2)
    together = bring_together(traces(0.0, 0.0, rng=rng), None)
    assert together.oval is None
    assert together.bound_mm is None
    assert np.median(together.result.profile.u95_mm) < U95
    assert np.all(together.result.profile.u95_mm >= COMMON - 1e-9)
    assert "not moved" in " ".join(oval_lines(together, units_for(False)))


def test_ends_found_a_little_apart_make_no_oval() -> None:
    shifted = oval_profile(0.0, 0.0, 0.0, shift_mm=0.3)
    plain = [trace_of(oval_profile(0.0, 0.0, 0.0), f"{k}.jpg") for k in range(2)]
    together = bring_together([*plain, trace_of(shifted, "c.jpg")], TURNS)
    assert together.oval is not None
    assert np.mean(together.oval.found) < 0.02


def test_other_piece_and_other_end_are_refused() -> None:
    first = trace_of(oval_profile(0.0, 0.0, 0.0), "a.jpg")
    p = first.profile
    back = Profile(150.0 - p.z_mm[::-1], p.diameter_mm[::-1], p.u95_mm, p.u95_common_mm)
    with pytest.raises(RefusalError) as caught:
        bring_together([first, trace_of(back, "b.jpg")], np.deg2rad([0.0, 90.0]))
    assert caught.value.notice.code == "photos-flipped"
    other = Profile(p.z_mm, 60.0 + 12.0 * np.cos(p.z_mm / 5.0), p.u95_mm, p.u95_common_mm)
    with pytest.raises(RefusalError) as caught:
        bring_together([first, trace_of(other, "b.jpg")], np.deg2rad([0.0, 90.0]))
    assert caught.value.notice.code == "photos-differ"


def test_files() -> None:
    together = bring_together(traces(0.5, 30.0), TURNS)
    assert profile_csv(together.result.profile)
    rows = list(csv.DictReader(io.StringIO(ovals_csv(together).decode())))
    assert len(rows) > 100
    assert float(rows[50]["oval_mm"]) == pytest.approx(0.5, abs=0.01)
    assert rows[50]["found"] == "1"
    assert oval_data(together)["oval"]["widest_deg"] == pytest.approx(30.0, abs=0.5)


def test_only_places_that_all_photos_show_are_compared() -> None:
    a, b = oval_profile(0.0, 0.0, 0.0), oval_profile(0.0, 0.0, 0.0)
    kept = (b.z_mm < 60.0) | (b.z_mm > 80.0)
    cut = Profile(b.z_mm[kept], b.diameter_mm[kept], b.u95_mm[kept], b.u95_common_mm[kept])
    rows = side_by_side([a, cut], [0.0, 0.0])
    assert not np.any((rows.z_mm > 60.0) & (rows.z_mm < 80.0) & rows.by_all)
    assert len(joined(rows).pieces()) == 1


@pytest.mark.parametrize(
    ("count", "turned", "request_"),
    [
        (1, "0", TraceRequest()),
        (3, "0,60", TraceRequest()),
        (2, "0,x", TraceRequest()),
        (2, "0,nan", TraceRequest()),
        (2, "0,1e9", TraceRequest()),
        (2, None, TraceRequest(box_px=(0.0, 0.0, 9.0, 9.0))),
        (2, "0,90", TraceRequest(known=((10.0, 20.0),))),
        (30, None, TraceRequest()),
    ],
)
def test_words_that_do_not_go_together(tmp_path, count, turned, request_) -> None:
    photos = [tmp_path / f"{k}.jpg" for k in range(count)]
    with pytest.raises(BadFileError) as caught:
        check_several(photos, request_, turned)
    assert caught.value.notice.code == "bad-option"


def test_one_photo_named_twice(tmp_path) -> None:
    with pytest.raises(BadFileError, match="twice"):
        check_several([tmp_path / "a.jpg", tmp_path / "a.jpg"], TraceRequest(), "0,60")


def test_copies_of_one_photo(tmp_path) -> None:
    photos = [tmp_path / name for name in ("a.jpg", "b.jpg", "c.jpg")]
    for photo, content in zip(photos, (b"one", b"two", b"one"), strict=True):
        photo.write_bytes(content)
    with pytest.raises(BadFileError, match=r"a\.jpg and c\.jpg are one and the same photo"):
        check_several(photos, TraceRequest(), None)
    assert check_several(photos[:2], TraceRequest(), None) is None


def test_turns_are_read_in_degrees(tmp_path) -> None:
    photos = [tmp_path / f"{k}.jpg" for k in range(3)]
    turns = check_several(photos, TraceRequest(), "0,60,120")
    assert turns is not None
    assert np.allclose(turns, TURNS)
    assert check_several(photos, TraceRequest(), None) is None


def test_what_one_photo_hides_another_shows() -> None:
    a = oval_profile(0.0, 0.0, 0.0)
    kept = (a.z_mm < 60.0) | (a.z_mm > 80.0)
    cut = Profile(a.z_mm[kept], a.diameter_mm[kept], a.u95_mm[kept], a.u95_common_mm[kept])
    for pair in ([a, cut], [cut, a]):
        together = bring_together([trace_of(p, f"{k}.jpg") for k, p in enumerate(pair)], None)
        profile = together.result.profile
        assert len(profile.pieces()) == 1
        assert np.allclose(profile.diameter_mm, a.diameter_mm, atol=1e-6)
        assert together.result.left_out == ()
        between = (profile.z_mm > 61.0) & (profile.z_mm < 79.0)
        assert np.allclose(profile.u95_mm[between], U95)
    both = bring_together([trace_of(cut, "a.jpg"), trace_of(cut, "b.jpg")], None).result
    assert [(part.z_from_mm, part.z_to_mm) for part in both.left_out] == [(59.75, 80.25)]


@pytest.mark.parametrize("turns_deg", [(0.0, 90.0), (0.0, 60.0, 120.0)])
def test_a_round_piece_is_seldom_said_to_be_oval_anywhere(turns_deg) -> None:
    rng = np.random.default_rng(9)
    turns = np.deg2rad(turns_deg)
    said = 0
    for _ in range(40):
        said += bring_together(traces(0.0, 0.0, turns, rng), turns).largest() is not None
    # 5 % of 40 is 2; more than 5 has a chance of 1.4 %.
    assert said <= 5


def test_the_largest_oval_is_sized_as_well_as_it_is_said_to_be() -> None:
    """The most oval of hundreds of places is so by chance as well: half a millimetre stays it."""
    rng = np.random.default_rng(12)
    off, within = [], []
    for widest in range(0, 180, 6):
        place = bring_together(traces(0.5, widest, rng=rng), TURNS).largest()
        assert place is not None
        assert place.u95_mm is not None
        off.append(abs(place.size_mm - 0.5))
        within.append(off[-1] <= place.u95_mm)
    assert max(off) < 0.2
    assert np.mean(within) >= 0.9


def test_a_few_rows_on_which_photos_differ_are_no_oval() -> None:
    shots = traces(0.0, 0.0)
    spoiled = shots[1].profile.diameter_mm.copy()
    spoiled[200:203] += 0.8
    shots[1] = replace(shots[1], profile=replace(shots[1].profile, diameter_mm=spoiled))
    assert bring_together(shots, TURNS).largest() is None


def test_a_taper_laid_on_askew_is_no_oval() -> None:
    """On a cone of 0.4 mm a millimetre, photos 0.3 mm apart along the axis differ by 0.12 mm."""
    z = np.arange(0.0, 100.01, 0.25)
    cone = [20.0 + 0.4 * (z + shift) for shift in (0.0, 0.3)]
    u = np.full_like(z, 0.02)
    rows = side_by_side([Profile(z, d, u, 0.5 * u) for d in cone], [0.0, 0.0])
    sure, unsure = (even_out(rows, np.array([0.0, u95])) for u95 in (0.0, 0.3))
    difference = np.diff(sure.diameter_mm, axis=0)[0]
    assert np.all(difference > np.hypot(*sure.u95_mm))
    assert np.all(difference < np.hypot(*unsure.u95_mm))


class _Photo:
    """Stands for a photo whose picture nobody asks for."""

    def __init__(self, name: str) -> None:
        self.name, self.bgr = name, np.zeros((8, 8, 3), np.uint8)


@pytest.mark.parametrize("hidden", [{"a.jpg"}, {"b.jpg"}, {"b.jpg", "c.jpg"}])
def test_a_photo_that_cannot_be_measured_is_left_out_and_named(
    tmp_path, monkeypatch, hidden
) -> None:
    shots = dict(zip(("a.jpg", "b.jpg", "c.jpg"), traces(0.5, 20.0), strict=True))

    def trace_one(path, request, progress, name=None):
        if path.name in hidden:
            raise RefusalError("no-target", f"No card is to be seen in {path.name}.", "Lay one.")
        return _Photo(path.name), replace(shots[path.name], photo_name=path.name)

    monkeypatch.setattr(turnedjob, "trace_one", trace_one)
    arguments = ([tmp_path / name for name in shots], TURNS, TraceRequest())
    words = {"out": tmp_path / "out", "inches": False, "report": False, "quietly": True}
    if len(hidden) > 1:
        with pytest.raises(RefusalError, match=r"b\.jpg"):
            turnedjob.trace_photos(*arguments, **words)
        assert not (tmp_path / "out").exists()
        return
    outcome = turnedjob.trace_photos(*arguments, **words)
    seen = [name for name in shots if name not in hidden]
    turns = [turn for name, turn in zip(shots, (0.0, 60.0, 120.0), strict=True) if name in seen]
    assert outcome.data["photos"] == seen
    assert outcome.data["turned_deg"] == turns
    assert outcome.data["oval"]["lower_bound_only"]
    named = [n.message for n in outcome.notices if n.code == "photo-left-out"]
    assert len(named) == 1
    assert next(iter(hidden)) in named[0]


def test_photos_of_one_file_name_are_told_apart(tmp_path, monkeypatch) -> None:
    """Two phones both begin at IMG_0001."""
    paths = [tmp_path / folder / "a.jpg" for folder in ("mine", "yours", "hers")]
    shots = dict(zip(paths, traces(0.5, 20.0), strict=True))

    def trace_one(path, request, progress, name):
        if path is paths[1]:
            raise RefusalError("no-target", "No card is to be seen in a.jpg.", "Lay one.")
        return _Photo(name), replace(shots[path], photo_name=name)

    monkeypatch.setattr(turnedjob, "trace_one", trace_one)
    outcome = turnedjob.trace_photos(
        paths, TURNS, TraceRequest(), out=tmp_path / "out", inches=False, report=False,
        quietly=True,
    )  # fmt: skip
    assert outcome.data["photos"] == [str(paths[0]), str(paths[2])]
    (left_out,) = (n.message for n in outcome.notices if n.code == "photo-left-out")
    assert left_out.startswith(f"{paths[1]}: ")


def test_no_row_and_no_gap_lies_beyond_the_length_of_all():
    """One photo takes the end for 2 mm farther out than the others do."""
    plain = traces(0.0, 0.0)
    far = replace(plain[0], length_mm=152.0, length_u95_mm=0.6)
    result = bring_together([far, *plain[1:]], None).result
    assert result.length_mm is not None
    assert 150.0 < result.length_mm < 151.0
    assert result.profile.z_mm[-1] <= result.length_mm
    assert all(gap.z_to_mm <= result.length_mm for gap in result.left_out)

    near = [replace(r, length_mm=149.1) for r in plain]
    result = bring_together(near, None).result
    assert result.profile.z_mm[-1] == pytest.approx(149.0)
