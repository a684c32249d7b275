"""A plain strip beside the card is no turned piece; a plain cylinder whose ends are seen round is.

Outlines drawn without the forward model: a strip is a rectangle by construction, a cylinder comes
from `exact_piece`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from exact_piece import Solid, curve
from exact_scene import on_bench, scene, seen
from test_end_bulge import sheet_outline

from measure.endbulge import bulges_of
from measure.plainrod import is_plain_rod
from measure.setting import curves_of
from measure.solving import solve_outline


def is_plain(it, lens, found, outline):
    fit = solve_outline(it.request, lens, found, outline, 3).estimate
    curves, _ = curves_of(outline, fit.view, fit.axis)
    return is_plain_rod(curves, bulges_of(outline, fit.view, fit.axis))


def test_a_batten_beside_the_card_is_plain():
    rng = np.random.default_rng(8)
    plain = 0
    for _ in range(8):
        it = scene("bench", rng)
        lens, found, _ = seen(it, rng)
        half = np.array([rng.uniform(55.0, 70.0), rng.uniform(3.0, 4.5)])
        signs = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
        flat = signs * half + [rng.uniform(-10.0, 10.0), 70.0]
        outline = sheet_outline(it.view, np.column_stack([flat, np.full(4, 5.0)]), rng)
        plain += is_plain(it, lens, found, outline)
    assert plain >= 7


@pytest.mark.parametrize(
    ("length", "radius"),
    [(150.0, lambda z: 9.0 + 0.0 * z), (150.0, lambda z: 9.0 + 0.01 * z), (60.0, lambda z: 9.0)],
)
def test_a_cylinder_seen_aslant_a_taper_and_a_short_rod_are_pieces(length, radius):
    rng = np.random.default_rng(9)
    grid = np.array([0.0, 1.0])
    slope = float(np.diff(radius(grid) * np.ones(2))[0])
    solid = Solid((curve(0.0, length, lambda z: radius(z) + 0.0 * z, lambda z: slope + 0.0 * z),))
    for _ in range(4):
        it = scene("bench", rng)
        axis, _, _ = on_bench(rng, 1.0, solid, it.view.lens)
        # From the side of one end, 25 degrees off straight, its circle is 4 mm deep.
        it = replace(it, solid=solid, axis=axis, view=_aslant(it.view.lens, axis))
        lens, found, outline = seen(it, rng)
        assert not is_plain(it, lens, found, outline)


def _aslant(lens, axis):
    from exact_views import view_from

    middle = axis.at(60.0)
    tilt = np.radians(25.0)
    way = -np.sin(tilt) * axis.direction + [0.0, 0.0, np.cos(tilt)]
    return view_from(middle + 420.0 * way, middle, lens, 0.0)


def test_a_strip_with_a_bead_is_none():
    rng = np.random.default_rng(10)
    it = scene("bench", rng)
    lens, found, outline = seen(it, rng)
    assert not is_plain(it, lens, found, outline)
