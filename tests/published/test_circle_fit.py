"""Circle fits against printed worked examples.

W. Gander, G. H. Golub, R. Strebel: Least-squares fitting of circles and ellipses. BIT 34 (1994),
558-578; the six points of its circle example and the two solutions are given from memory.
"""

import numpy as np
import pytest

from measure.circles import fit_circle, fit_circle_algebraic

SIX = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], dtype=float)


def test_gander_golub_strebel_algebraic_circle():
    circle = fit_circle_algebraic(SIX)
    assert circle.centre == pytest.approx([5.3794, 7.2532], abs=5e-5)
    assert circle.radius == pytest.approx(3.0370, abs=5e-5)


def test_gander_golub_strebel_geometric_circle():
    fit = fit_circle(SIX)
    assert fit.circle.centre == pytest.approx([4.7398, 2.9835], abs=5e-5)
    assert fit.circle.radius == pytest.approx(4.7142, abs=5e-5)
