"""The search for the axis line, on scenes drawn as arrays."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from measure.axissearch import STEP, search_axis
from measure.scene import Scene

WIDTH, HEIGHT = 240, 120
CAMERA = np.array([[300.0, 0.0, 120.0], [0.0, 300.0, 60.0], [0.0, 0.0, 1.0]])


def _band_scene(top: float, bottom: float) -> Scene:
    """Return a bright bar between two rows of a dark picture."""
    y = np.arange(HEIGHT, dtype=np.float32)[:, None] + np.zeros(WIDTH, np.float32)
    inside = (y >= top) & (y <= bottom)
    features = np.zeros((HEIGHT, WIDTH, 6), np.float32)
    features[..., :3] = np.where(inside, 4.0, 0.0)[..., None]
    features[..., 3] = np.where(inside, 1.0, -1.0)
    features[..., 4:] = 1.0
    reduced = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
    return Scene(features, 1.0, (features[..., 3],), reduced)


def _line(y: float) -> NDArray[np.float64]:
    return np.array([[20.0, y], [220.0, y]])


@pytest.mark.parametrize("off", [-4.0, 0.0, 5.0])
def test_the_axis_of_a_bar_lies_midway_between_its_edges(off: float) -> None:
    """A straight bar seen square mirrors about its middle line (Euclid, Elements I.10)."""
    lines = search_axis(_band_scene(40.0, 80.0), CAMERA, _line(60.0 + off), 20.0)
    assert lines
    # Lines are tried a step apart, and an edge lies between two rows.
    assert np.abs(lines[0][:, 1] - 60.0).max() < STEP + 0.5


@given(half=st.floats(0.2, 60.0), top=st.floats(50.0, 60.0), thick=st.floats(0.0, 12.0))
def test_no_band_is_too_narrow_to_be_searched(half: float, top: float, thick: float) -> None:
    lines = search_axis(_band_scene(top, top + thick), CAMERA, _line(60.0), half)
    assert all(np.isfinite(line).all() and line.shape == (2, 2) for line in lines)
