"""The scenes of the accuracy benchmark are drawn as the accuracy table says."""

from __future__ import annotations

import numpy as np
import pytest

from calib.board import BOARDS
from sample_images.rendering.scene import Flat, digest
from sample_images.rendering.staging import DIAGONAL_35MM, target_outline
from tests.benchmarks.benchscenes import WINDOW_MM
from tests.benchmarks.scenes import ROWS, scenes

COUNT = 6


@pytest.fixture(scope="module", params=ROWS)
def row(request: pytest.FixtureRequest):
    return request.param, scenes(request.param, COUNT, 5)


def test_a_scene_depends_on_row_seed_and_number_alone() -> None:
    first = [digest(s) for s in scenes("id1_flat", 3, 5)]
    assert first == [digest(s) for s in scenes("id1_flat", 4, 5)][:3]
    assert first != [digest(s) for s in scenes("id1_flat", 3, 6)]


def test_lens_and_sizes_are_within_their_limits(row) -> None:
    for scene in row[1]:
        camera = scene.camera
        claimed = scene.phone.focal_35mm / DIAGONAL_35MM * np.hypot(*camera.size_px)
        assert abs(camera.focal_px / claimed - 1.0) <= 0.03
        assert sorted(camera.size_px) in ([3024, 4032], [1512, 2016])
        assert 80.0 <= scene.zr[-1, 0] <= 300.0
        assert 20.0 <= 2.0 * scene.zr[:, 1].max() <= 70.0


def test_card_is_whole_in_the_picture_and_off_the_piece(row) -> None:
    for scene in row[1]:
        target = scene.targets[0]
        if not isinstance(target, Flat):
            continue
        outline = target_outline(target)
        pixels = scene.camera.to_pixels(outline)
        assert pixels.min() > 0.0
        assert np.all(pixels.max(axis=0) < np.array(scene.camera.size_px) - 1.0)
        assert abs(target.width_mm - 85.6) <= 0.13
        assert abs(target.height_mm - 53.98) <= 0.06
        # Distance from the axis line less the largest radius: 10 mm and more.
        start, d = scene.piece_to_world[:3, 3], scene.piece_to_world[:3, 2]
        away = outline - start
        z = away @ d
        distance = np.linalg.norm(away - z[:, None] * d, axis=1)
        radius = scene.zr[:, 1].max()
        beyond = np.maximum(np.maximum(-z, z - scene.zr[-1, 0]), 0.0)
        assert np.hypot(np.maximum(distance - radius, 0.0), beyond).min() >= 9.0


@pytest.mark.parametrize(("name", "low", "high"), [("id1_flat", 5, 10), ("id1_tilted", 20, 30)])
def test_phone_is_tilted_as_the_row_says(name: str, low: float, high: float) -> None:
    for scene in scenes(name, COUNT, 5):
        tilt = np.rad2deg(np.arccos(-scene.camera.rotation[2, 2]))
        assert low <= tilt <= high


def test_boards_window_is_the_boards_own() -> None:
    assert BOARDS["a4"].window_mm == WINDOW_MM
    assert BOARDS["a4"].sheet_mm == (297.0, 210.0)


def test_one_caliper_reading_near_the_middle() -> None:
    for scene in scenes("plane_known", COUNT, 5):
        ((z, diameter),) = scene.told["known"]
        true = 2.0 * np.interp(z, scene.zr[:, 0], scene.zr[:, 1])
        assert abs(diameter - true) < 0.4
        assert 0.25 < z / scene.zr[-1, 0] < 0.75
