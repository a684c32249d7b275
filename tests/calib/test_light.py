"""Linear light against the standard's formula and an independent library."""

import math

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.color import rgb2xyz

from calib.light import LUMINANCE_BGR, encoded, linear, linear_values, luminance


def by_the_standard(value: int) -> float:
    # IEC 61966-2-1:1999, 5.2 (from memory; the same as in W3C CSS Color 4, 10.2).
    v = value / 255
    return v / 12.92 if v <= 0.04045 else math.pow((v + 0.055) / 1.055, 2.4)


def test_table_is_the_standard_s_formula() -> None:
    expected = [by_the_standard(v) for v in range(256)]
    np.testing.assert_allclose(linear(np.arange(256, dtype=np.uint8)), expected, rtol=1e-6)


def test_known_values() -> None:
    # Ends exact by the formula; 128 is 0.2159 and 119 is 0.1845 in published sRGB tables
    # (four digits, from memory).
    values = linear(np.array([0, 255, 128, 119], np.uint8))
    np.testing.assert_allclose(values, [0.0, 1.0, 0.2159, 0.1845], atol=5e-5)


def test_linear_light_agrees_with_skimage() -> None:
    # skimage.color.rgb2xyz linearises on its own; of a grey, Y of XYZ is the linear value.
    grey = np.repeat(np.arange(256, dtype=np.uint8)[:, None], 3, axis=1)
    expected = rgb2xyz(grey)[..., 1]
    np.testing.assert_allclose(linear(grey)[..., 0], expected, atol=1.5e-6)


def test_luminance_agrees_with_skimage() -> None:
    # The standard's three weights have four digits: half a last digit each.
    bgr = np.random.default_rng(3).integers(0, 256, (60, 80, 3), dtype=np.uint8)
    expected = rgb2xyz(bgr[..., ::-1])[..., 1]
    np.testing.assert_allclose(luminance(linear(bgr)), expected, atol=1.5e-4)


def test_weights_are_those_of_the_standard() -> None:
    # ITU-R BT.709-6, item 3.2: 0.2126, 0.7152, 0.0722.
    assert LUMINANCE_BGR == (0.0722, 0.7152, 0.2126)
    assert sum(LUMINANCE_BGR) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(
    "shape", [(7,), (5, 2), (100, 90), (100, 90, 3), (3, 3, 3), (40, 50, 3, 2)]
)
def test_every_shape_gives_the_same_values(shape: tuple[int, ...]) -> None:
    values = np.random.default_rng(4).integers(0, 256, shape, dtype=np.uint8)
    light = linear(values)
    assert light.shape == shape
    assert light.dtype == np.float32
    np.testing.assert_allclose(light, linear_values(values), rtol=1e-6)


def test_crop_that_is_a_view_is_read_rightly() -> None:
    whole = np.random.default_rng(5).integers(0, 256, (300, 400, 3), dtype=np.uint8)
    crop = whole[10:200:2, 300:20:-1]
    np.testing.assert_array_equal(linear(crop), linear(crop.copy()))


@given(st.floats(0.0, 1.0))
def test_encoding_is_the_inverse(light: float) -> None:
    assert linear_values(encoded(np.array(light))) == pytest.approx(light, abs=3e-6)


def test_misuse_is_named() -> None:
    with pytest.raises(ValueError, match="float64, need uint8"):
        linear(np.zeros((4, 4)))
    with pytest.raises(ValueError, match="need"):
        luminance(np.zeros((4, 4)))


def test_edge_lies_right_in_linear_light_and_wrong_in_encoded() -> None:
    # A step of 0.05 on 0.9 blurred by sigma = 1 px: by the formula the encoded half level lies
    # 0.4 to 0.5 sigma inside the dark side.
    x = np.arange(-40.0, 41.0)
    wide = cv2.GaussianBlur(np.where(np.arange(8100) < 4050, 0.05, 0.9)[None], (0, 0), 100.0)[0]
    light = np.interp(x, (np.arange(8100) - 4049.5) / 100.0, wide)
    values = np.rint(encoded(light)).astype(np.uint8)

    def crossing(levels: np.ndarray) -> float:
        half = (float(levels[0]) + float(levels[-1])) / 2.0
        return float(np.interp(half, levels, x))

    assert abs(crossing(linear(values))) < 0.02
    assert -0.55 < crossing(values.astype(float)) < -0.4
