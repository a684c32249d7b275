import numpy as np
import pytest
from lenssim import SIZE, simulate

from calib.lensadvice import next_photo
from calib.lenscalibrate import NamedView, calibrate
from calib.lenscoverage import bend_sd_px, coverage_of
from calib.lensmodel import PageView
from calib.refusal import RefusalError


def refusal(views):
    with pytest.raises(RefusalError) as caught:
        calibrate(views, SIZE)
    assert caught.value.exit_status == 3
    return caught.value.notice


def codes(calibration):
    return [notice.code for notice in calibration.notices]


def test_a_good_set_gives_a_lens_and_no_complaint():
    # Near enough that the page fills the picture and runs out of it in some photos.
    lens, views = simulate(2, distance=(230, 300), aim_mm=40.0)
    found = calibrate(views, SIZE)
    assert found.lens.focal_px == pytest.approx(lens[0], rel=0.001)
    assert found.lens.centre_px == pytest.approx(lens[1:3], abs=3.0)
    assert len(found.used) == 10
    assert found.left_out == ()
    assert codes(found) == []
    assert found.focus_sd == 0.003
    assert found.bow_mm == 0.0
    assert np.linalg.eigvalsh(found.lens.covariance)[0] > 0.0


def test_the_same_photo_twice_counts_once():
    _, views = simulate(2)
    again = NamedView("copy.jpg", views[3].view)
    found = calibrate([*views, again], SIZE)
    assert len(found.used) == 10
    assert found.left_out == (
        ("copy.jpg", "taken from the same place as photo4.jpg, or the same photo"),
    )


def test_a_bad_view_is_left_out_with_the_reason():
    lens, views = simulate(2)
    random = np.random.default_rng(0)
    bad = views[4].view
    shaken = PageView(
        bad.points_mm, bad.points_px + random.normal(0, 1.2, bad.points_px.shape), bad.sd_px
    )
    views[4] = NamedView("shaken.jpg", shaken)
    found = calibrate(views, SIZE)
    assert [name for name, _ in found.left_out] == ["shaken.jpg"]
    assert "off by 1.2" in found.left_out[0][1]
    assert found.lens.focal_px == pytest.approx(lens[0], rel=0.001)


def test_too_few_photos_are_refused():
    _, views = simulate(2)
    notice = refusal(views[:3])
    assert notice.code == "lens-too-few"
    assert "3 of 3" in notice.message
    # Copies do not make a set.
    assert refusal([views[0]] * 6).code == "lens-too-few"


def test_photos_from_straight_above_are_refused():
    for seed in range(2):
        _, views = simulate(seed, tilt=1.0, noise=0.1)
        notice = refusal(views)
        assert notice.code == "lens-flat-views"
        assert "tilted" in notice.advice


def test_a_page_only_in_the_middle_is_refused():
    _, views = simulate(1, distance=(900, 1000), aim_mm=5.0, noise=0.1)
    notice = refusal(views)
    assert notice.code == "lens-middle-only"
    assert "corner" in notice.advice


def test_a_bowed_page_is_said_to_be_so_and_allowed_for():
    lens, views = simulate(4, bow_mm=0.8)
    found = calibrate(views, SIZE)
    assert "page-bowed" in codes(found)
    assert 0.4 < found.bow_mm < 4.0
    assert found.lens.focal_px == pytest.approx(lens[0], rel=0.001)


def test_a_page_printed_at_the_wrong_scale_gives_the_right_lens():
    lens, views = simulate(4)
    small = [
        NamedView(v.name, PageView(v.view.points_mm / 0.94, v.view.points_px, v.view.sd_px))
        for v in views
    ]
    one, other = calibrate(views, SIZE), calibrate(small, SIZE)
    assert other.lens.focal_px == pytest.approx(one.lens.focal_px, rel=1e-5)
    assert one.lens.focal_px == pytest.approx(lens[0], rel=0.001)


def test_a_print_stretched_one_way_is_named():
    lens, views = simulate(4, ratio=1.02)
    found = calibrate(views, SIZE)
    assert "page-stretched" in codes(found)
    assert "2.0 % taller" in next(n for n in found.notices if n.code == "page-stretched").message
    assert found.lens.focal_px == pytest.approx(lens[0], rel=0.001)


def test_focus_that_moves_widens_the_term_for_later_photos():
    _, views = simulate(6, focus=0.008)
    found = calibrate(views, SIZE)
    assert found.fit.terms.focusing
    assert found.focus_sd > 0.004


def test_outer_parts_without_the_page_are_named():
    _, views = simulate(4, distance=(360, 390), aim_mm=5.0)
    found = calibrate(views, SIZE)
    assert found.coverage.reach < 0.8
    notice = next(n for n in found.notices if n.code == "lens-corners-missing")
    assert "outer parts" in notice.message


def test_an_empty_corner_of_the_picture_is_named():
    _, views = simulate(2, distance=(230, 300), aim_mm=40.0)
    cut = []
    for named in views:
        seen = named.view
        keep = (seen.points_px[:, 0] > 1100) | (seen.points_px[:, 1] < 1900)
        view = PageView(seen.points_mm[keep], seen.points_px[keep], seen.sd_px[keep])
        cut.append(NamedView(named.name, view))
    found = calibrate(cut, SIZE)
    assert found.coverage.empty_corners == ("bottom left",)
    notice = next(n for n in found.notices if n.code == "lens-corners-missing")
    assert "bottom left" in notice.message


def test_coverage_counts_every_corner():
    _, views = simulate(3)
    found = calibrate(views, SIZE)
    coverage = coverage_of([v.view for v in views], found.fit.poses, SIZE)
    assert coverage.counts.sum() == sum(len(v.view.points_px) for v in views)
    # The tilts that `lenssim.PLACES` asks for, give or take 3 degrees each.
    wanted = [3, 35, 35, 35, 35, 20, 20, 20, 20, 8]
    assert coverage.tilts_deg == pytest.approx(wanted, abs=10)


def test_bending_is_known_best_near_the_centre():
    _, views = simulate(3)
    lens = calibrate(views, SIZE).lens
    along = np.column_stack([np.linspace(2015, 4031, 6), np.full(6, 1511.0)])
    assert np.all(np.diff(bend_sd_px(lens, along)) > 0.0)


def test_the_advised_photo_gains_what_it_promises():
    # Five photos only, then the photo that the advice names, simulated and added.
    gains = []
    for seed in range(3):
        _, views = simulate(seed, photos=4, noise=0.3, focus=0.003)
        before = calibrate(views, SIZE)
        advice = next_photo(before)
        assert advice is not None
        assert advice.focal_sd_then <= advice.focal_sd
        assert advice.bend_sd_px_then <= advice.bend_sd_px
        gains.append(advice.bend_sd_px_then / advice.bend_sd_px)
    assert min(gains) < 0.9


def test_a_lens_known_well_enough_gets_no_advice():
    _, views = simulate(2, distance=(230, 300), aim_mm=40.0, noise=0.02)
    assert next_photo(calibrate(views, SIZE)) is None
