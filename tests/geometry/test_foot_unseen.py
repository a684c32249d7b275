"""The rim of a foot of which a side is not seen low down is as large as its arc says, no more.

Where neither side is, the arc may be of another edge than the foot's.
"""

from dataclasses import replace

import numpy as np
import pytest
from exact_scene import judged, scene, seen, traced

from calib.refusal import RefusalError
from measure.setting import RIM_MOST
from measure.sides import contour_values
from measure.solving import axis_ends_of

HIDDEN_MM = 30.0
DRAWN = 8
"""Photos of whose normalised errors the common rms is near 1 where the stated ones are right."""


def foot_sides_hidden(it, outline, both=False):
    """Return the outline without one of its sides below a height, or both; the foot's arc stays."""
    z = contour_values(outline.points_px, outline.tangents, it.view, it.axis)[0]
    ends = axis_ends_of(outline)
    up = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    is_side = np.abs(outline.tangents @ up) > RIM_MOST
    first = np.arange(len(z)) < len(z) // 2
    return replace(outline, clear=outline.clear & ~(is_side & (z < HIDDEN_MM) & (first | both)))


def spreading(rng):
    """Return a standing piece whose foot is 2 mm and more larger than what is seen above it."""
    while True:
        it = scene("upright", rng)
        z = np.linspace(0.0, HIDDEN_MM + 3.0, 50)
        r = it.solid.radius(z)
        if np.abs(r[0] - r[-5:]).min() > 2.0 and it.solid.length > 3.0 * HIDDEN_MM:
            return it


@pytest.mark.parametrize("hidden", [False, True])
def test_diameters_are_as_sure_as_stated_though_the_foots_sides_are_hidden(hidden):
    rng = np.random.default_rng(5)
    normalised = []
    for _ in range(DRAWN):
        it = spreading(rng)
        lens, found, outline = seen(it, rng)
        if hidden:
            outline = foot_sides_hidden(it, outline)
        rows = judged(it, traced(it, lens, found, outline))
        normalised.append(float(np.sqrt(np.mean(rows.normalised()[rows.calm] ** 2))))
    assert np.sqrt(np.mean(np.square(normalised))) < 1.5


def test_a_foot_of_which_neither_side_is_seen_is_refused():
    rng = np.random.default_rng(6)
    it = spreading(rng)
    lens, found, outline = seen(it, rng)
    with pytest.raises(RefusalError) as caught:
        traced(it, lens, found, foot_sides_hidden(it, outline, both=True))
    assert caught.value.notice.code == "foot-unclear"
