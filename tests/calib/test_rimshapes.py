"""Edges of rims at known places: steps blurred analytically, the inside shading toward them."""

import numpy as np
import pytest
from scipy.special import ndtr

from calib.edges import fit_edges, rim_shapes

PLACES = np.linspace(-1.0, 1.0, 21)
T = np.arange(-6.0, 6.5, 1.0)
BLURS = (0.6, 0.8, 1.1, 1.5)


def lines(blur, shade, noise=0.002):
    """Return scan lines (n, m, 3): bench of 0.5 outside, steel shading to its rim inside."""
    t = T[None, :] - PLACES[:, None]
    face = 1.0 - ndtr(t / blur)
    inside = 0.2 + shade * np.exp(np.minimum(t, 0.0) / 20.0)
    light = face * inside + (1.0 - face) * 0.5
    drawn = np.random.default_rng(2).normal(0.0, noise, (*light.shape, 3))
    return (light[..., None] + drawn).astype(np.float32)


@pytest.mark.parametrize("shade", [0.0, 0.1, -0.1])
@pytest.mark.parametrize("blur", BLURS)
def test_edge_is_found_whatever_blurs_it(blur, shade):
    fits = fit_edges(lines(blur, shade), rim_shapes(6.0, 3.5, BLURS))
    away = fits.offset_px - PLACES
    assert abs(np.median(away)) < 0.05
    assert np.abs(away).max() < 0.25


def test_a_blur_taken_for_wider_puts_a_shading_edge_inside():
    """What the rivals are for; and that they cure it."""
    sharp = lines(0.6, 0.15)
    one = fit_edges(sharp, rim_shapes(6.0, 3.5, (1.1,))).offset_px - PLACES
    rivals = fit_edges(sharp, rim_shapes(6.0, 3.5, BLURS)).offset_px - PLACES
    assert abs(np.median(rivals)) < 0.5 * abs(np.median(one))
