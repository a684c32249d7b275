"""How well a whole side's rim is known, by how well its points are."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from measure.outline import Outline
from measure.rimbias import CLEAN_PX, RIM_BIAS_SD_PX, rim_bias_sd
from measure.sides import SideCurve

MANY = 40
known = st.floats(0.05, 0.6)


def two_sides(first_px: float, second_px: float) -> tuple[Outline, tuple[SideCurve, SideCurve]]:
    """Return an outline whose points are known so well on either side; a third of them unclear."""
    n = 2 * MANY
    sd = np.repeat([first_px, second_px], MANY)
    clear = np.arange(n) % 3 > 0
    flat = np.zeros((n, 2))
    outline = Outline(flat, flat, np.where(clear, sd, 9.0), np.zeros(n), np.ones(n), clear)
    z = np.linspace(0.0, 100.0, MANY)
    halves = (np.arange(MANY), np.arange(MANY, n))
    first, second = (SideCurve(half, z, np.full(MANY, 20.0)) for half in halves)
    return outline, (first, second)


@given(known, known)
def test_a_side_is_known_no_better_than_its_points_let(first_px: float, second_px: float) -> None:
    first, second = rim_bias_sd(*two_sides(first_px, second_px))
    assert min(first, second) >= RIM_BIAS_SD_PX
    # Grain and noise under a rim move it as a whole, so that many points do not make it certain.
    assert first >= 0.9 * first_px
    assert second >= 0.9 * second_px
    assert (first < second) == (max(first_px, CLEAN_PX) < max(second_px, CLEAN_PX))


def test_clean_sides_are_as_measured_and_no_point_seen_is_no_fault() -> None:
    assert rim_bias_sd(*two_sides(0.07, 0.1)) == pytest.approx(RIM_BIAS_SD_PX)
    outline, curves = two_sides(0.4, 0.4)
    unseen = Outline(
        outline.points_px, outline.tangents, outline.sd_px, outline.bend, outline.contrast,
        np.zeros(len(outline.clear), dtype=bool),
    )  # fmt: skip
    assert rim_bias_sd(unseen, curves) == pytest.approx(RIM_BIAS_SD_PX)


@pytest.mark.parametrize(
    ("points_px", "side_px"),
    [(0.13, 0.14), (0.15, 0.175), (0.175, 0.24), (0.22, 0.35), (0.29, 0.385)],
)
def test_sides_are_off_as_rendered_photos_are(points_px: float, side_px: float) -> None:
    # Rms of 1336 sides of rendered photos against their truth (the path tracer's), as rendered or
    # compressed, smoothed, shaken or with other tones afterwards.
    assert rim_bias_sd(*two_sides(points_px, points_px)) == pytest.approx(side_px, rel=0.2)
