"""The joint estimate on whole photos without a picture: exact outlines, drawn priors.

Everything the estimate takes as unknown is drawn from the prior that it states: focal length,
principal point, distortion, card size, shadows along the card's sides, where the rim is seen, and
how the piece lies. Noise of 0.1 px on every point. So the stated uncertainties must be right, and
the photo is the unit, for errors within one photo share scale and height.

`whole_fit_table.py` prints the figures for as many photos as one has patience for.
"""

import numpy as np
import pytest
from exact_scene import PLACES, drawn, judged, point_errors

PHOTOS = 16
SEEDS = [(77, k) for k in range(PHOTOS)]


def run(setup):
    """Return what is judged of each photo; a photo that cannot be measured fails the test."""
    return [judged(*drawn(setup, seed)) for seed in SEEDS]


@pytest.fixture(scope="module")
def photos():
    """Return the judged photos of a set-up, made once."""
    made = {}

    def of(setup):
        if setup not in made:
            made[setup] = run(setup)
        return made[setup]

    return of


SETUPS = list(PLACES)


@pytest.mark.parametrize("setup", SETUPS)
def test_stated_uncertainty_is_that_of_the_errors(photos, setup):
    # The bounds asked for rms of error / (U95 / 1.96) over photos: 0.7 to 1.3.
    per_photo = [np.mean(p.normalised()[p.calm] ** 2) for p in photos(setup)]
    assert 0.7 < np.sqrt(np.mean(per_photo)) < 1.3


@pytest.mark.parametrize("setup", SETUPS)
def test_no_photo_is_far_outside_what_it_states(photos, setup):
    for p in photos(setup):
        assert np.mean(np.abs(p.error_mm) > 2.0 * p.u95_mm) <= 0.05


@pytest.mark.parametrize("setup", SETUPS)
def test_most_stations_lie_inside_their_u95(photos, setup):
    # 95 % with the photo as the unit: of 16 photos, 90 to 98 % at large may show as 85 to 100 %.
    inside = [np.mean(np.abs(p.error_mm) <= p.u95_mm) for p in photos(setup)]
    assert 0.85 < np.mean(inside) <= 1.0


@pytest.mark.parametrize("setup", SETUPS)
def test_errors_have_no_common_sign(photos, setup):
    # A bias of all photos would show as a mean of the medians away from 0: sd 1 / sqrt(16).
    medians = [np.median(p.normalised()[p.calm]) for p in photos(setup)]
    assert abs(np.mean(medians)) < 3.0 / np.sqrt(PHOTOS)


@pytest.mark.parametrize("setup", SETUPS)
def test_lengths_are_inside_what_they_state(photos, setup):
    ratio = np.array([p.length_error_mm / (p.length_u95_mm / 1.96) for p in photos(setup)])
    assert np.mean(np.abs(ratio) < 1.96) >= 0.8
    assert np.all(np.abs(ratio) < 2.5 * 1.96)


@pytest.mark.parametrize("setup", SETUPS)
def test_nearly_all_of_the_axis_is_reported(photos, setup):
    # A little hides behind the shoulder; 97 % of what is visible is asked for at large.
    assert np.mean([p.covered for p in photos(setup)]) > 0.9


far_contact = pytest.mark.xfail(
    strict=True,
    raises=AssertionError,
    reason="the contact with the bench is read from the five points nearest to it",
)
QUIET = [
    pytest.param(setup, seed, marks=far_contact if (setup, seed) == ("bench", 0) else ())
    for setup in ("bench", "level", "plane")
    for seed in range(3)
]


@pytest.mark.parametrize(("setup", "seed"), QUIET)
def test_without_noise_the_diameters_come_back(setup, seed):
    # At the outline's own points, priors met exactly. What limits it then: tangents are straight
    # lines through seven points, and where the rim is seen (0.08 px inside) is put right as if
    # the side ran along the axis.
    it, tracing = drawn(setup, seed, spread=0.0, noise_px=0.0)
    assert np.percentile(np.abs(point_errors(it, tracing)), 95) < 0.004
