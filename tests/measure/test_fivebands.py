"""Five bands against scipy's own solver."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import solveh_banded

from measure.fivebands import solved_bands


@settings(max_examples=60, deadline=None)
@given(st.integers(3, 60), st.integers(0, 2**32 - 1))
def test_bands_are_solved_as_scipy_solves_them(n, seed):
    rng = np.random.default_rng(seed)
    second_differences = np.diff(np.eye(n), 2, axis=0) * rng.uniform(0.1, 300.0, (n - 2, 1))
    full = second_differences.T @ second_differences + np.diag(rng.uniform(0.01, 10.0, n))
    bands = [np.diagonal(full, k) for k in range(3)]
    right = rng.normal(size=n)
    table = np.stack([np.pad(band, (k, 0)) for k, band in enumerate(bands)])[::-1]
    expected = solveh_banded(table, right)
    solved = solved_bands(bands[0], bands[1], bands[2], right)
    assert np.allclose(solved, expected, rtol=1e-7, atol=1e-9 * np.abs(expected).max())
