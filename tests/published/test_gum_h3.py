"""JCGM 100:2008, H.3: calibration of a thermometer, a straight line by least squares.

b(t) = y1 + y2 (t - t0), t0 = 20 C, eleven readings of equal, unknown variance. From memory: the
document could not be seen. Printed: y1 = -0.1712 C, s(y1) = 0.0029 C; y2 = 0.00218,
s(y2) = 0.00067; r(y1, y2) = -0.930; s = 0.0035 C; b(30 C) = -0.1494 C, u = 0.0041 C.
"""

import numpy as np
import pytest
from uncertainties import correlated_values

from calib.solve import jacobian, solve

T = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
B = -np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) * 1e-3
T0 = 20.0


def line(y, t):
    return y[0] + y[1] * (t - T0)


@pytest.fixture
def fitted():
    """Return the solution and its covariance for the variance that the scatter shows."""
    found = solve(lambda y: B - line(y, T), np.array([0.0, 0.0]), np.array([1e-4, 1e-4]))
    variance = 2.0 * found.cost / (len(T) - 2)
    return found, variance * found.covariance, float(np.sqrt(variance))


def test_the_line(fitted):
    found, _, s = fitted
    assert found.converged
    assert found.x[0] == pytest.approx(-0.1712, abs=0.00005)
    assert found.x[1] == pytest.approx(0.00218, abs=0.000005)
    assert s == pytest.approx(0.0035, abs=0.00005)


def test_its_uncertainties_and_their_correlation(fitted):
    _, covariance, _ = fitted
    sd = np.sqrt(np.diag(covariance))
    assert sd[0] == pytest.approx(0.0029, abs=0.00005)
    assert sd[1] == pytest.approx(0.00067, abs=0.000005)
    assert covariance[0, 1] / (sd[0] * sd[1]) == pytest.approx(-0.930, abs=0.0006)


def test_the_predicted_correction_at_30_degrees(fitted):
    found, covariance, _ = fitted
    J = jacobian(lambda y: np.array([line(y, 30.0)]), found.x, np.array([1e-4, 1e-4]))
    assert line(found.x, 30.0) == pytest.approx(-0.1494, abs=0.00006)
    u = float(np.sqrt((J @ covariance @ J.T)[0, 0]))
    assert u == pytest.approx(0.0041, abs=0.00005)
    oracle = line(correlated_values(found.x, covariance), 30.0)
    assert u == pytest.approx(oracle.std_dev, rel=1e-8)
