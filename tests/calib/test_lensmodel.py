import cv2
import numpy as np
import pytest
from boardwarp import look
from lenssim import A4

from calib.lensmodel import (
    COMMON,
    PER_VIEW,
    PageView,
    Pose,
    page_basis,
    page_jacobian,
    page_pixels,
    turned,
)

COMMON_AT = np.array([np.log(3100.0), 2010.0, 1520.0, -0.2, 0.1, -0.05, 0.01])


def a_view():
    rotation, translation = look(30, 50, 20, 350, [10, -5])
    view = PageView(A4.corners_mm, np.zeros_like(A4.corners_mm), np.ones(len(A4.corners_mm)))
    return view, Pose(rotation, translation, 0.004, np.array([0.8, -0.3, 0.5]))


def test_projection_is_that_of_opencv():
    view, pose = a_view()
    flat = Pose(pose.rotation, pose.translation, 0.0, np.zeros(3))
    common = COMMON_AT * [1, 1, 1, 1, 1, 1, 0]
    f = np.exp(common[0])
    camera = np.array([[f, 0, common[1]], [0, f, common[2]], [0, 0, 1]])
    world = np.column_stack([view.points_mm, np.zeros(len(view.points_mm))])
    expected, _ = cv2.projectPoints(
        world,
        cv2.Rodrigues(pose.rotation)[0],
        pose.translation,
        camera,
        np.array([common[3], common[4], 0, 0, common[5]]),
    )
    assert page_pixels(view, common, flat) == pytest.approx(expected.reshape(-1, 2), abs=1e-6)


def test_derivatives_are_those_of_the_projection():
    view, pose = a_view()
    shared, own = page_jacobian(view, COMMON_AT, pose)
    for i in range(COMMON):
        step = np.zeros(COMMON)
        step[i] = 1e-2 if i in (1, 2) else 1e-5
        up, down = (page_pixels(view, COMMON_AT + s * step, pose).ravel() for s in (1, -1))
        slope = (up - down) / (2 * step[i])
        assert shared[:, i] == pytest.approx(slope, abs=1e-6 * np.abs(slope).max())
    for i in range(PER_VIEW):
        step = np.zeros(PER_VIEW)
        step[i] = 1e-5
        up, down = (page_pixels(view, COMMON_AT, turned(pose, s * step)).ravel() for s in (1, -1))
        slope = (up - down) / (2 * step[i])
        assert own[:, i] == pytest.approx(slope, abs=1e-5 * np.abs(slope).max())


def test_the_bow_of_a_page_has_no_mean():
    assert page_basis(A4.corners_mm).mean(axis=0) == pytest.approx(np.zeros(3), abs=1e-12)
