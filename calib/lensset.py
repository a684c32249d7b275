"""A lens from a set of photos of one flat page: estimate, and which terms it needs.

One least-squares problem over all views [Zhang2000].
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.lensequations import Problem, SetFit, Terms
from calib.lensmodel import (
    COMMON,
    PageView,
    Pose,
    page_pixels,
    turned,
)

__all__ = ["choose_terms", "first_guess", "fit_set", "settle_floor"]

FloatArray = NDArray[np.float64]

LEAST_FLOOR_PX = 0.003


def first_guess(views: Sequence[PageView], size_px: tuple[int, int]) -> SetFit:
    """Return a start: centre in the middle, no distortion, focal length from the perspectives."""
    middle = (np.array(size_px) - 1.0) / 2.0
    focal = _focal_of_perspectives(views, middle)
    trials = [focal] if focal is not None else []
    trials += [float(k * max(size_px)) for k in (0.5, 0.65, 0.8, 1.0, 1.4, 2.0, 3.0)]
    guesses = [_guess(views, middle, f) for f in trials]
    errors = [float(np.median(np.abs(np.concatenate(g.residuals_px)))) for g in guesses]
    best = int(np.argmin(errors))
    # The perspectives know best unless they are plainly wrong.
    return guesses[0] if focal is not None and errors[0] < 1.5 * errors[best] else guesses[best]


def _focal_of_perspectives(views: Sequence[PageView], middle: FloatArray) -> float | None:
    """Return f from the two constraints of each homography [Zhang2000], eq. 3 and 4."""
    rows, right = [], []
    for view in views:
        matrix = np.asarray(cv2.findHomography(view.points_mm, view.points_px - middle, 0)[0])
        matrix = matrix / np.linalg.norm(matrix[:, :2])
        a, b = matrix[:, 0], matrix[:, 1]
        scale = 1.0 / max(float(np.hypot(a[0], a[1]) * np.hypot(b[0], b[1])), 1e-12)
        rows += [(a[0] * b[0] + a[1] * b[1]) * scale, (a[:2] @ a[:2] - b[:2] @ b[:2]) * scale]
        right += [-a[2] * b[2] * scale, -(a[2] ** 2 - b[2] ** 2) * scale]
    left, target = np.array(rows), np.array(right)
    inverse_square = float(left @ target / max(left @ left, 1e-30))
    return float(inverse_square**-0.5) if inverse_square > 0.0 else None


def _guess(views: Sequence[PageView], middle: FloatArray, focal: float) -> SetFit:
    matrix = np.array([[focal, 0.0, middle[0]], [0.0, focal, middle[1]], [0.0, 0.0, 1.0]])
    common = np.array([np.log(focal), *middle, 0.0, 0.0, 0.0, 0.0])
    poses, residuals = [], []
    for view in views:
        world = np.column_stack([view.points_mm, np.zeros(len(view.points_mm))])
        _, turns, shifts, _ = cv2.solvePnPGeneric(
            world, view.points_px, matrix, None, flags=cv2.SOLVEPNP_IPPE
        )
        rotation = np.asarray(cv2.Rodrigues(turns[0])[0], dtype=np.float64)
        shift = np.asarray(shifts[0], dtype=np.float64).ravel()
        poses.append(Pose(rotation, shift, 0.0, np.zeros(3)))
        residuals.append(view.points_px - page_pixels(view, common, poses[-1]))
    weights = tuple(np.ones(len(v.points_px)) for v in views)
    return SetFit(
        Terms(0), common, np.zeros((COMMON, COMMON)), tuple(poses), tuple(residuals), weights,
        0.3, -np.inf, common[:3].copy(),
    )  # fmt: skip


def fit_set(
    views: Sequence[PageView],
    start: SetFit,
    terms: Terms,
    ratio_sd: float,
    ratio: float = 1.0,
    iterations: int = 25,
) -> SetFit:
    """Fit the lens and all poses.

    Parameters
    ----------
    views : at least one.
    start : a fit or guess to the same views; its `floor_px` is kept.
    terms : what to hold.
    ratio, ratio_sd : height over width of the page as printed over as drawn, and its standard
        deviation; an unknown scale of the page is no matter, an unknown ratio is.
    """
    problem = Problem(views, terms, start, ratio, ratio_sd)
    common, poses = problem.cleared(start.common, start.poses)
    cost = problem.cost(common, poses)
    damping = 1e-4
    for _ in range(iterations):
        system = problem.normal_system(common, poses)
        moved = False
        for _ in range(8):
            step, view_steps = system.solve(damping)
            trial = common + step
            trial_poses = [turned(p, s) for p, s in zip(poses, view_steps, strict=True)]
            trial_cost = problem.cost(trial, trial_poses)
            if np.isfinite(trial_cost) and trial_cost <= cost:
                moved = True
                break
            damping = max(damping * 10.0, 1e-6)
        if not moved:
            break
        small = cost - trial_cost < 1e-4
        common, poses, cost = trial, trial_poses, trial_cost
        damping *= 0.1
        if small:
            break
    return problem.result(common, poses)


def settle_floor(fit: SetFit, views: Sequence[PageView]) -> SetFit:
    """Return the fit with the floor that makes its residuals as large as stated.

    By the median, so that a bad view or a shadowed corner does not count: the square of a
    two-dimensional Gaussian error has the median 2 ln 2 of its variance.
    """
    free = 2 * sum(len(v.points_px) for v in views)
    share = max(0.2, 1.0 - (6 * len(views) + 5) / free)
    square = np.concatenate([np.sum(r**2, axis=1) for r in fit.residuals_px]) / share
    own = np.concatenate([v.sd_px**2 for v in views])
    low, high = LEAST_FLOOR_PX**2, max(float(square.max()), 1e-4)
    for _ in range(60):
        floor = np.sqrt(low * high)
        if np.median(square / (own + floor)) > 2.0 * np.log(2.0):
            low = floor
        else:
            high = floor
    return replace(fit, floor_px=float(np.sqrt(high)))


def choose_terms(
    views: Sequence[PageView], size_px: tuple[int, int], ratio_sd: float, ratio: float = 1.0
) -> tuple[SetFit, dict[Terms, float]]:
    """Fit with several choices of terms; return the best, and how the others compare.

    Judged by the evidence [MacKay1992]: a term that the data do not need costs what its prior
    is wide, a term that they need pays for itself. First the page and the focus, then the
    distortion; a third distortion term is tried to see whether two are enough, but never wins.

    Returns
    -------
    The best fit, and for each choice of terms its ln evidence less that of the best.
    """
    guess = first_guess(views, size_px)
    # Coarse to fine: each run starts from the last and lowers the floor to what the fit earns.
    fit = fit_set(views, guess, Terms(1), ratio_sd, ratio)
    for _ in range(2):
        fit = settle_floor(fit, views)
        fit = fit_set(views, fit, Terms(2, True, True), ratio_sd, ratio)
    rich = settle_floor(fit, views)
    # Corners of a view that err together are fewer observations than they seem, and would
    # buy terms that nothing but their common error needs.
    rich = replace(rich, floor_px=rich.floor_px * float(np.sqrt(fit.clustering)))
    fits: dict[Terms, SetFit] = {}

    def try_terms(terms: Terms) -> None:
        fits[terms] = fit_set(views, rich, terms, ratio_sd, ratio)

    for bowed in (False, True):
        for focusing in (False, True):
            try_terms(Terms(2, bowed, focusing))
    best = max(fits.values(), key=lambda f: f.evidence).terms
    for distortion in (0, 1, 3):
        try_terms(replace(best, distortion=distortion))
    winner = max((f for f in fits.values() if f.terms.distortion < 3), key=lambda f: f.evidence)
    lag = {terms: fit.evidence - winner.evidence for terms, fit in fits.items()}
    winner = settle_floor(winner, views)
    for _ in range(2):
        winner = settle_floor(winner, views)
        winner = fit_set(views, winner, winner.terms, ratio_sd, ratio)
    return winner, lag
