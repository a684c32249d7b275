"""Where shoulders and ends lie: on exact circles, and their uncertainty against drawing lots."""

from dataclasses import replace

import numpy as np
import pytest

from calib.view import VIEW_SIZE
from measure.fit import Estimate
from measure.limb import limb
from measure.outline import Outline
from measure.reach import frame_of
from measure.rimoutline import RimOutline
from measure.shoulders import END_SD_MM, shoulders_of
from measure.unknowns import Layout, across_and_deep
from tests.measure.cutter.drawntool import AXIS, TRUE, view_from

CAMERA = (-10.0, 60.0, 320.0)
PLACES = (0.0, 42.0, 58.0, 96.0)
RADII = np.array([6.0, 19.0, 19.0, 11.0])
OUT = (-1.0, -1.0, 1.0, 1.0)
SD = {0: 0.4, 6: 2e-4, 10: 0.04}
"""Standard deviations of the focal length, px, of one turn of the camera and of its distance.

So small that no other chamfer fits the ends better, which would make a leap."""


def arcs(view):
    """Return the points of all edges, (n, 2), and which belong to which place."""
    across, toward = frame_of(view.camera_centre_mm, AXIS)
    points, between, count = [], [], 0
    for place, radius, out in zip(PLACES, RADII, OUT, strict=True):
        frame = np.stack([across, toward, out * AXIS.direction])
        centre = AXIS.at(place) - view.camera_centre_mm
        seen, _ = limb(centre, float(radius), frame, 240, 0.05)
        points.append(view.to_pixels(seen + view.camera_centre_mm))
        between.append(np.arange(count, count + len(seen)))
        count += len(seen)
    return np.concatenate(points), tuple(between)


def outline_of(points, between, moved):
    n = len(points)
    flat = Outline(
        points, np.zeros((n, 2)), np.ones(n), np.zeros(n), np.ones(n), np.ones(n, dtype=bool)
    )
    return RimOutline(flat, (), between, tuple(np.array(PLACES) + moved), TRUE)


def solved_with(view):
    first, second = across_and_deep(AXIS, view)
    layout = Layout(view, AXIS, first, second, 0, False)
    x = np.concatenate([view.vector(), np.zeros(6)])
    variance = np.full(len(x), 1e-18)
    for k, sd in SD.items():
        variance[k] = sd**2
    steps = np.concatenate([np.full(VIEW_SIZE, 1e-4), np.full(6, 1e-3)])
    return Estimate(layout, x, np.diag(variance), steps, 0.1, 1.0, 1.0, np.full(2, 0.13))


@pytest.mark.parametrize("moved", [0.0, 1.5, -1.5])
@pytest.mark.parametrize(
    "camera", [(-10.0, 60.0, 320.0), (-120.0, 50.0, 260.0), (-70.0, 50.0, 220.0)]
)
def test_exact_circles_lie_where_they_are(camera, moved):
    view = view_from(camera)
    found = shoulders_of(outline_of(*arcs(view), moved), solved_with(view), RADII, OUT)
    np.testing.assert_allclose(found.z_mm, PLACES, atol=0.02)


def test_carried_uncertainty_is_that_of_drawing_lots():
    """Monte Carlo propagation as in JCGM 101: the view drawn from its covariance, solved anew."""
    view = view_from(CAMERA)
    outline, solved = outline_of(*arcs(view), 0.0), solved_with(view)
    moved = [RADII] * len(solved.x)
    stated = np.array(shoulders_of(outline, solved, RADII, OUT, moved).sd_mm)
    bare = np.array(shoulders_of(outline, solved, RADII, OUT).sd_mm)
    rng = np.random.default_rng(4)
    drawn = []
    for _ in range(300):
        x = solved.x + rng.normal(size=len(solved.x)) * np.sqrt(np.diag(solved.covariance))
        z = np.array(shoulders_of(outline, replace(solved, x=x), RADII, OUT).z_mm)
        drawn.append(z - z[0])
    carried = np.sqrt(stated**2 - bare**2)[1:]
    # 300 lots tell a standard deviation to 4 %.
    np.testing.assert_allclose(carried, np.std(drawn, axis=0)[1:], rtol=0.15)


def test_edge_that_is_not_seen_stays_and_is_doubted_by_its_ellipse():
    view = view_from(CAMERA)
    points, between = arcs(view)
    unseen = (*between[:3], np.zeros(0, dtype=np.int64))
    found = shoulders_of(outline_of(points, unseen, 0.0), solved_with(view), RADII, OUT)
    assert found.z_mm[3] == PLACES[3]
    sight = AXIS.at(PLACES[3]) - np.array(CAMERA)
    along = abs(sight @ AXIS.direction)
    half = RADII[3] * along / np.sqrt(sight @ sight - along**2)
    assert found.sd_mm[3] == pytest.approx(
        np.hypot(np.hypot(END_SD_MM, half / np.sqrt(3.0)), found.sd_mm[0]), rel=1e-6
    )
