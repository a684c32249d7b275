"""A piece counted from its other end is the same piece: exact scenes, noise on every point."""

from dataclasses import fields

import numpy as np
import pytest
from exact_scene import scene, seen, shoulder_of, traced

from measure.outline import Outline

SHARE = 0.1
"""Of its ± that a diameter or the length may change: the same points are evened otherwise."""


def from_other_end(outline):
    """Return the outline in order from its far end."""
    half = len(outline.points_px) // 2
    return Outline(*(np.roll(getattr(outline, f.name), -half, axis=0) for f in fields(outline)))


@pytest.mark.parametrize("setup", ["bench", "level", "plane"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_piece_counted_from_its_other_end_is_the_same(setup, seed):
    rng = np.random.default_rng(seed)
    it = scene(setup, rng)
    lens, found, outline = seen(it, rng)
    one = traced(it, lens, found, outline).result
    other = traced(it, lens, found, from_other_end(outline)).result
    assert abs(one.length_mm - other.length_mm) < SHARE * one.length_u95_mm
    p, q = one.profile.at_its_z(), other.profile.at_its_z()
    # Clear of ends and shoulder, where a tenth of a millimetre along is much across.
    z = np.arange(5.0, one.length_mm - 5.0, 1.0)
    z = z[np.abs(z - shoulder_of(it.solid)) > 5.0]
    z = z[[np.abs(p.z_mm - at).min() < 0.3 for at in z]]
    back = other.length_mm - q.z_mm[::-1]
    z = z[[np.abs(back - at).min() < 0.3 for at in z]]
    assert len(z) > 0.8 * (one.length_mm - 20.0)
    change = np.interp(z, back, q.diameter_mm[::-1]) - np.interp(z, p.z_mm, p.diameter_mm)
    u95 = np.interp(z, p.z_mm, p.u95_mm)
    assert np.max(np.abs(change) / u95) < SHARE
