"""What the truth file says of marks and of what can be seen, against OpenCV and plain cases."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
import pytest

pytest.importorskip("mitsuba")

from rendering_stage import small_scene

from calib.board import BOARDS
from sample_images.rendering.camera import lens_image
from sample_images.rendering.phone import developed
from sample_images.rendering.scene import Board, Scene, pose
from sample_images.rendering.staging import framed, laid_piece
from sample_images.rendering.tracing import open_tracer
from sample_images.rendering.truth import start_end, visible_intervals

CYLINDER = np.array([[0.0, 15.0], [100.0, 15.0]])


def with_piece(zr: np.ndarray) -> Scene:
    scene = small_scene("stepped borer", 10.0)
    return replace(scene, zr=zr, piece_to_world=laid_piece(zr, 0.15, 0.0))


def test_a_cylinder_in_the_frame_is_seen_from_end_to_end() -> None:
    scene = with_piece(CYLINDER)
    with open_tracer(scene, flat=True) as tracer:
        ((first, last),) = visible_intervals(scene, tracer)
    assert first == pytest.approx(0.0, abs=0.11)
    assert last == pytest.approx(100.0, abs=0.11)


def test_a_groove_behind_a_flange_is_not_seen() -> None:
    """A flange 10 mm higher than its neighbours hides a stretch of them on its far side."""
    zr = np.array([[0, 12], [60, 12], [60, 22], [64, 22], [64, 12], [120, 12]], float)
    scene = with_piece(zr)
    with open_tracer(scene, flat=True) as tracer:
        intervals = visible_intervals(scene, tracer)
    eye = np.linalg.inv(scene.piece_to_world) @ np.append(scene.camera.position, 1.0)
    near = eye[2] < 60.0
    # In the plane of the axis and the eye the flange's rim shades the rims of its neighbours:
    # both lie within a few mm of their tangent height, so similar triangles bound the shade.
    slope = abs((62.0 - eye[2]) / np.hypot(eye[0], eye[1]))
    shade = 10.0 * slope
    gaps = [b[0] - a[1] for a, b in pairwise(intervals)]
    assert len(gaps) == 1
    assert 0.0 < gaps[0] < 3.0 * shade + 1.0
    start, end = intervals[0][1], intervals[1][0]
    if near:
        assert start == pytest.approx(64.0, abs=0.2)
        assert end > 64.5
    else:
        assert start < 59.5
        assert end == pytest.approx(60.0, abs=0.2)


def test_what_the_frame_cuts_is_not_seen() -> None:
    scene = with_piece(CYLINDER)
    middle = scene.camera.to_pixels(
        scene.piece_to_world[:3, 3] + 50.0 * scene.piece_to_world[:3, 2]
    )
    cut = replace(scene.camera, size_px=(int(middle[0]), 567))
    scene = replace(scene, camera=cut)
    with open_tracer(scene, flat=True) as tracer:
        ((first, last),) = visible_intervals(scene, tracer)
    assert first == pytest.approx(0.0, abs=0.11)
    assert 30.0 < last < 50.0
    assert start_end(scene) == "A"


def test_board_is_printed_right_way_round_and_in_its_place() -> None:
    """OpenCV's ArUco detector and cornerSubPix: identity of the marks, place of the saddles."""
    scene = with_piece(CYLINDER)
    page = pose(np.eye(3), np.array([0.0, 0.0, 0.1]))
    printed = (297.0 * 1.006, 210.0 * 0.994)
    corners = np.array([[x, y, 0.1] for x in (-148.0, 148.0) for y in (-105.0, 105.0)])
    lens = replace(scene.camera, size_px=(1200, 900), focal_px=886.0, centre_px=(604.0, 443.0))
    toward, up = np.array([0.1, -0.2, 1.0]), np.array([0.0, 1.0, 0.0])
    camera = framed(lens, scene.zr, scene.piece_to_world, corners, toward, up, 0.95)
    board = Board("a4", "", (297.0, 210.0), printed, 0.1, page)
    scene = replace(scene, camera=camera, targets=(board,))
    with open_tracer(scene) as tracer:
        light = tracer.light(9)
    picture = developed(lens_image(camera, light, 0.6), scene.phone)
    a4 = BOARDS["a4"]

    def at(board_mm: np.ndarray) -> np.ndarray:
        flat = board_mm * (1.006, 0.994)
        return camera.to_pixels(np.concatenate([flat, np.full_like(flat[..., :1], 0.1)], axis=-1))

    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_1000)
    found, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(picture)
    assert ids is not None
    assert len(ids) > 0.6 * len(a4.mark_ids)
    own = at(a4.marks_mm)
    for quad, number in zip(found, np.ravel(ids), strict=True):
        expected = own[list(a4.mark_ids).index(number)]
        assert np.abs(np.asarray(quad).reshape(4, 2) - expected).max() < 2.5

    # Mid-grey is no edge of a saddle: linear light or not, it stays where it is.
    saddles = at(a4.corners_mm)
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    start = (saddles + (0.7, -0.6)).astype(np.float32).reshape(-1, 1, 2)
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-4)
    refined = cv2.cornerSubPix(grey, start, (4, 4), (-1, -1), criteria).reshape(-1, 2)
    off = refined - saddles
    assert np.median(np.linalg.norm(off, axis=1)) < 0.1
    assert np.quantile(np.linalg.norm(off, axis=1), 0.9) < 0.2
    assert np.abs(np.median(off, axis=0)).max() < 0.03
