"""JCGM 100:2008, H.2: resistance, reactance and impedance from correlated V, I and phase.

Five joint readings give the means, their standard deviations and correlations; the covariance is
carried to R, X and Z by the Jacobian. From memory: the document could not be seen. The readings
are confirmed by the printed means, deviations and correlations that they reproduce below.
"""

import numpy as np
import pytest
from uncertainties import correlated_values, umath

from calib.solve import jacobian, solve

V = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
I_MA = np.array([19.663, 19.639, 19.640, 19.685, 19.678])
PHASE = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])

MEANS = (4.9990, 19.6610e-3, 1.04446)
SDS = (0.0032, 0.0095e-3, 0.00075)
CORRELATIONS = {(0, 1): -0.36, (0, 2): 0.86, (1, 2): -0.65}
# Table H.4, R, X, Z in ohms.
RESULTS = (127.732, 219.847, 254.260)
RESULT_SDS = (0.071, 0.295, 0.236)
RESULT_CORRELATIONS = {(0, 1): -0.588, (0, 2): -0.485, (1, 2): 0.993}

STEPS = np.array([1e-3, 1e-6, 1e-4])


def inputs():
    table = np.stack([V, I_MA * 1e-3, PHASE])
    return table.mean(axis=1), np.cov(table) / len(V)


def impedance(x):
    v, i, phase = x
    return np.array([v / i * np.cos(phase), v / i * np.sin(phase), v / i])


def correlation(covariance):
    sd = np.sqrt(np.diag(covariance))
    return covariance / np.outer(sd, sd)


def check_results(value, covariance):
    np.testing.assert_allclose(value, RESULTS, rtol=0, atol=0.0006)
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), RESULT_SDS, rtol=0, atol=0.0006)
    for (a, b), printed in RESULT_CORRELATIONS.items():
        assert correlation(covariance)[a, b] == pytest.approx(printed, abs=0.0006)


def test_the_readings_give_the_printed_means_and_correlations():
    mean, covariance = inputs()
    np.testing.assert_allclose(mean, MEANS, rtol=1e-5)
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), SDS, rtol=0.02)
    for (a, b), printed in CORRELATIONS.items():
        assert correlation(covariance)[a, b] == pytest.approx(printed, abs=0.006)


def test_the_jacobian_carries_the_covariance_to_the_printed_result():
    mean, covariance = inputs()
    J = jacobian(impedance, mean, STEPS)
    check_results(impedance(mean), J @ covariance @ J.T)


def test_an_independent_library_agrees():
    mean, covariance = inputs()
    v, i, phase = correlated_values(mean, covariance)
    r, x, z = v / i * umath.cos(phase), v / i * umath.sin(phase), v / i
    J = jacobian(impedance, mean, STEPS)
    ours = J @ covariance @ J.T
    for k, theirs in enumerate((r, x, z)):
        assert np.sqrt(ours[k, k]) == pytest.approx(theirs.std_dev, rel=1e-6)


def test_least_squares_carry_it_as_well():
    # The other way round: R and X as unknowns, the three readings as observations with their
    # covariance. The problem is exactly determined with a phase, V and I as three unknowns.
    mean, covariance = inputs()
    whiten = np.linalg.cholesky(np.linalg.inv(covariance)).T

    def residuals(p):
        current, r, x = p[0] * 1e-3, p[1], p[2]
        seen = np.array([current * np.hypot(r, x), current, np.arctan2(x, r)])
        return whiten @ (seen - mean)

    found = solve(residuals, np.array([19.0, 120.0, 230.0]), np.array([1e-4, 1e-3, 1e-3]))
    assert found.converged
    J = jacobian(lambda p: np.array([p[1], p[2], np.hypot(p[1], p[2])]), found.x, np.full(3, 1e-3))
    check_results(
        np.array([found.x[1], found.x[2], np.hypot(found.x[1], found.x[2])]),
        J @ found.covariance @ J.T,
    )
