"""The quick laying out of rims, held to their projection one by one, and the lean of an axis."""

from dataclasses import replace

import numpy as np
import pytest

from measure.rimevidence import RimLayout, _largest_of
from measure.rimlean import lean_of
from measure.rimpixels import rim_pixels, rim_points
from tests.measure.cutter.drawntool import AXIS, view_from


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_interpolated_pixels_are_those_projected(sign):
    """By the camera's own projection, of a lens that bends, seen from near and aslant."""
    view = view_from((60.0, 90.0, 180.0))
    view = replace(view, lens=replace(view.lens, k1=0.08, k2=-0.05))
    z, r = np.arange(-25.0, 145.0, 1.3), np.arange(1.0, 60.0, 0.7)
    x, y = rim_pixels(view, AXIS, z, r, sign)
    points = rim_points(view.camera_centre_mm, AXIS, z[:, None], r[None], sign)
    np.testing.assert_allclose(np.stack([x, y], axis=-1), view.to_pixels(points), atol=1e-3)


def test_a_single_radius_is_laid_out_too():
    view = view_from((-10.0, 60.0, 320.0))
    z = np.arange(0.0, 40.0, 0.5)
    x, y = rim_pixels(view, AXIS, z, np.array([6.0]), 1.0)
    points = rim_points(view.camera_centre_mm, AXIS, z, np.full(len(z), 6.0), 1.0)
    np.testing.assert_allclose(np.stack([x, y], axis=-1)[:, 0], view.to_pixels(points), atol=1e-3)


def test_largest_of_runs_of_columns_is_numpys():
    rng = np.random.default_rng(5)
    values = rng.random((7, 60)).astype(np.float32)
    first = np.arange(50)
    stop = np.minimum(first + rng.integers(1, 40, 50), 60)
    expected = [values[:, a:b].max(axis=1) for a, b in zip(first, stop, strict=True)]
    np.testing.assert_array_equal(_largest_of(values, first, stop), np.stack(expected, axis=1))


@pytest.mark.parametrize(("shift", "turn"), [(0.0, 0.0), (2.4, 0.0), (-3.0, 0.03), (1.2, -0.05)])
def test_lean_of_two_straight_rims_is_found(shift, turn):
    """Two lines drawn about an axis that is known: shifted at the middle and turned."""
    layout = RimLayout(np.arange(0.0, 120.0, 0.25), np.arange(2.0, 40.0, 0.1))
    away = shift + turn * (layout.z - layout.z.mean())
    sides = [
        np.exp(-0.5 * ((layout.r[None] - (12.0 + sign * away)[:, None]) / 0.15) ** 2)
        for sign in (1.0, -1.0)
    ]
    first, second = (side.astype(np.float32) for side in sides)
    found = lean_of(first, second, layout, 12.0, 0.3)
    assert found[0] == pytest.approx(shift, abs=0.2)
    assert found[1] == pytest.approx(turn, abs=0.2 / 60.0)
