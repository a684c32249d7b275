"""Steep flanks of a drawn outline, against exact ones."""

import numpy as np
import pytest

from measure.drawingslant import slanted


def flank(slant, rise, noise, seed, count=12):
    """Points of a flank about z = 40 from radius 10, its ends left out as corners are."""
    rng = np.random.default_rng(seed)
    share = np.linspace(0.15, 0.85, count)
    z = 40.0 + slant * (share - 0.5) + noise * rng.standard_normal(count)
    return z, 10.0 + rise * share


@pytest.mark.parametrize("rise", [2.5, -3.0])
@pytest.mark.parametrize("slant", [0.3, 0.6, 1.0])
def test_a_slanted_flank_goes_as_far_along_as_it_was_drawn(slant, rise):
    for seed in range(10):
        at, found = slanted(*flank(slant, rise, 0.02, seed), rise)
        assert at == pytest.approx(40.0, abs=0.04)
        assert found == pytest.approx(slant, abs=0.12)


def test_specks_do_not_turn_it():
    z, r = flank(0.5, 2.5, 0.02, 1)
    z[3], z[8] = 40.9, 39.2
    at, found = slanted(z, r, 2.5)
    assert at == pytest.approx(40.0, abs=0.06)
    assert found == pytest.approx(0.5, abs=0.2)


def test_a_square_shoulder_stays_square():
    """By hand it leans a little, and its points scatter."""
    points = [flank(lean, 2.5, 0.04, seed) for seed in range(50) for lean in (0.0, 0.05)]
    square = [slanted(*each, 2.5)[1] for each in points]
    assert np.mean(np.array(square) == 0.0) > 0.95
    assert slanted(*flank(-0.5, 2.5, 0.02, 2), 2.5)[1] == 0.0, "an undercut has no diameter"
    assert slanted(*flank(0.5, 2.5, 0.02, 2, count=3), 2.5)[1] == 0.0, "too few points to tell"
