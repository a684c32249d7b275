"""Chains that cutting and simplifying go past, and the search finds; all rows invented."""

from __future__ import annotations

import numpy as np
import pytest
from sheetturnings import rows_of

from measure.chain import Chain
from measure.chainfit import ChainFit, fit_chain
from measure.runfit import RunFit
from measure.runsearch import searched

SIGMA = 0.02
PRICES = (36.0, 20.0, 15.0)


def run_of(chain: Chain, seed: int = 0) -> RunFit:
    """Return rows of a chain with independent noise; the fit in it is to be replaced."""
    z, d, _ = rows_of(chain)
    r = 0.5 * d + np.random.default_rng(seed).normal(0.0, SIGMA, len(z))
    return RunFit(z, r, np.full(len(z), SIGMA), ChainFit(chain, (), 0.0, (), np.zeros((0, 0))))


def found(run: RunFit, start: Chain, arcs: list[bool]) -> tuple[ChainFit, ChainFit]:
    """Return the fit from a start, and what the search makes of it."""
    fit = fit_chain(run.z, run.r, run.sigma, start, np.array(arcs))
    return fit, searched(RunFit(run.z, run.r, run.sigma, fit), *PRICES).fit


@pytest.mark.parametrize("seed", range(4))
def test_other_crossing_of_line_and_arc_is_tried(seed: int) -> None:
    """A slope of 0.10 meets an arc that starts level: circle and slope cross twice."""
    radius, corner = 60.0, 40.0
    sine = 24.0 / radius
    drop = radius - np.sqrt(radius**2 - 24.0**2)
    made = Chain(
        np.array([0.0, corner, 64.0]),
        np.array([20.0, 24.0, 24.0 - drop]),
        np.array([0.0, np.tan(0.25 * np.arcsin(sine))]),
    )
    run = run_of(made, seed)
    # The circle's centre lies below z = 40; the slope cuts it again on the near side of its top.
    centre = np.array([corner, 24.0 - radius])
    along = np.array([1.0, 0.1]) / np.hypot(1.0, 0.1)
    other = np.array([corner, 24.0]) - 2.0 * ((np.array([corner, 24.0]) - centre) @ along) * along
    assert np.hypot(*(other - centre)) == pytest.approx(radius)
    half = 0.5 * float(np.hypot(64.0 - other[0], 24.0 - drop - other[1]))
    bulge = (radius - np.sqrt(radius**2 - half**2)) / half
    start = Chain(np.array([0.0, other[0], 64.0]), np.array([20.0, other[1], 24.0 - drop]),
                  np.array([0.0, bulge]))  # fmt: skip
    fit, better = found(run, start, [False, True])
    assert abs(fit.chain.z_mm[1] - corner) > 3.0
    assert better.chain.z_mm[1] == pytest.approx(corner, abs=0.5)
    assert better.free == fit.free
    assert better.chi2 < fit.chi2


@pytest.mark.parametrize("seed", range(4))
def test_flat_between_cove_and_slope_is_one_number(seed: int) -> None:
    """Cut without it, the cove meets the slope; a flat of 2.2 mm is what the rows show."""
    made = Chain(np.array([0.0, 12.0, 14.2, 40.0]), np.array([20.0, 20.0, 20.0, 22.0]),
                 np.array([-0.45, 0.0, 0.0]))  # fmt: skip
    run = run_of(made, seed)
    start = Chain(made.z_mm[[0, 1, 3]], made.r_mm[[0, 1, 3]], made.bulge[[0, 2]])
    fit, better = found(run, start, [True, False])
    assert better.ties == (("level", 1),)
    assert better.free == fit.free + 1
    assert better.chain.z_mm[1:3] == pytest.approx([12.0, 14.2], abs=0.4)


@pytest.mark.parametrize("seed", range(8))
def test_no_flat_grows_where_none_is(seed: int) -> None:
    made = Chain(np.array([0.0, 12.0, 40.0]), np.array([20.0, 20.0, 22.0]), np.array([-0.45, 0.0]))
    fit, better = found(run_of(made, seed), made, [True, False])
    assert better is fit


def test_ogee_that_flows_into_a_level_line_is_tied_at_once() -> None:
    """Joint by joint each tie seems dear; all together the rows bear them."""
    turn = 2.0 * np.arctan(5.0 / 20.0)
    b = float(np.tan(turn / 4.0))
    made = Chain(np.array([0.0, 10.0, 20.0, 32.0]), np.array([25.0, 22.5, 20.0, 20.0]),
                 np.array([b, -b, 0.0]))  # fmt: skip
    start = Chain(made.z_mm + np.array([0.0, 1.0, -0.9, 0.0]), made.r_mm, made.bulge)
    _, better = found(run_of(made), start, [True, True, False])
    assert set(better.ties) == {("tangent", 1), ("tangent", 2), ("level", 2)}


def test_level_line_between_two_ogees_is_no_longer_flowed_through() -> None:
    """Falling, level for 9 mm and falling again: four arcs in a row come near it, and cost more."""
    made = Chain(np.array([0.0, 17.0, 26.0, 43.0]), np.array([20.0, 17.4, 17.4, 15.5]),
                 np.array([-np.tan(0.5 * np.arctan(2.6 / 17.0)), 0.0,
                           np.tan(0.5 * np.arctan(1.9 / 17.0))]))  # fmt: skip
    start = Chain(np.array([0.0, 20.5, 43.0]), np.array([20.0, 17.2, 15.5]),
                  np.array([-0.08, 0.06]))  # fmt: skip
    run = run_of(made)
    fit = fit_chain(run.z, run.r, run.sigma, start, np.array([True, True]), (("tangent", 1),))
    better = searched(RunFit(run.z, run.r, run.sigma, fit), *PRICES).fit
    assert ("level", 1) in better.ties
    assert better.chain.r_mm[1] == pytest.approx(17.4, abs=0.02)
    assert better.free == fit.free


def test_what_the_search_returns_obeys_its_ties() -> None:
    """A level line across a slope cannot be had; it must not be counted as a number saved."""
    made = Chain(np.array([0.0, 20.0, 40.0]), np.array([20.0, 18.0, 18.1]), np.array([0.0, -0.5]))
    _, better = found(run_of(made), made, [False, True])
    assert np.all(np.diff(better.chain.z_mm) > 0.5)
    for kind, k in better.ties:
        assert kind != "level" or abs(better.chain.r_mm[k + 1] - better.chain.r_mm[k]) < 0.01
