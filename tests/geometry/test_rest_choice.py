"""The way a bellied piece rests, in exact scenes where weight points to the other one."""

import numpy as np
import pytest
from exact_piece import Solid, line, lying_axis, round_arc
from exact_scene import SIZE_PX, Scene, in_picture, over, seen, true_lens

from calib.targets import ID1
from measure.pieceends import piece_ends
from measure.rest import resting_places
from measure.restchoice import with_rest_chosen
from measure.result import TraceRequest
from measure.setting import curves_of
from measure.solving import solve_outline

HALF, WIDEST, THIN = 27.0, 30.0, 14.0
CENTRE = (WIDEST**2 - THIN**2 - HALF**2) / (2.0 * (WIDEST - THIN))
REACH = WIDEST - CENTRE
ANGLE = float(np.arccos(HALF / REACH))
BELLIED = Solid(
    (
        line(0.0, THIN, 30.0, THIN),
        round_arc(57.0, CENTRE, REACH, np.pi - ANGLE, ANGLE),
        line(84.0, THIN, 116.0, 15.0),
    )
)
"""A belly of 60 mm between two thin ends: it may rest on either side of the belly."""


def bellied(rng, which):
    """Return a scene in which it rests in the likeliest way but `which`."""
    z, r = BELLIED.resting_table()
    ways = [rest for rest in resting_places(z, r) if rest.chance > 0.05]
    rest = ways[which]
    for _ in range(300):
        axis = lying_axis(
            BELLIED,
            (rest.first_mm, rest.second_mm),
            -ID1.thickness_mm,
            np.zeros(2),
            np.array([0.0, 70.0]),
            rng.uniform(-0.2, 0.2),
        )
        view = over(rng, [0.0, 42.0], true_lens(rng, 0.3))
        ends = axis.at(np.array([-10.0, 126.0]))
        if in_picture(view, ends):
            card = np.array([ID1.width_mm, ID1.height_mm])
            return Scene("bench", view, axis, BELLIED, card, TraceRequest()), len(ways)
    raise AssertionError("no scene fits the picture")


def lean(estimate, it):
    """Return by how much the axis found leans from the true one, radians."""
    cosine = abs(float(estimate.axis.direction @ it.axis.direction))
    return float(np.arccos(min(cosine, 1.0)))


@pytest.mark.parametrize("which", [0, 1])
@pytest.mark.parametrize("seed", [3, 4, 5])
def test_the_ends_tell_how_a_bellied_piece_rests(seed, which):
    rng = np.random.default_rng(seed)
    it, count = bellied(rng, which)
    assert count > 1
    lens, found, outline = seen(it, rng, 0.3)
    first = solve_outline(it.request, lens, found, outline, 3)
    chosen = with_rest_chosen(it.request, lens, found, first, SIZE_PX)
    assert lean(chosen.estimate, it) < 0.02


def test_an_estimate_is_told_in_the_unknowns_of_another():
    rng = np.random.default_rng(3)
    it, _ = bellied(rng, 0)
    lens, found, outline = seen(it, rng, 0.3)
    one = solve_outline(it.request, lens, found, outline, 3).estimate
    other = solve_outline(it.request, lens, found, outline, 3, leaning=-0.3).estimate
    assert lean(one, it) != pytest.approx(lean(other, it), abs=0.05)
    x = one.layout.vector_at(other.view, other.axis, other.x)
    axis = one.layout.axis_of(x)
    assert np.allclose(axis.direction, other.axis.direction, atol=1e-9)
    # The same line, wherever it counts from.
    gap = axis.point_mm - other.axis.point_mm
    assert np.allclose(np.cross(gap, other.axis.direction), 0.0, atol=1e-9)
    assert np.allclose(one.layout.view_of(x).vector(), other.view.vector())


def circles_seen(it, found, solved):
    """Return at how many ends the arc is the picture of a circle about the axis found."""
    view, axis = solved.estimate.view, solved.estimate.axis
    curves, _ = curves_of(solved.outline, view, axis)
    bench, closed = -found.thickness_mm, (False, False)
    ends = piece_ends(SIZE_PX, it.request, bench, solved.outline, view, axis, curves, closed)
    return ends.start.circle + ends.stop.circle


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_from_the_wrong_way_a_face_is_no_circle(seed):
    """Some dome makes the arc of a face from there as well, but no circle about the axis does."""
    rng = np.random.default_rng(seed)
    it, _ = bellied(rng, 1)
    lens, found, outline = seen(it, rng, 0.3)
    first = solve_outline(it.request, lens, found, outline, 3)
    chosen = with_rest_chosen(it.request, lens, found, first, SIZE_PX)
    assert lean(first.estimate, it) > 0.02
    assert circles_seen(it, found, first) < circles_seen(it, found, chosen) == 2
