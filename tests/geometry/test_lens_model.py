"""The lens model: its own inverse, and OpenCV's camera model as an independent reference."""

import cv2
import numpy as np
import pytest
from exact_views import SIZE_PX, lens_of, lenses, number
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from calib.lens import bend, lens_from_exif, project, straighten

quick = settings(max_examples=200, deadline=None)


def grid(size_px=SIZE_PX, count=13):
    x = np.linspace(0.0, size_px[0] - 1.0, count)
    y = np.linspace(0.0, size_px[1] - 1.0, count)
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


def in_opencv(lens):
    f, cx, cy, k1, k2 = lens.vector()
    return np.array([[f, 0.0, cx], [0.0, f, cy], [0.0, 0.0, 1.0]]), np.array([k1, k2, 0.0, 0.0])


def invertible(bent, k1, k2):
    """Return which bent points (n, 2) lie where the distortion still grows with the radius."""
    r = np.linspace(0.0, 1.5, 1501)
    growing = np.logical_and.accumulate(1.0 + 3.0 * k1 * r**2 + 5.0 * k2 * r**4 > 0.4)
    last = r[growing][-1]
    return np.linalg.norm(bent, axis=-1) < last * (1.0 + k1 * last**2 + k2 * last**4)


@quick
@given(number(-0.3, 0.3), number(-0.15, 0.15), number(0.0, 1.0), number(-np.pi, np.pi))
def test_straighten_undoes_bend(k1, k2, radius, angle):
    straight = radius * np.array([[np.cos(angle), np.sin(angle)]])
    assume(invertible(bend(straight, k1, k2), k1, k2)[0])
    back = straighten(bend(straight, k1, k2), np.array([1.0, 0.0, 0.0, k1, k2]))
    np.testing.assert_allclose(back, straight, rtol=0, atol=1e-9)


@quick
@given(lenses())
def test_pixels_come_back_over_the_whole_picture(lens):
    pixels = grid()
    straight = straighten(pixels, lens.vector())
    good = invertible((pixels - lens.centre_px) / lens.focal_px, lens.k1, lens.k2)
    rays = np.concatenate([straight, np.ones((len(straight), 1))], axis=1)
    np.testing.assert_allclose(
        project(rays * 731.0, lens.vector())[good], pixels[good], rtol=0, atol=1e-6
    )


@quick
@given(lenses(), st.integers(0, 2**32 - 1))
def test_project_agrees_with_opencv(lens, seed):
    rng = np.random.default_rng(seed)
    points = np.column_stack([rng.uniform(-300, 300, (40, 2)), rng.uniform(250, 900, 40)])
    K, distortion = in_opencv(lens)
    expected = np.asarray(cv2.projectPoints(points, np.zeros(3), np.zeros(3), K, distortion)[0])
    np.testing.assert_allclose(
        project(points, lens.vector()), expected.reshape(-1, 2), rtol=0, atol=1e-8
    )


@quick
@given(lenses())
def test_straighten_agrees_with_opencv(lens):
    pixels = grid()
    K, distortion = in_opencv(lens)
    # OpenCV iterates to a fixed point; many rounds make a reference of it.
    rounds = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-13)
    expected = np.asarray(cv2.undistortPoints(pixels, K, distortion, criteria=rounds))
    good = invertible((pixels - lens.centre_px) / lens.focal_px, lens.k1, lens.k2)
    got = straighten(pixels, lens.vector())
    np.testing.assert_allclose(got[good], expected.reshape(-1, 2)[good], rtol=0, atol=1e-7)


def test_the_centre_of_a_picture_is_half_a_pixel_less_than_half_its_size():
    # Pixel centres at integers, as in OpenCV: a picture of 4 x 2 px goes from -0.5 to 3.5 and
    # from -0.5 to 1.5, so that its middle is (1.5, 0.5).
    lens = lens_from_exif((4, 2), 27.0)
    assert lens.centre_px == (1.5, 0.5)
    np.testing.assert_array_equal(straighten(np.array([1.5, 0.5]), lens.vector()), [0.0, 0.0])


def test_a_rendered_square_stands_where_project_says():
    # The half pixel against a picture: a square drawn 8 x oversampled and averaged down has its
    # centroid where its projected centre lies.
    lens = lens_of(focal_px=100.0, size_px=(64, 48))
    corners = project(
        np.array([[-3.0, -2.0, 20.0], [4.0, -2.0, 20.0], [4.0, 3.0, 20.0], [-3.0, 3.0, 20.0]]),
        lens.vector(),
    )
    over = 8
    y, x = np.mgrid[0 : 48 * over, 0 : 64 * over]
    # A sample's place: pixel i covers i - 0.5 to i + 0.5.
    px, py = (x + 0.5) / over - 0.5, (y + 0.5) / over - 0.5
    inside = (
        (px > corners[0, 0]) & (px < corners[1, 0]) & (py > corners[0, 1]) & (py < corners[2, 1])
    )
    picture = cv2.resize(inside.astype(np.float64), (64, 48), interpolation=cv2.INTER_AREA)
    rows, columns = np.mgrid[0:48, 0:64]
    centroid = [float(np.average(a, weights=picture)) for a in (columns, rows)]
    np.testing.assert_allclose(centroid, corners.mean(axis=0), atol=0.04)


@pytest.mark.parametrize("size_px", [(4032, 3024), (3024, 4032), (2016, 1512)])
def test_exif_focal_is_referred_to_the_diagonal(size_px):
    # CIPA DCG-001 (from memory): the 35 mm equivalent compares diagonals; that of 36 x 24 mm is
    # 43.27 mm. A lens of 43.27 mm equivalent sees 2 atan(1/2) = 53.13 degrees over the diagonal.
    lens = lens_from_exif(size_px, float(np.hypot(36.0, 24.0)))
    corner = straighten(np.array([-0.5, -0.5]), lens.vector())
    assert np.degrees(2.0 * np.arctan(np.linalg.norm(corner))) == pytest.approx(53.13, abs=0.005)
    assert lens.source == "exif"
    assert np.sqrt(lens.covariance[0, 0]) == pytest.approx(0.03 * lens.focal_px)


def test_a_photo_without_focal_length_gets_a_wide_prior():
    lens = lens_from_exif((4032, 3024), None)
    assert lens.source == "assumed"
    assert np.sqrt(lens.covariance[0, 0]) > 0.1 * lens.focal_px
