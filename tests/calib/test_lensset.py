import cv2
import numpy as np
import pytest
from lenssim import SIZE, simulate

from calib.lensequations import Terms
from calib.lensset import choose_terms, first_guess, fit_set, settle_floor


def plain(views):
    return [v.view for v in views]


def test_first_guess_is_near():
    for seed in range(4):
        lens, views = simulate(seed)
        assert first_guess(plain(views), SIZE).focal_px == pytest.approx(lens[0], rel=0.1)


def test_estimate_and_standard_errors_are_those_of_opencv():
    # OpenCV's calibrateCameraExtended is the reference: same model (k1, k2, square pixels).
    _, views = simulate(3, noise=0.1)
    start = first_guess(plain(views), SIZE)
    fit = fit_set(plain(views), start, Terms(2), 1e-9)
    fit = fit_set(plain(views), settle_floor(fit, plain(views)), Terms(2), 1e-9)
    world = [
        np.column_stack([v.view.points_mm, np.zeros(len(v.view.points_mm))]).astype(np.float32)
        for v in views
    ]
    pixels = [v.view.points_px.astype(np.float32) for v in views]
    flags = (
        cv2.CALIB_USE_INTRINSIC_GUESS
        | cv2.CALIB_FIX_ASPECT_RATIO
        | cv2.CALIB_ZERO_TANGENT_DIST
        | cv2.CALIB_FIX_K3
    )
    camera = np.array([[3140.0, 0, 2015.5], [0, 3140.0, 1511.5], [0, 0, 1]])
    _, camera, bend, _, _, sd, _, _ = cv2.calibrateCameraExtended(
        world, pixels, SIZE, camera, np.zeros(5), flags=flags
    )
    bend, sd = bend.ravel(), sd.ravel()
    theirs = np.array([np.log(camera[1, 1]), camera[0, 2], camera[1, 2], bend[0], bend[1]])
    their_sd = np.array([sd[1] / camera[1, 1], *sd[2:6]])
    assert np.all(np.abs(fit.common[:5] - theirs) < 0.35 * their_sd)
    # Ours are wider by what a view's corners seem to share, here by chance.
    own_sd = np.sqrt(np.diag(fit.covariance)[:5] / fit.clustering)
    assert own_sd == pytest.approx(their_sd, rel=0.15)
    assert fit.clustering < 2.0


CASES = {
    "noise only": {"noise": 0.05},
    "bowed page": {"noise": 0.05, "bow_mm": 0.4},
    "moving focus": {"noise": 0.05, "focus": 0.003},
    "stretched print": {"noise": 0.05, "ratio": 1.004},
}


@pytest.mark.parametrize("case", CASES)
def test_errors_are_as_large_as_stated_and_the_right_terms_win(case):
    sets = 8
    scaled, focal_off, won = [], [], []
    for seed in range(sets):
        lens, views = simulate(seed, **CASES[case])
        fit, _ = choose_terms(plain(views), SIZE, 0.003)
        error = fit.common[:5] - [np.log(lens[0]), *lens[1:]]
        held = 3 + fit.terms.distortion
        scaled.append((error / np.sqrt(np.maximum(np.diag(fit.covariance)[:5], 1e-30)))[:held])
        focal_off.append(error[0])
        won.append((fit.terms.bowed, fit.terms.focusing))
    assert 0.7 < np.sqrt(np.mean(np.concatenate(scaled) ** 2)) < 1.3
    right = (case == "bowed page", case == "moving focus")
    assert won.count(right) >= sets - 1
    # Autofocus of 0.3 % leaves 0.1 % in the mean of ten photos.
    assert np.sqrt(np.mean(np.square(focal_off))) < (0.0015 if case == "moving focus" else 0.0002)


def test_the_ratio_of_a_stretched_print_is_found():
    _, views = simulate(1, noise=0.05, ratio=1.004)
    fit, _ = choose_terms(plain(views), SIZE, 0.003)
    assert np.exp(fit.common[6]) == pytest.approx(1.004, abs=0.0002)


def test_a_lens_without_distortion_gets_none():
    lens = np.array([3140.0, 2015.0, 1511.0, 0.0, 0.0])
    _, views = simulate(5, noise=0.1, lens=lens)
    fit, lag = choose_terms(plain(views), SIZE, 0.003)
    assert fit.terms == Terms(0)
    assert lag[Terms(2)] < 0.0


def test_two_terms_win_where_both_are_needed():
    lens = np.array([3140.0, 2015.0, 1511.0, -0.2, 0.15])
    _, views = simulate(5, noise=0.1, lens=lens)
    fit, lag = choose_terms(plain(views), SIZE, 0.003)
    assert fit.terms == Terms(2)
    assert lag[Terms(1)] < -10.0


def test_a_few_wild_corners_do_no_harm():
    lens, views = simulate(7, noise=0.05)
    views = plain(views)
    views[2].points_px[:6] += 15.0
    fit, _ = choose_terms(views, SIZE, 0.003)
    assert fit.focal_px == pytest.approx(lens[0], rel=0.0003)
    assert np.all(fit.weights[2][:6] < 0.01)
