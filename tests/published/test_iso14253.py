"""Decision rule of ISO 14253-1:2013, guard band the full expanded uncertainty.

Case: upper limit 20.05 mm, U = 0.015 mm; worked by hand from the rule: conformance is proved up
to 20.05 - 0.015 = 20.035 and non-conformance from 20.05 + 0.015 = 20.065. The standard itself
could not be seen, its rule is from memory: the edition of 2017 is content with 1.65 standard
uncertainties by default, that of 2013 and this project ask for the full U.
"""

import numpy as np
import pytest

from measure.judge import OUTSIDE, UNSURE, WITHIN, verdicts


@pytest.mark.parametrize(
    ("reading", "verdict"),
    [(20.034, WITHIN), (20.036, UNSURE), (20.040, UNSURE), (20.064, UNSURE), (20.066, OUTSIDE)],
)
def test_upper_limit(reading, verdict):
    nominal = 20.0
    got = verdicts(
        np.array([reading - nominal]), np.array([0.015]), np.array([0.05]), np.array([0.05])
    )
    assert got[0] == verdict


@pytest.mark.parametrize(
    ("reading", "verdict"),
    [(19.966, WITHIN), (19.964, UNSURE), (19.936, UNSURE), (19.934, OUTSIDE)],
)
def test_lower_limit_mirrors_it(reading, verdict):
    got = verdicts(
        np.array([reading - 20.0]), np.array([0.015]), np.array([0.05]), np.array([0.05])
    )
    assert got[0] == verdict


def test_wider_uncertainty_than_tolerance_never_proves_within():
    deviations = np.linspace(-1.0, 1.0, 2001)
    u95 = np.full(2001, 0.21)
    limit = np.full(2001, 0.2)
    assert WITHIN not in verdicts(deviations, u95, limit, limit)
