"""Edges that bulge and edges that do not, drawn: a circle's picture and a rectangle's."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from measure.cutterjob import measure_cutter
from measure.result import TraceRequest
from measure.roundedges import round_edges
from measure.steparcs import Look
from measure.toolrequest import build_tool_request
from tests.measure.cutter.drawntool import AXIS, SIZE, TRUE, drawn, view_from

OVER = [(-110.0, -60.0, 230.0), (40.0, -110.0, 200.0), (-80.0, 30.0, 220.0), (90.0, 60.0, 230.0)]
THICK_MM = 2.5
SAMPLES = Path(__file__).parents[3] / "sample_images"


def drawn_blade(view):
    """A round shank and, of the same widths as the round tool, steps of a flat blade."""
    picture = drawn(view, TRUE[:1], noise=0.0).astype(float)
    for step, tone in zip(TRUE[1:], (165.0, 185.0), strict=True):
        wide = np.array([0.0, step.radius_mm, 0.0])
        thick = np.array([0.0, 0.0, 0.5 * THICK_MM])
        corners = [
            AXIS.at(z) + side * wide + face * thick
            for z in (step.z_from_mm, step.z_to_mm)
            for side in (-1, 1)
            for face in (-1, 1)
        ]
        pixels = view.to_pixels(np.array(corners).reshape(-1, 3))
        hull = cv2.convexHull(np.round(pixels * 16).astype(np.int32))
        cv2.fillConvexPoly(picture, hull, (tone,) * 3, cv2.LINE_8, 4)
    picture = cv2.GaussianBlur(picture, (0, 0), 1.0)
    picture += np.random.default_rng(3).normal(0.0, 4.0, (*SIZE, 3))
    return np.clip(picture, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("place", OVER)
def test_edges_of_round_steps_are_seen_to_bulge(place):
    view = view_from(place)
    assert set(round_edges(Look(drawn(view, TRUE), view, AXIS), TRUE)) & {1, 2}


@pytest.mark.parametrize("place", OVER)
def test_edges_of_a_flat_blade_are_not(place):
    view = view_from(place)
    assert not set(round_edges(Look(drawn_blade(view), view, AXIS), TRUE)) & {1, 2}


def test_a_round_tool_told_to_be_flat_is_doubted_and_the_form_is_said_to_be_told(tmp_path):
    """The rendered borer: edges of its cutting steps are half ellipses in the photo."""
    outcome = measure_cutter(
        [SAMPLES / "borer.jpg"], TraceRequest(), build_tool_request(1, form="flat"),
        mechanism_file=None, out=tmp_path / "out", inches=False, report=False, quietly=True,
    )  # fmt: skip
    assert "form-doubtful" in [notice.code for notice in outcome.notices]
    assert "Taken as a flat blade, as told, not seen" in outcome.text
