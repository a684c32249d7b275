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
from exact_views import view_from
from test_end_bulge import rectangle, sheet_outline

from measure.endbulge import bulges_of
from measure.plainrod import ROUND_PX, is_plain_rod
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
        corners = rectangle(half, [rng.uniform(-10.0, 10.0), 70.0], 5.0)
        outline = sheet_outline(it.view, corners, rng)
        plain += is_plain(it, lens, found, outline)
    assert plain >= 7


def test_an_offcut_beside_the_card_is_plain_though_a_corner_of_it_is_lost():
    rng = np.random.default_rng(11)
    told = 0
    for _ in range(8):
        it = scene("bench", rng)
        lens, found, _ = seen(it, rng)
        half = np.array([rng.uniform(30.0, 45.0), rng.uniform(14.0, 22.0)])
        outline = sheet_outline(
            it.view, rectangle(half, [rng.uniform(-10.0, 10.0), 80.0], 0.0), rng
        )
        near = np.linalg.norm(outline.points_px - outline.points_px[0], axis=1)
        outline = replace(outline, clear=outline.clear & (near > 0.3 * np.ptp(near)))
        fit = solve_outline(it.request, lens, found, outline, 3).estimate
        ends = bulges_of(outline, fit.view, fit.axis)
        # Seen from straight above a turned cylinder looks like that as well.
        if any(end.round_px > ROUND_PX for end in ends):
            assert is_plain_rod(curves_of(outline, fit.view, fit.axis)[0], ends)
            told += 1
    assert told >= 5


def seen_along(length, radius, slope, tilt_deg, rng):
    """Return a rod of that meridian on the bench, as seen by a phone tilted along it."""
    it = scene("bench", rng)
    solid = Solid((curve(0.0, length, radius, slope),))
    axis, _, _ = on_bench(rng, 1.0, solid, it.view.lens)
    middle, tilt = axis.at(0.5 * length), np.radians(tilt_deg)
    way = -np.sin(tilt) * axis.direction + [0.0, 0.0, np.cos(tilt)]
    view = view_from(middle + 420.0 * way, middle, it.view.lens, 0.0)
    it = replace(it, solid=solid, axis=axis, view=view)
    return it, *seen(it, rng)


@pytest.mark.parametrize("length", [60.0, 150.0])
def test_a_cylinder_whose_ends_are_seen_round_is_a_piece(length):
    rng = np.random.default_rng(9)
    for _ in range(4):
        rod = seen_along(length, lambda z: 9.0 + 0.0 * z, lambda z: 0.0 * z, 25.0, rng)
        assert not is_plain(*rod)


BENT = 2.0 * np.pi / 120.0


@pytest.mark.parametrize(
    ("radius", "slope", "plain"),
    [
        (lambda z: 4.0 + 0.0 * z, lambda z: 0.0 * z, True),
        (lambda z: 4.0 + 0.005 * z, lambda z: 0.005 + 0.0 * z, False),
        (lambda z: 4.0 + 0.4 * np.cos(BENT * z), lambda z: -0.4 * BENT * np.sin(BENT * z), False),
    ],
    ids=["plain", "taper", "waist"],
)
def test_a_thin_rod_seen_from_above_is_a_piece_if_it_tapers_or_narrows(radius, slope, plain):
    rng = np.random.default_rng(10)
    for _ in range(4):
        assert is_plain(*seen_along(120.0, radius, slope, 0.0, rng)) == plain
