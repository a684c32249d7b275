"""Small holes in one side, against exact round profiles with points taken out."""

from __future__ import annotations

import numpy as np
import pytest

from measure.pinholes import closed_by_the_other, pinholes

Z = np.arange(0.0, 60.0, 0.25)
TRUE = 18.0 + 4.0 * np.sin(Z / 7.0)


def sides(lean=0.0, hole=None, side=0, other=None):
    """Return radii of both sides of a round piece, one leaning by mm over its length."""
    r = np.stack([TRUE + lean * Z / Z[-1], TRUE - lean * Z / Z[-1]])
    for k, span in ((side, hole), (1 - side, other)):
        if span is not None:
            r[k, (span[0] < Z) & (span[1] > Z)] = np.nan
    return r


@pytest.mark.parametrize("side", [0, 1])
@pytest.mark.parametrize("lean", [-0.15, 0.0, 0.15])
def test_a_hole_is_closed_to_the_true_diameter(side, lean):
    r = sides(lean, (20.0, 21.5), side)
    closed, noise = closed_by_the_other(r, np.full_like(r, 0.02), pinholes(r))
    assert np.all(np.isfinite(closed))
    # An axis a little askew makes one side proud all along: that goes on across the hole.
    assert np.abs(closed.sum(axis=0) - 2.0 * TRUE).max() < 0.002
    # The one radius seen tells both: its noise counts twice.
    inside = ~np.isfinite(r[side])
    diameter_noise = np.hypot(noise[0], noise[1])[inside]
    assert diameter_noise == pytest.approx(2.0 * 0.02, rel=0.05)


@pytest.mark.parametrize(
    "case",
    [
        {"hole": (20.0, 23.0)},  # longer than a pinhole
        {"hole": (20.0, 21.5), "other": (20.5, 21.0)},  # the other side is lost there too
        {"hole": (20.0, 21.5), "other": (21.6, 30.0)},  # or beside it
        {"hole": (-1.0, 1.2)},  # at the end nothing lies on its far side
        {"hole": (20.0, 21.5), "lean": 1.5},  # sides that differ do not stand for each other
    ],
)
def test_other_holes_stay(case):
    r = sides(**case)
    holes = pinholes(r)
    assert not holes.any()
    closed, _ = closed_by_the_other(r, np.full_like(r, 0.02), holes)
    assert np.array_equal(np.isnan(closed), np.isnan(r))


def test_a_hole_beside_a_groove_stays():
    # What throws the points off there is the groove's rim, and it may hide more.
    r = sides(0.0, (20.0, 21.5), 0)
    r[1, (Z > 20.4) & (Z < 21.2)] -= 2.0
    assert not pinholes(r).any()


def test_a_gap_that_strays_beside_a_hole_makes_it_less_sure():
    r = sides(0.0, (20.0, 21.5), 0)
    r[0, (Z > 19.0) & (Z <= 20.0)] += 0.2
    noise = closed_by_the_other(r, np.full_like(r, 0.02), pinholes(r))[1]
    first = int(np.flatnonzero(~np.isfinite(r[0]))[0])
    assert noise[0, first] > 1.5 * np.sqrt(3.0) * 0.02
