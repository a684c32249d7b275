"""Ovals from several sides, against exact ellipses and sections whose widths are measured out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from measure.ovality import CHANCE, at_least, fit_ovality, sides_seen

TURNS = np.deg2rad([0.0, 60.0, 120.0])


def widths(section: np.ndarray, turns: np.ndarray) -> np.ndarray:
    """Return the widths of a section, (k, 2) points, seen from the side after each turn.

    The photo sees the piece's extent square to the line of sight; turning the piece by phi
    is looking along a direction turned by -phi.
    """
    out = []
    for turn in turns:
        across = section @ np.array([np.cos(turn), np.sin(turn)])
        out.append(across.max() - across.min())
    return np.array(out)


def ellipse(largest: float, smallest: float, widest_deg: float, count: int = 200001) -> np.ndarray:
    t = np.linspace(0.0, 2.0 * np.pi, count)
    a = np.deg2rad(widest_deg)
    p = np.column_stack([0.5 * largest * np.cos(t), 0.5 * smallest * np.sin(t)])
    return p @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])


@pytest.mark.parametrize("widest_deg", [0.0, 17.0, 45.0, 90.0, 133.0, 179.0])
@pytest.mark.parametrize(
    "turns_deg", [(0, 60, 120), (0, 45, 90), (0, 40, 80, 120), (10, 95, 200, 330)]
)
def test_an_exact_ellipse_is_found_exactly(widest_deg, turns_deg) -> None:
    turns = np.deg2rad(turns_deg)
    seen = widths(ellipse(40.5, 40.0, widest_deg), turns)[:, None]
    oval = fit_ovality(turns, seen, np.full_like(seen, 0.05))
    assert oval.size_mm[0] == pytest.approx(0.5, abs=1e-6)
    assert oval.largest_mm[0] == pytest.approx(40.5, abs=1e-6)
    assert oval.mean_mm[0] == pytest.approx(40.25, abs=1e-6)
    off = (np.rad2deg(oval.widest_rad[0]) - widest_deg + 90.0) % 180.0 - 90.0
    assert abs(off) < 1e-3


def test_a_strongly_oval_section_is_exact_too() -> None:
    seen = widths(ellipse(60.0, 40.0, 30.0), TURNS)[:, None]
    oval = fit_ovality(TURNS, seen, np.full_like(seen, 0.05))
    assert oval.size_mm[0] == pytest.approx(20.0, abs=1e-6)


def test_weights_and_uncertainty_agree_with_simulation() -> None:
    """GUM Supplement 1: propagation of distributions by drawing (JCGM 101:2008, clause 7)."""
    rng = np.random.default_rng(5)
    u95 = np.array([0.1, 0.2, 0.15, 0.1])
    turns = np.deg2rad([0.0, 50.0, 100.0, 140.0])
    true = widths(ellipse(30.8, 30.0, 25.0), turns)
    seen = true[:, None] + rng.standard_normal((4, 20000)) * (u95 / 1.96)[:, None]
    oval = fit_ovality(turns, seen, np.broadcast_to(u95[:, None], seen.shape))
    assert np.std(oval.size_mm) * 1.96 == pytest.approx(np.mean(oval.size_u95_mm), rel=0.05)
    assert np.std(oval.mean_mm) * 1.96 == pytest.approx(np.mean(oval.mean_u95_mm), rel=0.05)
    assert np.mean(np.abs(oval.size_mm - 0.8) <= oval.size_u95_mm) == pytest.approx(0.95, abs=0.02)
    turn_off = (oval.widest_rad - np.deg2rad(25.0) + np.pi / 2) % np.pi - np.pi / 2
    assert np.mean(np.abs(turn_off) <= oval.widest_u95_rad) == pytest.approx(0.95, abs=0.03)


def test_half_a_millimetre_is_sized_within_0_2_from_three_photos() -> None:
    """In any direction, where each photo knows a diameter to 0.12 mm (95 %).

    The half-width of the size is 2 sqrt(2 / 3) = 1.63 times that of one diameter: photos that know
    it to 0.15 mm size an oval to 0.24 mm only.
    """
    rng = np.random.default_rng(6)
    hit = []
    for widest in range(0, 180, 5):
        true = widths(ellipse(40.5, 40.0, widest, 20001), TURNS)
        seen = true[:, None] + rng.standard_normal((3, 500)) * 0.12 / 1.96
        oval = fit_ovality(TURNS, seen, np.full_like(seen, 0.12))
        assert oval.size_u95_mm[0] == pytest.approx(0.12 * 2.0 * np.sqrt(2.0 / 3.0), rel=0.02)
        hit.append(np.mean(np.abs(oval.size_mm - 0.5) <= 0.2))
    assert min(hit) >= 0.93


def test_a_round_piece_is_seldom_called_oval() -> None:
    rng = np.random.default_rng(7)
    seen = 40.0 + rng.standard_normal((3, 20000)) * 0.1
    oval = fit_ovality(TURNS, seen, np.full_like(seen, 0.196))
    assert np.mean(oval.found) == pytest.approx(0.05, abs=0.01)


def test_limit_of_chi_square() -> None:
    assert chi2.ppf(1.0 - CHANCE, 2) == pytest.approx(-2.0 * np.log(CHANCE), rel=1e-9)


def test_two_photos_never_claim_more_than_there_is() -> None:
    rng = np.random.default_rng(8)
    for widest in range(0, 180, 15):
        true = widths(ellipse(40.5, 40.0, widest, 20001), np.deg2rad([0.0, 90.0]))
        seen = true[:, None] + rng.standard_normal((2, 2000)) * 0.05
        bound = at_least(seen, np.full_like(seen, 0.098))
        assert np.all(bound >= 0.0)
        assert np.mean(bound > 0.5) < 0.06
    exact = widths(ellipse(40.5, 40.0, 0.0, 20001), np.deg2rad([0.0, 90.0]))[:, None]
    assert at_least(exact, np.full_like(exact, 1e-9))[0] == pytest.approx(0.5, abs=1e-6)


def test_half_a_turn_is_no_new_side() -> None:
    assert sides_seen(np.deg2rad([0.0, 180.0, 360.0])) == 1
    assert sides_seen(np.deg2rad([0.0, 60.0, 240.0])) == 2
    assert sides_seen(np.deg2rad([0.0, 60.0, 120.0, 180.0])) == 3
    assert sides_seen(np.deg2rad([0.0, 3.0, 177.0])) == 1


def test_too_few_sides_are_misuse() -> None:
    with pytest.raises(ValueError, match="three"):
        fit_ovality(np.deg2rad([0.0, 90.0, 180.0]), np.full((3, 1), 40.0), np.full((3, 1), 0.1))
    with pytest.raises(ValueError, match="shapes"):
        fit_ovality(TURNS, np.full((2, 1), 40.0), np.full((2, 1), 0.1))
