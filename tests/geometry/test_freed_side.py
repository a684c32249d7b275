"""Cards at odds with the piece: a side that is to blame is left out, a card on it refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from exact_scene import scene, seen, traced

from calib.refusal import RefusalError
from measure import freedside
from measure.freedside import with_side_freed
from measure.solving import solve_outline


@pytest.fixture(scope="module")
def solved_scene():
    rng = np.random.default_rng(2)
    it = scene("bench", rng)
    lens, found, outline = seen(it, rng)
    return it, lens, found, solve_outline(it.request, lens, found, outline, 3)


def at_odds(solved, scatter=2.4, kept=0.8):
    return replace(solved, estimate=replace(solved.estimate, pairs_sd=scatter, kept=kept))


def solver(solved, blamed, asked):
    """Return a stand-in for the solver, whose sides agree only without one side of the card."""

    def solve(request, lens, found, outline, rounds, before=None):
        freed = int(np.argmax(found.sight.bias_sd_px))
        asked.append(freed)
        return solved if freed == blamed else at_odds(solved, 2.2, 0.85)

    return solve


@pytest.mark.parametrize("blamed", range(4))
def test_the_side_to_blame_is_left_out(monkeypatch, solved_scene, blamed):
    it, lens, found, good = solved_scene
    asked = []
    monkeypatch.setattr(freedside, "solve_outline", solver(good, blamed, asked))
    assert with_side_freed(it.request, lens, found, at_odds(good)) is good
    assert asked == [0, 1, 2, 3]


def test_where_no_side_is_to_blame_nothing_changes(monkeypatch, solved_scene):
    it, lens, found, good = solved_scene
    monkeypatch.setattr(freedside, "solve_outline", solver(good, None, []))
    bad = at_odds(good)
    assert with_side_freed(it.request, lens, found, bad) is bad


@pytest.mark.parametrize(("scatter", "kept"), [(1.0, 1.0), (4.0, 0.3)])
def test_what_agrees_or_is_no_round_piece_is_left_alone(monkeypatch, solved_scene, scatter, kept):
    it, lens, found, good = solved_scene
    asked = []
    monkeypatch.setattr(freedside, "solve_outline", solver(good, 1, asked))
    as_it_is = at_odds(good, scatter, kept)
    assert with_side_freed(it.request, lens, found, as_it_is) is as_it_is
    assert asked == []


def test_without_one_side_the_camera_is_found_as_well_and_less_surely(solved_scene):
    it, lens, found, good = solved_scene
    wide = np.where(np.arange(4) == 2, freedside.FREE_PX, found.sight.bias_sd_px)
    freed = replace(found, sight=replace(found.sight, bias_sd_px=wide))
    without = solve_outline(it.request, lens, freed, good.outline, 2, good.estimate)
    off = without.estimate.view.camera_centre_mm - it.view.camera_centre_mm
    spread = without.estimate.view.covariance[8:11, 8:11]
    assert np.trace(spread) >= np.trace(good.estimate.view.covariance[8:11, 8:11])
    assert np.linalg.norm(off) < 6.0 * np.sqrt(np.trace(spread))


def test_a_card_on_the_piece_is_refused(solved_scene):
    it, lens, found, good = solved_scene
    middle = good.outline.points_px.mean(axis=0)
    across = 0.2 * np.ptp(good.outline.points_px, axis=0).max()
    corners = np.array([[-1.0, -0.6], [1.0, -0.6], [1.0, 0.6], [-1.0, 0.6]])
    on_piece = replace(found, polygon_px=middle + across * corners)
    assert traced(it, lens, found, good.outline).result.length_mm is not None
    with pytest.raises(RefusalError) as caught:
        traced(it, lens, on_piece, good.outline)
    assert caught.value.notice.code == "card-on-piece"
