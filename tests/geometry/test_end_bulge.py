"""Round ends bulge in a picture, a sheet's do not: pictures drawn without the forward model.

Outlines of turned pieces come from `exact_piece`, a sheet is a rectangle by construction.
"""

from itertools import pairwise

import numpy as np
import pytest
from exact_piece import SPACING_PX, seen_outline
from exact_scene import scene, seen

from measure.endbulge import bulges_of, end_bulge, ends_straight
from measure.outline import Outline
from measure.solving import solve_outline


@pytest.mark.parametrize("setup", ["bench", "level", "plane", "upright"])
def test_ends_of_turned_pieces_are_never_straight(setup):
    rng = np.random.default_rng(5)
    told = 0
    for _ in range(8):
        it = scene(setup, rng)
        lens, found, outline = seen(it, rng)
        fit = solve_outline(it.request, lens, found, outline, 3).estimate
        assert not ends_straight(bulges_of(outline, fit.view, fit.axis))
        told += sum(end_bulge(outline, fit.view, fit.axis, first).tells for first in (True, False))
    assert told >= 8


def sheet_outline(view, corners_mm, rng):
    """Return the outline of a flat sheet, from the middle of one short side round it."""
    a, b, c, d = view.to_pixels(corners_mm)
    legs = list(pairwise([0.5 * (a + d), a, b, c, d, 0.5 * (a + d)]))
    parts = []
    for p, q in legs:
        count = int(np.hypot(*(q - p)) / SPACING_PX)
        parts.append(p + np.linspace(0.0, 1.0, count, endpoint=False)[:, None] * (q - p))
    points = np.vstack(parts)
    ahead = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    tangents = ahead / np.linalg.norm(ahead, axis=1, keepdims=True)
    n = len(points)
    exact = Outline(points, tangents, *[np.zeros(n)] * 3, np.ones(n, dtype=bool))
    return seen_outline(exact, rng, 0.1, (0.0, 0.0), np.ones(n))


def rectangle(half_mm, middle_mm, height_mm):
    """Return the corners (4, 3) of a flat rectangle, its sides along x and y."""
    signs = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
    return np.column_stack([signs * half_mm + middle_mm, np.full(4, height_mm)])


def rotated(points, turn):
    """Return points turned about z."""
    c, s = np.cos(turn), np.sin(turn)
    return points @ np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])


def test_a_sheet_beside_the_card_has_straight_ends():
    rng = np.random.default_rng(6)
    straight = 0
    for _ in range(8):
        it = scene("bench", rng)
        lens, found, _ = seen(it, rng)
        x, y = rng.uniform(-20.0, 20.0), 80.0
        half = np.array([rng.uniform(45.0, 70.0), rng.uniform(15.0, 30.0)])
        turn = rng.uniform(-0.2, 0.2)
        turned = rotated(rectangle(half, 0.0, -0.76), turn) + np.array([x, y, 0.0])
        outline = sheet_outline(it.view, turned, rng)
        fit = solve_outline(it.request, lens, found, outline, 3).estimate
        straight += ends_straight(bulges_of(outline, fit.view, fit.axis))
        assert straight or not any(
            end_bulge(outline, fit.view, fit.axis, first).tells for first in (True, False)
        )
    assert straight >= 6


def test_a_cut_end_says_nothing():
    rng = np.random.default_rng(7)
    it = scene("bench", rng)
    lens, found, _ = seen(it, rng)
    corners = np.array([[-60.0, 105.0], [60.0, 105.0], [60.0, 55.0], [-60.0, 55.0]])
    outline = sheet_outline(it.view, np.column_stack([corners, np.full(4, -0.76)]), rng)
    fit = solve_outline(it.request, lens, found, outline, 3).estimate
    assert ends_straight(bulges_of(outline, fit.view, fit.axis))
    assert not ends_straight(bulges_of(outline, fit.view, fit.axis, (True, True)))
