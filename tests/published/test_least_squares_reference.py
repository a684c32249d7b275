"""The least-squares solver against scipy's, an independent reference, and linear theory."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from calib.solve import jacobian, solve

quick = settings(max_examples=60, deadline=None)
T = np.linspace(0.0, 4.0, 60)


def decay(p, t=T):
    return p[0] * np.exp(-p[1] * t) + p[2]


def noisy(seed, outliers=0, sd=0.05):
    rng = np.random.default_rng(seed)
    y = decay([3.0, 0.8, 0.5]) + sd * rng.standard_normal(len(T))
    y[rng.choice(len(T), outliers, replace=False)] += rng.uniform(0.5, 2.0, outliers)
    return y


def ours(y, scale=np.inf, sd=0.05):
    return solve(
        lambda p: (decay(p) - y) / sd,
        np.array([2.0, 0.5, 0.0]),
        np.full(3, 1e-5),
        scale,
        iterations=100,
        tolerance=1e-7,
    )


def same_covariance(ours, theirs, tolerance):
    """Compare covariances in units of the standard deviations."""
    sd = np.sqrt(np.diag(theirs))
    np.testing.assert_allclose(ours / np.outer(sd, sd), theirs / np.outer(sd, sd), atol=tolerance)


@quick
@given(st.integers(0, 2**32 - 1))
def test_plain_squares_agree_with_scipy(seed):
    y = noisy(seed)
    theirs = least_squares(
        lambda p: (decay(p) - y) / 0.05, [2.0, 0.5, 0.0], jac="3-point", xtol=1e-12, ftol=1e-14
    )
    found = ours(y)
    np.testing.assert_allclose(found.x, theirs.x, rtol=0, atol=1e-6)
    assert found.cost == pytest.approx(theirs.cost, rel=1e-8)
    same_covariance(found.covariance, np.linalg.inv(theirs.jac.T @ theirs.jac), 1e-4)
    assert found.converged
    np.testing.assert_array_equal(found.weights, 1.0)


@quick
@given(st.integers(0, 2**32 - 1), st.integers(1, 12), st.floats(1.5, 4.0))
def test_cauchy_agrees_with_scipy_among_outliers(seed, outliers, scale):
    y = noisy(seed, outliers)
    found = ours(y, scale)
    # From our minimum: robust costs have several, and this is a check of the minimum found.
    theirs = least_squares(
        lambda p: (decay(p) - y) / 0.05,
        found.x,
        loss="cauchy",
        f_scale=scale,
        xtol=1e-12,
        ftol=1e-14,
        gtol=1e-12,
    )
    assert found.cost == pytest.approx(theirs.cost, rel=1e-6)
    np.testing.assert_allclose(found.x, theirs.x, rtol=0, atol=2e-4)
    r = (decay(found.x) - y) / 0.05
    np.testing.assert_allclose(found.weights, 1.0 / (1.0 + (r / scale) ** 2), rtol=1e-9)


def test_each_residual_may_have_its_own_scale():
    # Half robust, half not (those are priors in the project's estimates): scipy does it through
    # a loss of one's own, rho(z) with z = r^2, its first two derivatives beside it.
    y = noisy(7, 5)
    scale = np.where(np.arange(len(T)) % 2 == 0, 2.0, np.inf)

    def loss(z):
        s2 = np.where(np.isfinite(scale), scale, 1.0) ** 2
        robust = np.stack(
            [s2 * np.log1p(z / s2), 1.0 / (1.0 + z / s2), -1.0 / s2 / (1.0 + z / s2) ** 2]
        )
        plain = np.stack([z, np.ones_like(z), np.zeros_like(z)])
        return np.where(np.isfinite(scale), robust, plain)

    theirs = least_squares(
        lambda p: (decay(p) - y) / 0.05, [2.0, 0.5, 0.0], loss=loss, xtol=1e-12, ftol=1e-14
    )
    found = ours(y, scale)
    np.testing.assert_allclose(found.x, theirs.x, rtol=0, atol=1e-4)
    assert found.cost == pytest.approx(theirs.cost, rel=1e-6)
    np.testing.assert_array_equal(found.weights[1::2], 1.0)


@quick
@given(st.integers(0, 2**32 - 1), st.integers(1, 6))
def test_linear_problems_follow_linear_theory(seed, n):
    rng = np.random.default_rng(seed)
    A = rng.standard_normal((30, n))
    b = rng.standard_normal(30)
    found = solve(lambda x: A @ x - b, np.zeros(n), np.full(n, 1e-3))
    np.testing.assert_allclose(found.x, np.linalg.lstsq(A, b, rcond=None)[0], atol=1e-5)
    same_covariance(found.covariance, np.linalg.inv(A.T @ A), 1e-5)


@pytest.mark.parametrize("units", [1.0, 1e6, 1e9])
def test_units_make_no_difference(units):
    # Unknowns whose uncertainties differ by many powers of ten, as pixels and radians do: the
    # least known one must not be taken for certain.
    A = np.random.default_rng(5).standard_normal((30, 3))
    S = np.diag([1.0, units, 1.0 / units])
    b = A @ np.array([1.0, -2.0, 3.0])
    found = solve(lambda x: A @ S @ x - b, np.zeros(3), 1e-3 / np.diag(S))
    np.testing.assert_allclose(S @ found.x, [1.0, -2.0, 3.0], rtol=1e-6)
    same_covariance(S @ found.covariance @ S, np.linalg.inv(A.T @ A), 1e-5)


def test_a_prior_weighs_like_one_more_reading():
    # Normal theory: readings of variance 1/n and a prior of variance v: 1 / (n + 1/v).
    readings = np.array([9.8, 10.3, 10.1, 9.9])
    found = solve(
        lambda x: np.concatenate([x - readings, (x - 12.0) / 0.5]),
        np.array([0.0]),
        np.array([1e-3]),
    )
    assert found.covariance[0, 0] == pytest.approx(1.0 / (4.0 + 4.0))
    assert found.x[0] == pytest.approx((readings.sum() + 12.0 * 4.0) / 8.0, abs=1e-6)


def test_covariance_is_that_of_repeated_experiments():
    # 400 experiments: the scatter of the estimates against the covariance that each states,
    # for plain squares and for Cauchy's loss as the project uses it (scale 2.5 sd).
    for scale, most in ((np.inf, 0.12), (2.5, 0.15)):
        runs = [ours(noisy(seed), scale) for seed in range(400)]
        scatter = np.cov(np.stack([run.x for run in runs]).T)
        stated = np.mean([run.covariance for run in runs], axis=0)
        ratio = np.sqrt(np.diag(scatter) / np.diag(stated))
        np.testing.assert_allclose(ratio, 1.0, atol=most)


@quick
@given(st.integers(0, 2**32 - 1))
def test_the_jacobian_is_that_of_calculus(seed):
    p = np.random.default_rng(seed).uniform(0.3, 3.0, 3)
    e = np.exp(-p[1] * T)
    exact = np.stack([e, -p[0] * T * e, np.ones_like(T)], axis=1)
    np.testing.assert_allclose(jacobian(decay, p, np.full(3, 1e-5)), exact, rtol=0, atol=1e-7)


def test_it_says_when_it_has_not_converged():
    y = noisy(1)
    start = np.array([1.0, 2.0, 2.0])
    stopped = solve(lambda p: (decay(p) - y) / 0.05, start, np.full(3, 1e-5), iterations=1)
    assert not stopped.converged
    assert solve(lambda p: (decay(p) - y) / 0.05, start, np.full(3, 1e-5)).converged


def test_a_step_into_what_cannot_be_computed_is_taken_back():
    # Logarithm of a negative number: the full first step lands there, a shorter one does not.
    def residuals(p):
        with np.errstate(invalid="ignore"):
            return np.concatenate([np.log(p) - 3.0, (p - 20.0) / 100.0])

    with np.errstate(all="raise"):
        found = solve(residuals, np.array([0.5]), np.array([1e-5]), iterations=60, tolerance=1e-9)
    theirs = least_squares(residuals, [15.0], xtol=1e-12, ftol=1e-14)
    assert found.x[0] == pytest.approx(theirs.x[0], rel=1e-5)


def test_a_step_to_infinity_is_refused_and_not_called_a_minimum():
    # exp overflows on every step tried from here; infinite residuals over an infinite robust
    # scale are no numbers.
    def residuals(p):
        with np.errstate(over="ignore"):
            return np.array([np.exp(p[0]) - 2.0, 1e-3 * p[0]])

    found = solve(residuals, np.array([-7.0]), np.array([1e-5]))
    assert found.x[0] == -7.0
    assert not found.converged
