"""Fits to rows that remember their neighbours, against known processes and the bound."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from sheetturnings import Turner, rows_of, traced

from measure.chain import Chain
from measure.chainfit import ChainFit, fit_chain
from measure.memoryfit import fitted_with_memory
from measure.profile import Profile
from measure.rowmemory import OWN_SHARE, memory_of
from measure.runfit import RunFit

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

from placebounds import trace_bound


def autoregressive(n: int, weight: float, rng: np.random.Generator) -> np.ndarray:
    """Return a stationary first-order autoregression of variance 1."""
    new = rng.normal(size=n) * np.sqrt(1.0 - weight**2)
    new[0] = rng.normal()
    for i in range(1, n):
        new[i] += weight * new[i - 1]
    return new


def test_memory_of_an_autoregression_is_its_weight() -> None:
    """[BoxJenkins]: of a first-order process only the row before counts, variance 1 - w^2."""
    runs = [autoregressive(2000, 0.7, np.random.default_rng(seed)) for seed in range(4)]
    memory = memory_of(runs)
    assert len(memory.predictors) <= 3  # its own share makes it not quite of first order
    assert memory.predictors[1] == pytest.approx([0.7 / (1.0 + OWN_SHARE)], abs=0.03)
    new = memory.whitened(runs[0])
    assert np.var(new) == pytest.approx(0.9, abs=0.1)  # less than 1 by that share
    assert abs(np.corrcoef(new[1:], new[:-1])[0, 1]) < 0.1


def test_independent_rows_have_no_memory() -> None:
    memory = memory_of([np.random.default_rng(2).normal(size=3000)])
    assert len(memory.predictors) == 1
    assert memory.sd[0] == pytest.approx(np.sqrt(1.0 + OWN_SHARE), abs=0.04)


def test_whitening_acts_on_slopes_as_on_rows() -> None:
    memory = memory_of([autoregressive(900, 0.8, np.random.default_rng(3))])
    a = np.random.default_rng(4).normal(size=(50, 3))
    both = memory.whitened(a)
    for k in range(3):
        np.testing.assert_allclose(both[:, k], memory.whitened(a[:, k]))
    np.testing.assert_allclose(
        memory.whitened(a[:, 0] + 2.0 * a[:, 1]), both[:, 0] + 2 * both[:, 1]
    )


def places(turner: Turner, node: int, seeds: int) -> np.ndarray:
    """Return the errors (seeds, 2) of the z of a node, without and with the memory."""
    made = turner.chain()
    arcs = np.array([made.is_arc(k) for k in range(len(made.bulge))])
    out = []
    for seed in range(seeds):
        p: Profile = traced(made, np.random.default_rng(seed))
        sigma = 0.5 * p.u95_mm / 1.96
        fit = fit_chain(p.z_mm, 0.5 * p.diameter_mm, sigma, made, arcs)
        run = RunFit(p.z_mm, 0.5 * p.diameter_mm, sigma, fit)
        moved = fitted_with_memory([[run]])[0][0].fit
        out.append([f.chain.z_mm[node] - made.z_mm[node] for f in (fit, moved)])
    return np.array(out)


def test_faint_corner_is_placed_nearly_as_well_as_can_be() -> None:
    """A corner of 0.1 rad between two tapers of 50 mm: the bound is what any method can reach."""
    t = Turner(20.0)
    t.taper(50.0, 2.5)
    t.taper(50.0, -2.5)
    plain, moved = np.sqrt(np.mean(places(t, 1, 60) ** 2, axis=0))
    bound = trace_bound(t.chain()).sd("z", 1)
    assert moved < 0.9 * plain
    assert 0.8 * bound < moved < 1.4 * bound


def test_nothing_is_moved_where_the_rows_are_exact() -> None:
    t = Turner(20.0)
    t.flat(30.0)
    t.taper(30.0, 2.0)
    z, d, _ = rows_of(t.chain())
    sigma = np.full(len(z), 0.02)
    fit = fit_chain(z, 0.5 * d, sigma, t.chain(), np.array([False, False]))
    moved = fitted_with_memory([[RunFit(z, 0.5 * d, sigma, fit)]])[0][0].fit
    np.testing.assert_allclose(moved.chain.z_mm, t.chain().z_mm, atol=1e-3)
    np.testing.assert_allclose(moved.chain.r_mm, t.chain().r_mm, atol=1e-4)


def test_a_run_of_one_row_is_left_alone() -> None:
    one = np.array([3.0])
    point = ChainFit(Chain(one, one, np.zeros(0)), (), 0.0, (), np.zeros((0, 0)))
    run = RunFit(one, one, one, point)
    assert fitted_with_memory([[run]])[0][0] is run
