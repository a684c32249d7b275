from dataclasses import replace

import numpy as np
import pytest
from test_lensfile import CAMERA, LENS, SAVED

from calib.exif import CameraId
from calib.folders import CONFIG_VARIABLE
from calib.lens import project
from calib.lenschoice import choose_lens, scaled_lens, turned_lens
from calib.lensfile import save_lens
from calib.orientation import displayed_points, displayed_size
from calib.photo import Photo


@pytest.fixture(autouse=True)
def config(tmp_path, monkeypatch):
    monkeypatch.setenv(CONFIG_VARIABLE, str(tmp_path / "config"))
    save_lens(SAVED, replace=False)
    return tmp_path / "config"


def a_photo(camera=CAMERA, size=(4032, 3024), focal=26.0, **other):
    return Photo("a.jpg", np.zeros((size[1], size[0], 3), np.uint8), focal, camera, (), **other)


def points():
    random = np.random.default_rng(0)
    return random.uniform([-200, -150, 300], [200, 150, 500], (50, 3))


def test_the_lens_of_the_camera_is_found_with_the_autofocus_term_added():
    lens = choose_lens(a_photo()).lens
    assert np.array_equal(lens.vector(), LENS.vector())
    assert lens.source == "calibrated"
    extra = lens.covariance - LENS.covariance
    # 0.3 % of the focal length, and nothing else.
    assert extra[0, 0] == pytest.approx((0.003 * 3141.25) ** 2)
    extra[0, 0] = 0.0
    assert extra == pytest.approx(np.zeros((5, 5)), abs=1e-12)


def test_a_smaller_picture_gets_the_lens_scaled_exactly():
    small = scaled_lens(LENS, (2016, 1512))
    # Shrunk by two, the middle of a block of four pixels is at (2 i + 1/2).
    expected = (project(points(), LENS.vector()) + 0.5) / 2 - 0.5
    assert project(points(), small.vector()) == pytest.approx(expected, abs=1e-9)
    assert np.sqrt(np.diag(small.covariance))[:3] == pytest.approx([1.5, 1.0, 1.25])
    found = choose_lens(a_photo(size=(2016, 1512))).lens
    assert np.array_equal(found.vector(), small.vector())


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_turned_picture_gets_the_lens_turned(orientation):
    size = displayed_size(LENS.size_px, orientation)
    lens = choose_lens(a_photo(size=size, orientation=orientation)).lens
    assert lens.size_px == size
    # A point in front of the stored picture's camera, seen by the turned one.
    stored = project(points(), LENS.vector())
    shown = displayed_points(stored, LENS.size_px, orientation)
    turn = displayed_points(np.eye(2), LENS.size_px, orientation) - displayed_points(
        np.zeros((2, 2)), LENS.size_px, orientation
    )
    turned = points().copy()
    turned[:, :2] = turned[:, :2] @ turn
    assert project(turned, lens.vector()) == pytest.approx(shown, abs=1e-9)
    swapped = orientation >= 5
    sd = np.sqrt(np.diag(turned_lens(LENS, orientation).covariance))
    assert sd[1:3] == pytest.approx([2.5, 2.0] if swapped else [2.0, 2.5])
    assert np.linalg.eigvalsh(lens.covariance)[0] > 0.0


def test_choosing_names_the_lens_it_took():
    choice = choose_lens(a_photo())
    assert choice.lens is not None
    assert choice.name == "harbour-caf-1-6.8mm-eq26-4032x3024"
    assert choice.notices == ()


NOT_FITTING = {
    "other lens of the phone": a_photo(
        CameraId("Harbour", "Harbour Café 1", 2.2, 13.0), focal=13.0
    ),
    "zoomed": a_photo(framing="zoomed"),
    "cropped": a_photo(focal=None, size=(3000, 2000), framing="cropped"),
    "wide": a_photo(focal=27.0, size=(4032, 2268), framing="wide"),
    "cropped to the same shape": a_photo(focal=None, size=(3200, 2400)),
    "other shape": a_photo(size=(4032, 2688)),
    "portrait that was never turned": a_photo(size=(3024, 4032)),
}


@pytest.mark.parametrize("case", NOT_FITTING)
def test_a_lens_is_left_out_with_a_warning_where_it_does_not_fit(case):
    choice = choose_lens(NOT_FITTING[case])
    assert choice.lens is None
    assert [n.code for n in choice.notices] == ["lens-not-used"]


def test_another_camera_gets_no_lens_and_no_warning():
    for camera in (CameraId("Harbour", "Café 2", 6.8, 26.0), CameraId("", "", None, None)):
        choice = choose_lens(a_photo(camera))
        assert (choice.lens, choice.notices) == (None, ())


def test_the_exact_size_is_preferred():
    small = replace(scaled_lens(LENS, (2016, 1512)), k1=0.05)
    save_lens(replace(SAVED, lens=small), replace=False)
    assert choose_lens(a_photo(size=(2016, 1512))).lens.k1 == 0.05
    assert choose_lens(a_photo(size=(1008, 756))).lens.k1 == LENS.k1


def test_a_damaged_lens_file_is_named_and_not_used(config):
    path = next((config / "lenses").iterdir())
    path.write_bytes(path.read_bytes()[:100])
    choice = choose_lens(a_photo())
    assert choice.lens is None
    assert [n.code for n in choice.notices] == ["lens-file-damaged"]
