"""A caliper reading against exact geometry: a photo whose scale and whose start end are off.

What is checked against is the mill of `checkpieces` itself, stretched and shifted: at a fixed z a
diameter D then errs by s (D - z dD/dz) - t dD/dz, in the first order.
"""

import numpy as np
import pytest
from checkpieces import mill_diameter, rows_with_shoulders

from measure.caliper import CALIPER_SD_MM, error_covariance, with_readings
from measure.profile import Profile
from measure.sharederror import directions, likeness

SCALE_SD, START_SD, LOCAL_SD = 0.002, 0.15, 0.01
FLAT = 161.0
"""On the tenon, behind all slopes."""


def slopes(z):
    return (mill_diameter(z + 0.05) - mill_diameter(z - 0.05)) / 0.1


def traced(scale, start, local=0.0):
    """Return the profile that such a photo gives, and which rows stand on smooth stretches."""
    z, _ = rows_with_shoulders(mill_diameter)
    z = np.unique(z)
    d = (1.0 + scale) * mill_diameter((z + start) / (1.0 + scale)) + local
    common = np.hypot(SCALE_SD * (mill_diameter(z) - z * slopes(z)), START_SD * slopes(z))
    steps = np.array([12.0, 83.0, 90.0, 97.0, 150.0])
    smooth = np.min(np.abs(z[:, None] - steps), axis=1) > 2.5
    z, d, common = z[smooth], d[smooth], common[smooth]
    return Profile(z, d, 1.96 * np.hypot(common, LOCAL_SD), 1.96 * common)


@pytest.mark.parametrize("scale", [0.003, -0.003])
def test_a_reading_puts_rising_slopes_right_as_well_as_falling_ones(scale):
    profile = traced(scale, 0.0)
    after = with_readings(profile, [(FLAT, float(mill_diameter(FLAT)))])
    before_mm = profile.diameter_mm - mill_diameter(profile.z_mm)
    after_mm = after.diameter_mm - mill_diameter(profile.z_mm)
    rising = slopes(profile.z_mm) > 0.3
    falling = slopes(profile.z_mm) < -0.3
    assert rising.sum() > 60
    assert falling.sum() > 60
    for slope in (rising, falling):
        rms = [float(np.sqrt(np.mean(e[slope] ** 2))) for e in (before_mm, after_mm)]
        assert rms[1] < 0.6 * rms[0]


def test_what_is_left_after_a_reading_is_inside_its_uncertainty():
    """Scale, start end and calipers drawn: 95 % of rows hold the truth after the reading."""
    rng = np.random.default_rng(7)
    inside, kept = [], []
    for _ in range(300):
        profile = traced(SCALE_SD * rng.standard_normal(), START_SD * rng.standard_normal())
        reading = float(mill_diameter(FLAT)) + CALIPER_SD_MM * rng.standard_normal()
        after = with_readings(profile, [(FLAT, reading)])
        off = np.abs(after.diameter_mm - mill_diameter(profile.z_mm))
        inside.append(np.mean(off <= after.u95_mm))
        kept.append(np.median(after.u95_common_mm / profile.u95_common_mm))
    assert np.mean(inside) >= 0.94
    assert np.mean(kept) < 0.9  # and the reading was worth something


def test_variances_of_scale_and_start_are_found_from_the_rows():
    profile = traced(0.0, 0.0)
    z, ways = profile.z_mm, directions(profile)
    assert np.all(np.sum(ways**2, axis=1) <= 1.0 + 1e-9)
    expected = np.column_stack(
        [SCALE_SD * (mill_diameter(z) - z * slopes(z)), -START_SD * slopes(z)]
    )
    expected /= np.hypot(*expected.T)[:, None]
    assert np.quantile(np.abs(ways - expected), 0.95) < 0.1


def test_likeness_is_one_with_itself_and_fades_along_the_piece():
    z = np.array([0.0, 50.0, 100.0])
    ways = np.array([[1.0, 0.0], [1.0, 0.0], [-1.0, 0.0]])
    alike = likeness(z, ways, 0.0, ways[0])
    assert alike == pytest.approx([1.0, np.exp(-0.25), -np.exp(-0.5)])


def test_two_readings_against_one_least_squares_step_with_both():
    """Readings taken one after the other, without the matrix, as both at once with it.

    The posterior of a linear model does not depend on the order of what is observed.
    """
    profile = traced(0.001, 0.05)
    z = profile.z_mm
    readings = ((20.0, 49.1), (FLAT, 40.05))
    rows = [int(np.argmin(np.abs(z - at))) for at, _ in readings]
    prior = error_covariance(z, profile.u95_mm, profile.u95_common_mm, directions(profile))
    gain = prior[:, rows] @ np.linalg.inv(prior[np.ix_(rows, rows)] + CALIPER_SD_MM**2 * np.eye(2))
    surprise = np.array([d for _, d in readings]) - profile.diameter_mm[rows]
    left = prior - gain @ prior[rows]
    after = with_readings(profile, readings)
    assert after.diameter_mm == pytest.approx(profile.diameter_mm + gain @ surprise, abs=1e-9)
    assert after.u95_mm == pytest.approx(1.96 * np.sqrt(np.diag(left)), abs=1e-9)
    assert np.min(np.linalg.eigvalsh(prior)) > -1e-9
