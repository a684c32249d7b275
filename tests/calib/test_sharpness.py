"""Blur and exposure on synthetic edges whose blur is known."""

import math

import cv2
import numpy as np
import pytest

from calib.sharpness import (
    clipped_near,
    judge_blur,
    judge_exposure,
    measure_blur,
)

ANGLES = np.linspace(0.0, 2.0 * math.pi, 72, endpoint=False)


def disc(sigma: float, motion: float = 0.0, towards: float = 0.0) -> np.ndarray:
    """Return a disc of radius 100 px, blurred evenly and moved straight, 4 x oversampled."""
    y, x = np.mgrid[-640:640, -640:640] + 0.5
    picture = (np.hypot(x, y) < 400.0).astype(np.float64)
    total = np.zeros_like(picture)
    steps = max(1, round(4.0 * motion))
    for along in (np.arange(steps) + 0.5) / steps * motion - motion / 2.0:
        shift = np.array(
            [[1, 0, 4 * along * math.cos(towards)], [0, 1, 4 * along * math.sin(towards)]]
        )
        total += cv2.warpAffine(picture, shift, (1280, 1280))
    return cv2.GaussianBlur(total / steps, (0, 0), 4.0 * sigma)


def widths(picture: np.ndarray) -> np.ndarray:
    """Return the standard deviation of the edge's derivative along each radius, px."""
    radius = np.arange(240.0, 560.0)
    result = []
    for angle in ANGLES:
        x = (639.5 + radius * math.cos(angle)).astype(np.float32)[None]
        y = (639.5 + radius * math.sin(angle)).astype(np.float32)[None]
        slope = -np.diff(cv2.remap(picture, x, y, cv2.INTER_LINEAR)[0])
        middle = radius[:-1] + 0.5
        mean = np.average(middle, weights=slope)
        result.append(math.sqrt(np.average((middle - mean) ** 2, weights=slope)) / 4.0)
    return np.array(result)


@pytest.mark.parametrize("sigma", [1.0, 2.5, 5.0])
def test_even_blur_is_measured(sigma: float) -> None:
    blur = measure_blur(widths(disc(sigma)), ANGLES)
    assert blur.least_px == pytest.approx(sigma, rel=0.03)
    assert blur.greatest_px == pytest.approx(sigma, rel=0.03)


@pytest.mark.parametrize("towards", [0.0, 0.4, math.pi / 2, 2.5])
def test_motion_is_measured_with_its_direction(towards: float) -> None:
    blur = measure_blur(widths(disc(1.0, 15.0, towards)), ANGLES)
    assert blur.motion_px == pytest.approx(15.0, rel=0.05)
    assert blur.least_px == pytest.approx(1.0, abs=0.4)
    turned = (blur.motion_rad - towards + math.pi / 2) % math.pi - math.pi / 2
    assert abs(turned) < 0.03


def test_sharp_photo_is_left_alone() -> None:
    assert judge_blur(widths(disc(1.0)), ANGLES) is None
    assert judge_blur(widths(disc(1.5, 2.0)), ANGLES) is None


def test_defocus_and_motion_are_told_apart() -> None:
    defocus = judge_blur(widths(disc(5.0)), ANGLES)
    motion = judge_blur(widths(disc(1.2, 14.0, math.pi / 2)), ANGLES)
    assert defocus is not None
    assert motion is not None
    assert defocus.code == "out-of-focus"
    assert motion.code == "motion-blur"
    assert "up and down" in motion.message
    assert "14 pixels" in motion.message


def test_edges_one_way_only_blame_no_motion() -> None:
    blur = measure_blur(np.full(40, 5.0), np.full(40, 0.3))
    assert math.isnan(blur.motion_px)
    notice = judge_blur(np.full(40, 5.0), np.full(40, 0.3))
    assert notice is not None
    assert notice.code == "out-of-focus"


def test_some_round_edges_do_not_mislead() -> None:
    sigma = widths(disc(1.0))
    sigma[::8] *= 6.0
    assert judge_blur(sigma, ANGLES) is None


def test_misuse_is_named() -> None:
    with pytest.raises(ValueError, match="need"):
        measure_blur(np.zeros(3), np.zeros(4))
    with pytest.raises(ValueError, match="need"):
        clipped_near(np.zeros((9, 9, 3), np.uint8), np.zeros(4))


def test_overexposure_is_seen_where_the_edges_are() -> None:
    picture = np.full((200, 300, 3), 90, np.uint8)
    picture[:, 150:] = 255
    at_edge = np.stack([np.full(50, 150.0), np.linspace(20, 180, 50)], axis=-1)
    inside = at_edge - (100.0, 0.0)
    np.testing.assert_allclose(clipped_near(picture, at_edge), 4 / 7, atol=0.15)
    np.testing.assert_array_equal(clipped_near(picture, inside), 0.0)
    notice = judge_exposure(clipped_near(picture, at_edge))
    assert notice is not None
    assert notice.code == "overexposed"
    assert judge_exposure(clipped_near(picture, inside)) is None
    assert judge_exposure(np.zeros(0)) is None


def test_one_strong_colour_is_not_overexposed() -> None:
    red = np.zeros((50, 50, 3), np.uint8)
    red[..., 2] = 255
    assert clipped_near(red, np.array([[25.0, 25.0]]))[0] == 0.0


def test_points_outside_the_picture_are_allowed() -> None:
    picture = np.full((20, 20, 3), 255, np.uint8)
    assert clipped_near(picture, np.array([[-50.0, 500.0]]))[0] == 1.0


def test_two_ways_of_edges_tell_a_movement_along_one_of_them() -> None:
    # A box of length L has the variance L^2 / 12.
    angles = np.repeat([0.0, math.pi / 2], 20)
    sigma = np.where(angles == 0.0, math.sqrt(1.0 + 12.0**2 / 12.0), 1.0)
    blur = measure_blur(sigma, angles)
    assert blur.motion_px == pytest.approx(12.0, rel=0.01)
    assert abs(math.sin(blur.motion_rad)) < 0.01
    notice = judge_blur(sigma, angles)
    assert notice is not None
    assert notice.code == "motion-blur"


def test_edges_of_one_way_tell_no_movement() -> None:
    assert math.isnan(measure_blur(np.full(40, 3.0), np.full(40, 0.3)).motion_px)
