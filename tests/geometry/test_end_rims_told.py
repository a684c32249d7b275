"""What the rims of the ends say of the phone: circles as scipy has them, and whole exact photos.

How far a ray passes a circle is asked of scipy.optimize as well, which knows nothing of rims. The
photos are those of `exact_scene`: everything unknown is drawn from the prior that it states.
"""

from dataclasses import replace

import numpy as np
import pytest
from exact_piece import Solid, line, round_arc
from exact_scene import SIZE_PX, Scene, extent, in_picture, on_bench, scene, seen, true_lens
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from calib.targets import ID1
from measure.endrim import end_frame
from measure.endrimfit import with_rims
from measure.endrimsight import RimSight, rim_misses
from measure.revolve import Axis
from measure.solving import solve_outline

AXIS = Axis(np.array([0.0, 0.0, 30.0]), np.array([1.0, 0.0, 0.0]))
FACE_Z = 80.0
OFF_MM = 0.2
"""A pixel and a half: farther off no point is taken for the rim's."""
PHOTOS = 16


@given(
    st.floats(4.0, 34.0),
    st.floats(-150.0, 40.0),
    st.floats(-60.0, 60.0),
    st.floats(250.0, 700.0),
    st.floats(-0.8, 0.8),
    st.floats(-OFF_MM, OFF_MM),
)
def test_rays_pass_a_circle_by_what_scipy_says(radius, x, y, height, place, off):
    """A ray is aimed so far outside the circle, at a place that the phone sees."""
    camera = np.array([x, y, height])
    centre, frame = end_frame(camera, AXIS, FACE_Z, -1.0)
    # The middle of what the phone sees of the rim.
    toward = np.arctan2(-centre @ frame[1], -centre @ frame[0])
    angle = toward + place
    out = np.cos(angle) * frame[0] + np.sin(angle) * frame[1]
    ray = centre + (radius + off) * out
    rim = RimSight(np.array([0]), np.array([angle + 0.1]), camera + centre, radius, 1.0, 0.3)
    miss = rim_misses(ray[None], camera, AXIS, FACE_Z, radius, rim)[0]
    v = ray / np.linalg.norm(ray)

    def away(turn):
        p = centre + radius * (np.cos(turn) * frame[0] + np.sin(turn) * frame[1])
        return np.linalg.norm(p - (p @ v) * v)

    least = minimize_scalar(away, bounds=(angle - 0.4, angle + 0.4), options={"xatol": 1e-10})
    assert abs(miss) == pytest.approx(least.fun, abs=1e-3 * abs(off) + 1e-5)
    assert abs(off) < 1e-3 or np.sign(miss) == np.sign(off)


def solved_both(it, rng):
    """Return a scene solved without its rims and with them."""
    lens, found, outline = seen(it, rng)
    without = solve_outline(it.request, lens, found, outline, 3)
    return without, with_rims(it.request, lens, found, without, SIZE_PX)


def off_in_sds(estimate, it):
    """Return by how much the focal length is off, as a share, and in standard deviations."""
    off = float(estimate.x[0]) / it.view.lens.focal_px - 1.0
    return off, off * it.view.lens.focal_px / float(np.sqrt(estimate.covariance[0, 0]))


@pytest.fixture(scope="module")
def both():
    photos = []
    for k in range(PHOTOS):
        rng = np.random.default_rng((91, k))
        it = scene("bench", rng)
        photos.append([off_in_sds(solved.estimate, it) for solved in solved_both(it, rng)])
    return np.array(photos)


def test_two_rims_tell_the_focal_length(both):
    without, told = np.sqrt(np.mean(both[:, :, 0] ** 2, axis=0))
    assert told < 0.8 * without


def test_what_the_rims_tell_is_stated_as_it_is(both):
    assert 0.5 < np.sqrt(np.mean(both[:, 1, 1] ** 2)) < 1.5


def test_a_known_focal_length_needs_no_rims():
    rng = np.random.default_rng(5)
    it = scene("bench", rng)
    lens, found, outline = seen(it, rng)
    covariance = lens.covariance.copy()
    covariance[0, 0] = (0.002 * lens.focal_px) ** 2
    known = replace(lens.with_vector(it.view.lens.vector()), covariance=covariance)
    solved = solve_outline(it.request, known, found, outline, 3)
    assert with_rims(it.request, known, found, solved, SIZE_PX) is solved


def test_what_contradicts_a_known_focal_length_is_no_rim():
    """As if it were known to 0.7 %: with the rims it would be another by 2.4 %."""
    rng = np.random.default_rng((91, 11))
    it = scene("bench", rng)
    lens, found, outline = seen(it, rng)
    solved = solve_outline(it.request, lens, found, outline, 3)
    focal = float(solved.estimate.x[0])
    told = float(with_rims(it.request, lens, found, solved, SIZE_PX).estimate.x[0])
    assert abs(told / focal - 1.0) > 0.02
    covariance = solved.estimate.covariance.copy()
    covariance *= (0.007 * focal) ** 2 / covariance[0, 0]
    known = replace(solved, estimate=replace(solved.estimate, covariance=covariance))
    assert with_rims(it.request, lens, found, known, SIZE_PX) is known


def test_a_standing_foot_is_not_told_twice():
    """The foot's rim and where it stands are one observation; the rim on top is another."""
    rng = np.random.default_rng(6)
    it = scene("upright", rng)
    lens, found, outline = seen(it, rng)
    solved = solve_outline(it.request, lens, found, outline, 3)
    top_hidden = replace(solved, open_ends=(False, True))
    assert with_rims(it.request, lens, found, top_hidden, SIZE_PX) is top_hidden
    assert with_rims(it.request, lens, found, solved, SIZE_PX) is not solved


def test_half_balls_have_no_rims():
    """No circle closes the outline: there is nothing to tell."""
    ball, length = 16.0, 130.0
    rod = Solid(
        (
            round_arc(ball, 0.0, ball, np.pi, 0.5 * np.pi),
            line(ball, ball, 65.0, 20.0),
            line(65.0, 20.0, length - ball, ball),
            round_arc(length - ball, 0.0, ball, 0.5 * np.pi, 0.0),
        )
    )
    rng = np.random.default_rng(7)
    for _ in range(300):
        axis, view, request = on_bench(rng, 1.0, rod, true_lens(rng, 1.0))
        if in_picture(view, extent(axis, rod)):
            break
    card = np.array([ID1.width_mm, ID1.height_mm])
    without, told = solved_both(Scene("bench", view, axis, rod, card, request), rng)
    assert told is without
