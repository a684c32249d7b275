"""The foot of a standing piece whose outline ran on past it, in drawn pictures of exact scenes."""

import cv2
import numpy as np
import pytest
from exact_piece import Solid, exact_outline, line, seen_outline
from exact_views import lens_of, view_from

from calib.finding import linear_table
from measure.footfind import found_foot, stood_on
from measure.revolve import Axis
from measure.solving import axis_ends_of

BENCH_MM, RUN_MM = -0.76, 34.0
SIZE_PX = (2016, 1512)
BENCH, PIECE = (96, 126, 150), (70, 100, 160)
PLACES = [(-70.0, 20.0), (40.0, 60.0)]
ABOVE = [24.0, 42.0]


def seen_from(above_deg):
    above = np.radians(above_deg)
    camera = 480.0 * np.array([0.0, -np.cos(above), np.sin(above)]) + np.array([0.0, 0.0, 40.0])
    lens = lens_of(1500.0, size_px=SIZE_PX)
    return view_from(camera, np.array([0.0, 0.0, 40.0]), lens, 0.02, up=(0.0, 0.0, 1.0))


def outline_of(view, axis, solid):
    exact = exact_outline(view, axis, solid)
    return seen_outline(exact, None, 0.0, (0.0, 0.0), np.ones(len(exact.points_px)))


def scene(place, above_deg, radius_below, piece=PIECE):
    """Return picture, view, true foot and an outline that ran on below the bench."""
    view = seen_from(above_deg)
    foot = Axis(np.array([*place, BENCH_MM]), np.array([0.0, 0.0, 1.0]))
    body = [line(0.0, 16.0, 50.0, 13.0), line(50.0, 13.0, 120.0, 18.0)]
    real = outline_of(view, foot, Solid(tuple(body)))
    bgr = np.full((SIZE_PX[1], SIZE_PX[0], 3), BENCH, dtype=np.uint8)
    cv2.fillPoly(bgr, [np.round(real.points_px * 16).astype(np.int32)], piece, cv2.LINE_AA, 4)
    bgr = cv2.GaussianBlur(bgr, (0, 0), 1.0)
    below = Axis(foot.at(-RUN_MM), foot.direction)
    longer = Solid(
        (
            line(0.0, radius_below, RUN_MM, 16.0),
            line(RUN_MM, 16.0, RUN_MM + 50.0, 13.0),
            line(RUN_MM + 50.0, 13.0, RUN_MM + 120.0, 18.0),
        )
    )
    outline = outline_of(view, below, longer)
    ends = axis_ends_of(outline)
    up = view.to_pixels(foot.at(np.array([0.0, 100.0])))
    # The lower end comes first.
    ends = ends if (ends[1] - ends[0]) @ (up[1] - up[0]) > 0.0 else ends[::-1]
    return bgr, view, foot, outline, ends


@pytest.mark.parametrize("above_deg", ABOVE)
@pytest.mark.parametrize("place", PLACES)
def test_the_foot_is_found_where_the_outline_ran_on(place, above_deg):
    bgr, view, true, outline, ends = scene(place, above_deg, 9.0)
    found = found_foot(bgr, linear_table(), outline, ends, view, BENCH_MM)
    assert found is not None
    # A step of the search is 2 px of a third of a millimetre, and the bench is seen aslant.
    assert np.linalg.norm(found.axis.point_mm - true.point_mm) < 2.0
    assert found.radius_mm == pytest.approx(16.0, abs=0.6)


@pytest.mark.parametrize("above_deg", ABOVE)
def test_sides_that_stand_on_the_foot_end_in_a_circle_on_the_bench(above_deg):
    bgr, view, _, outline, ends = scene(PLACES[0], above_deg, 9.0)
    found = found_foot(bgr, linear_table(), outline, ends, view, BENCH_MM)
    half = len(outline.points_px) // 2
    both = (outline.points_px[:half], outline.points_px[half:][::-1])
    up = ends[1] - ends[0]
    sides = tuple(s if (s[-1] - s[0]) @ up > 0.0 else s[::-1] for s in both)
    stood = stood_on(sides, found, ends)
    for side in stood:
        assert np.linalg.norm(np.diff(side, axis=0), axis=1).max() < 12.0
    arc = np.concatenate([side[:20] for side in stood])
    away = view.on_plane(arc, BENCH_MM) - found.axis.point_mm[:2]
    assert np.allclose(np.linalg.norm(away, axis=1), found.radius_mm, atol=0.05)


def test_a_broader_part_below_is_the_piece_itself():
    bgr, view, _, outline, ends = scene(PLACES[0], 30.0, 40.0)
    assert found_foot(bgr, linear_table(), outline, ends, view, BENCH_MM) is None


def test_no_foot_is_found_where_there_is_no_edge():
    bgr, view, _, outline, ends = scene(PLACES[0], 30.0, 9.0, BENCH)
    assert found_foot(bgr, linear_table(), outline, ends, view, BENCH_MM) is None
