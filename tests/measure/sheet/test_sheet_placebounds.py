"""The bounds on places that the sheet's benchmark prints, against closed forms."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from sheetturnings import SCATTER_MM, Turner, rows_of, traced

from measure.chain import Chain

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

from placebounds import bound_of, flowing_joints, trace_bound, trace_covariance

SIGMA = 0.02


def white(z: np.ndarray) -> np.ndarray:
    return SIGMA**2 * np.eye(len(z))


def test_slope_of_a_line_is_bound_as_in_any_textbook() -> None:
    """Variance of a fitted slope: sigma^2 / sum (z - mean)^2 [Kay 1993, example 3.7, memory]."""
    z = np.arange(0.0, 60.1, 0.25)
    bound = bound_of(Chain(np.array([0.0, 60.0]), np.array([20.0, 23.0]), np.zeros(1)), z, white(z))
    slope = np.array([-1.0, 1.0]) / 60.0
    assert slope @ bound.covariance @ slope == pytest.approx(
        SIGMA**2 / np.sum((z - z.mean()) ** 2), rel=1e-6
    )


def test_corner_is_placed_as_the_meeting_point_of_two_fitted_lines() -> None:
    """Each line tells r at the corner with sigma^2 (1/n + (zc - mean)^2 / S); over the angle."""
    chain = Chain(np.array([0.0, 30.1, 80.0]), np.array([20.0, 20.0 + 0.05 * 30.1, 25.0]),
                  np.zeros(2))  # fmt: skip
    z = np.arange(0.0, 80.1, 0.25)
    slopes = np.diff(chain.r_mm) / np.diff(chain.z_mm)
    variance = 0.0
    for own in (z[z < 30.1], z[z > 30.1]):
        spread = np.sum((own - own.mean()) ** 2)
        variance += SIGMA**2 * (1.0 / len(own) + (30.1 - own.mean()) ** 2 / spread)
    want = np.sqrt(variance) / abs(slopes[1] - slopes[0])
    assert bound_of(chain, z, white(z)).sd("z", 1) == pytest.approx(want, rel=1e-6)


def test_flowing_joint_is_placed_as_where_a_parabola_leaves_its_level() -> None:
    """A shallow arc of radius R is r0 + (z - z0)^2 / 2R: three numbers, their moments by hand."""
    radius, z0 = 2000.0, 40.1
    end = 100.0 - z0
    drop = radius - np.sqrt(radius**2 - end**2)
    bulge = np.tan(0.25 * np.arcsin(end / radius))
    chain = Chain(np.array([0.0, z0, 100.0]), np.array([20.0, 20.0, 20.0 - drop]),
                  np.array([0.0, bulge]))  # fmt: skip
    assert flowing_joints(chain) == [1]
    z = np.arange(0.0, 100.1, 0.25)
    past = np.maximum(z - z0, 0.0)
    design = np.column_stack([np.ones(len(z)), past / radius, -0.5 * past**2])
    want = SIGMA * np.sqrt(np.linalg.inv(design.T @ design)[1, 1])
    assert bound_of(chain, z, white(z)).sd("z", 1) == pytest.approx(want, rel=2e-3)


def test_covariance_is_that_of_the_traces() -> None:
    t = Turner(20.0)
    t.flat(20.0)
    t.taper(20.0, 14.0)
    _, d, cosine = rows_of(t.chain())
    rng = np.random.default_rng(5)
    noise = np.array([0.5 * (traced(t.chain(), rng).diameter_mm - d) for _ in range(4000)])
    want = trace_covariance(cosine)
    sd = np.sqrt(np.diag(want))
    got = noise.T @ noise / len(noise)
    # A sample correlation of 4000 draws is known to 1 / sqrt(4000) = 0.016; the worst of 13000.
    np.testing.assert_allclose(got / np.outer(sd, sd), want / np.outer(sd, sd), atol=0.1)
    assert np.mean(np.diag(got) / np.diag(want)) == pytest.approx(1.0, abs=0.01)
    assert sd[0] > 0.5 * SCATTER_MM


def test_wall_parts_the_rows_and_holds_its_place() -> None:
    t = Turner(20.0)
    t.flat(20.0)
    t.shoulder(3.0)
    t.ogee(30.0, -5.0)
    t.flat(20.0)
    bound = trace_bound(t.chain())
    assert [k for what, k in bound.names if what == "z"] == [3, 4]
    with pytest.raises(KeyError):
        bound.sd("z", 1)
    assert 0.05 < bound.sd("z", 4) < 0.5
