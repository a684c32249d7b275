"""The lens model against OpenCV, and its resampling against edges drawn exactly."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.special import ndtr

from sample_images.rendering.camera import Camera, facing, lens_image, undistorted


def bent_camera() -> Camera:
    rotation, shift = facing(
        np.array([30.0, -120.0, 310.0]), np.array([5.0, 8.0, 10.0]), np.array([0.0, 1.0, 0.0])
    )
    return Camera((504, 378), 372.3, (256.4, 186.2), 0.03, -0.02, rotation, shift)


def test_projection_is_that_of_opencv() -> None:
    """OpenCV's projectPoints as the reference for Brown's model and the camera's frame."""
    camera = bent_camera()
    points = np.random.default_rng(1).uniform(-90.0, 90.0, (200, 3))
    k = np.array([[372.3, 0, 256.4], [0, 372.3, 186.2], [0, 0, 1]])
    expected = cv2.projectPoints(
        points,
        cv2.Rodrigues(camera.rotation)[0],
        camera.translation,
        k,
        np.array([0.03, -0.02, 0.0, 0.0, 0.0]),
    )[0].reshape(-1, 2)
    np.testing.assert_allclose(camera.to_pixels(points), expected, atol=1e-8)


def test_camera_looks_at_its_target_right_side_up() -> None:
    camera = bent_camera()
    at = camera.rotation @ np.array([5.0, 8.0, 10.0]) + camera.translation
    np.testing.assert_allclose(at[:2], 0.0, atol=1e-9)
    up = camera.to_pixels(np.array([[5.0, 8.0, 10.0], [5.0, 18.0, 10.0]]))
    assert up[1, 1] < up[0, 1]
    assert np.linalg.det(camera.rotation) == pytest.approx(1.0)


def test_taking_the_distortion_out_undoes_it() -> None:
    camera = bent_camera()
    pixels = np.random.default_rng(2).uniform(0.0, 370.0, (500, 2))
    straight = undistorted(camera, pixels)
    r2 = np.sum(straight**2, axis=1, keepdims=True)
    bent = straight * (1.0 + 0.03 * r2 - 0.02 * r2**2) * 372.3 + (256.4, 186.2)
    np.testing.assert_allclose(bent, pixels, atol=1e-9)


@pytest.mark.parametrize("angle_deg", [0.0, 17.0, 45.0, 83.0])
def test_resampling_moves_no_edge(angle_deg: float) -> None:
    """A straight edge, its light summed over each pixel, lands where the lens puts it."""
    camera = bent_camera()
    width, height = camera.rendered_size()
    normal = np.array([np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))])
    offset = 0.11 * 372.3
    fine = (np.arange(8) + 0.5) / 8.0 - 0.5
    x = (np.arange(width)[:, None] + fine).ravel() - (width - 1) / 2.0
    y = (np.arange(height)[:, None] + fine).ravel() - (height - 1) / 2.0
    side = x[None, :] * normal[0] + y[:, None] * normal[1] - offset
    # A ramp one fine sample wide stands for the share of each fine sample.
    light = np.clip(0.5 - side * 8.0, 0.0, 1.0).reshape(height, 8, width, 8).mean(axis=(1, 3))
    picture = lens_image(camera, light[..., None].astype(np.float32), 0.6)[..., 0]

    grid = np.stack(np.meshgrid(np.arange(504.0), np.arange(378.0)), axis=-1)
    distance = undistorted(camera, grid) @ normal * 372.3 - offset
    # Box of one pixel (variance 1/12 along any direction) and Gaussian, as one Gaussian.
    expected = ndtr(-distance / np.sqrt(0.6**2 + 1.0 / 12.0))
    error = np.where(np.abs(distance) < 5.0, picture - expected, 0.0)
    assert np.abs(error).max() < 0.05
    # The sum along a line across the edge is how far the edge moved along that line.
    across = 1 if normal[0] > normal[1] else 0
    moved = error.sum(axis=across) * normal[1 - across]
    assert np.abs(moved).max() < 0.01
