"""Least squares against published fits: a circle through six points, and a curve of NIST's.

[GanderGolubStrebel1994]: W. Gander, G. H. Golub, R. Strebel: Least-squares fitting of
circles and ellipses. BIT 34, 558-578, 1994: the six points, geometric centre (4.7398, 2.9835),
radius 4.7142.

NIST Statistical Reference Datasets, nonlinear regression, Misra1a (lower difficulty) and the data
from memory; that the certified values come out to the ten digits given confirms both.
"""

import numpy as np
import pytest

from calib.solve import solve

CIRCLE = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], dtype=float)


@pytest.mark.parametrize("start", [(5.0, 5.0, 3.0), (4.0, 2.0, 6.0), (5.3794, 7.2532, 3.0370)])
def test_the_geometric_circle_of_gander_golub_and_strebel(start):
    # The last start is their algebraic fit.
    def residuals(c):
        return np.hypot(CIRCLE[:, 0] - c[0], CIRCLE[:, 1] - c[1]) - c[2]

    found = solve(residuals, np.array(start), np.full(3, 1e-7), iterations=200, tolerance=1e-8)
    np.testing.assert_allclose(found.x, [4.7398, 2.9835, 4.7142], rtol=0, atol=5e-5)


MISRA_X = np.array(
    [
        77.6,
        114.9,
        141.1,
        190.8,
        239.9,
        289.0,
        332.8,
        378.4,
        434.8,
        477.3,
        536.8,
        593.1,
        689.1,
        760.0,
    ]
)
MISRA_Y = np.array(
    [
        10.07,
        14.73,
        17.94,
        23.93,
        29.61,
        35.18,
        40.02,
        44.82,
        50.76,
        55.05,
        61.01,
        66.40,
        75.47,
        81.78,
    ]
)


@pytest.mark.parametrize("start", [(500.0, 1e-4), (250.0, 5e-4)])
def test_misra1a_from_both_certified_starts(start):
    # In units of 1e-4 for the second unknown; the certified standard deviations are those of
    # the scatter: residual sd 1.0187876330E-01.
    def residuals(b):
        return MISRA_Y - b[0] * (1.0 - np.exp(-1e-4 * b[1] * MISRA_X))

    found = solve(
        residuals,
        np.array([start[0], start[1] * 1e4]),
        np.array([1e-4, 1e-6]),
        iterations=100,
        tolerance=1e-10,
    )
    # The solver's differences are one-sided: what they leave is far below any uncertainty.
    assert found.x[0] == pytest.approx(2.3894212918e2, rel=1e-6)
    assert found.x[1] * 1e-4 == pytest.approx(5.5015643181e-4, rel=1e-6)
    assert 2.0 * found.cost == pytest.approx(1.2455138894e-1, rel=1e-9)
    s2 = 2.0 * found.cost / (len(MISRA_X) - 2)
    assert np.sqrt(s2) == pytest.approx(1.0187876330e-1, rel=1e-9)
    sd = np.sqrt(s2 * np.diag(found.covariance))
    assert sd[0] == pytest.approx(2.7070075241, rel=1e-4)
    assert sd[1] * 1e-4 == pytest.approx(7.2668688436e-6, rel=1e-4)
