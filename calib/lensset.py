"""A lens from a set of photos of one flat page: estimate, covariance, and which terms it needs.

One least-squares problem over all views [Zhang2000]; the views' own unknowns are eliminated
first (Schur complement), so the normal matrix that is solved is seven by seven.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.lensmodel import (
    BOW,
    COMMON,
    FOCUS,
    PER_VIEW,
    PageView,
    Pose,
    page_jacobian,
    page_pixels,
    turned,
)

__all__ = [
    "FOCUS_SD",
    "SetFit",
    "Terms",
    "choose_terms",
    "first_guess",
    "fit_set",
    "settle_floor",
]

FloatArray = NDArray[np.float64]

FOCUS_SD = 0.003
"""Prior standard deviation of the focal length's change from photo to photo by autofocus."""
BOW_SD_MM = 1.0
DISTORTION_SD = np.array([0.3, 0.5, 0.5])
FOCAL_SD, CENTRE_SD = 1.0, 0.1
"""Prior standard deviations of ln f, and of the principal point in focal lengths, round the first
guess: weak, only to keep a set that determines neither from running away."""
ROBUST = 4.0
"""Corners off by more than about this many standard deviations lose their weight (Cauchy)."""
LEAST_FLOOR_PX = 0.003


@dataclass(frozen=True, slots=True)
class Terms:
    """Which terms a fit holds: radial distortion terms (0 to 3), bowed page, moving focus."""

    distortion: int
    bowed: bool = False
    focusing: bool = False

    @property
    def name(self) -> str:
        """For the report."""
        parts = [("no distortion", "k1", "k1 k2", "k1 k2 k3")[self.distortion]]
        return ", ".join(
            parts + ["bowed page"] * self.bowed + ["focus moving between photos"] * self.focusing
        )


@dataclass(frozen=True, slots=True)
class SetFit:
    """A fit to a set of views.

    Attributes
    ----------
    terms : what it holds.
    common : (7,) ln f, cx, cy, k1, k2, k3, ln ratio.
    covariance : (7, 7), zero rows for terms not held.
    poses : one for each view.
    residuals_px : one (n, 2) for each view, seen minus computed.
    weights : one (n,) for each view, robust.
    floor_px : standard deviation that every corner carries besides its own, found from the fit.
    evidence : ln of the probability of the data given these terms (Laplace), up to a constant
        that fits to the same views with the same floor share.
    anchor : (3,) ln f, cx, cy of the first guess, for the weak priors.
    clustering : by how much errors that the corners of a view share widen the covariance, 1 or
        more; already in `covariance`.
    """

    terms: Terms
    common: FloatArray
    covariance: FloatArray
    poses: tuple[Pose, ...]
    residuals_px: tuple[FloatArray, ...]
    weights: tuple[FloatArray, ...]
    floor_px: float
    evidence: float
    anchor: FloatArray
    clustering: float = 1.0

    @property
    def focal_px(self) -> float:
        """Focal length, pixels."""
        return float(np.exp(self.common[0]))

    @property
    def rms_px(self) -> float:
        """Root mean square of the residuals of both coordinates."""
        return float(np.sqrt(np.mean(np.concatenate([r.ravel() ** 2 for r in self.residuals_px]))))


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
    problem = _Problem(views, terms, start, ratio, ratio_sd)
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


class _Problem:
    """The least-squares problem of one choice of terms."""

    def __init__(
        self, views: Sequence[PageView], terms: Terms, start: SetFit, ratio: float, ratio_sd: float
    ) -> None:
        self.views, self.terms, self.floor = views, terms, start.floor_px
        self.anchor = start.anchor
        self.sd = [np.hypot(v.sd_px, start.floor_px) for v in views]
        self.active = np.array([True] * 3 + [i < terms.distortion for i in range(3)] + [True])
        self.view_active = np.ones(PER_VIEW, dtype=np.bool_)
        self.view_active[FOCUS] = terms.focusing
        self.view_active[BOW] = terms.bowed
        self.target = np.zeros(COMMON)
        self.target[6] = np.log(ratio)
        self.sd_common = np.array([np.inf, np.inf, np.inf, *DISTORTION_SD, ratio_sd])
        self.sd_view = np.array([np.inf] * 6 + [FOCUS_SD] + [BOW_SD_MM] * 3)

    def cleared(self, common: FloatArray, poses: Sequence[Pose]) -> tuple[FloatArray, list[Pose]]:
        """Return a start in which terms that are not held are zero."""
        common = np.where(self.active, common, 0.0)
        self.target[:3] = self.anchor
        self.sd_common[0] = FOCAL_SD
        self.sd_common[1:3] = CENTRE_SD * np.exp(self.anchor[0])
        bow = np.zeros(3)
        return common, [
            Pose(
                p.rotation,
                p.translation,
                p.focus if self.terms.focusing else 0.0,
                p.bow if self.terms.bowed else bow,
            )
            for p in poses
        ]

    def _own(self, pose: Pose) -> FloatArray:
        return np.concatenate([np.zeros(6), [pose.focus], pose.bow])

    def cost(self, common: FloatArray, poses: Sequence[Pose]) -> float:
        """Half the robust sum of squares, priors included."""
        total = float(np.sum(((common - self.target) / self.sd_common) ** 2))
        for view, sd, pose in zip(self.views, self.sd, poses, strict=True):
            off = (view.points_px - page_pixels(view, common, pose)) / sd[:, None]
            square = np.sum(off**2, axis=1) / ROBUST**2
            total += float(ROBUST**2 * np.sum(np.log1p(square)))
            total += float(np.sum((self._own(pose) / self.sd_view) ** 2))
        return 0.5 * total

    def weights(self, residual: FloatArray, sd: FloatArray) -> FloatArray:
        """Robust weights, (n,)."""
        return np.asarray(1.0 / (1.0 + np.sum(residual**2, axis=1) / (ROBUST * sd) ** 2))

    def normal_system(self, common: FloatArray, poses: Sequence[Pose]) -> _Normal:
        """Return the normal equations, one block a view."""
        prior = np.diag(self.sd_common**-2.0)
        system = _Normal(
            prior, -prior @ (common - self.target), [], [], [], self.active, self.view_active
        )
        own_prior = np.diag(self.sd_view**-2.0)
        for view, sd, pose in zip(self.views, self.sd, poses, strict=True):
            residual = view.points_px - page_pixels(view, common, pose)
            weight = np.repeat(self.weights(residual, sd) / sd**2, 2)
            shared, own = page_jacobian(view, common, pose)
            system.common = system.common + shared.T @ (weight[:, None] * shared)
            system.right = system.right + shared.T @ (weight * residual.ravel())
            system.mixed.append(shared.T @ (weight[:, None] * own))
            system.own.append(own.T @ (weight[:, None] * own) + own_prior)
            system.own_right.append(
                own.T @ (weight * residual.ravel()) - own_prior @ self._own(pose)
            )
        return system

    def _clustering(self, common: FloatArray, poses: Sequence[Pose], reduced: FloatArray) -> float:
        """Return by how much errors that a view's corners share widen the covariance, 1 or more.

        Each view's pull on the common unknowns is compared with what independent corners would
        give (the "sandwich" of [White1982], by views). With A the share of the information that
        a view holds, independent corners give tr(A - A A) on the average. A few views give a
        rough figure, so it only ever widens, and by one factor for all.
        """
        on = self.active
        inverse = np.linalg.inv(reduced[np.ix_(on, on)])
        seen = expected = 0.0
        for view, sd, pose in zip(self.views, self.sd, poses, strict=True):
            residual = view.points_px - page_pixels(view, common, pose)
            weight = np.repeat(self.weights(residual, sd) / sd**2, 2)
            shared, own = page_jacobian(view, common, pose)
            shared, own = shared[:, on], own[:, self.view_active]
            block = own.T @ (weight[:, None] * own) + np.diag(self.sd_view[self.view_active] ** -2)
            clear = shared - own @ np.linalg.solve(block, own.T @ (weight[:, None] * shared))
            pull = clear.T @ (weight * residual.ravel())
            share = inverse @ (shared.T @ (weight[:, None] * clear))
            seen += float(pull @ inverse @ pull)
            expected += float(np.trace(share) - np.trace(share @ share))
        return max(1.0, seen / expected) if expected > 0.1 else 1.0

    def result(self, common: FloatArray, poses: Sequence[Pose]) -> SetFit:
        """Return the fit with covariance and evidence."""
        system = self.normal_system(common, poses)
        reduced = system.reduced()
        covariance = np.zeros((COMMON, COMMON))
        on = np.ix_(self.active, self.active)
        covariance[on] = np.linalg.inv(reduced[on])
        residuals = [
            v.points_px - page_pixels(v, common, p) for v, p in zip(self.views, poses, strict=True)
        ]
        clustering = self._clustering(common, poses, reduced)
        own_on = np.ix_(self.view_active, self.view_active)
        log_det = float(np.linalg.slogdet(reduced[on])[1])
        log_det += sum(float(np.linalg.slogdet(own[own_on])[1]) for own in system.own)
        widths = self.sd_common[self.active], np.tile(self.sd_view[self.view_active], len(poses))
        log_prior = sum(float(np.sum(np.log(w[np.isfinite(w)]))) for w in widths)
        return SetFit(
            terms=self.terms,
            common=common,
            covariance=covariance * clustering,
            poses=tuple(poses),
            residuals_px=tuple(residuals),
            weights=tuple(self.weights(r, sd) for r, sd in zip(residuals, self.sd, strict=True)),
            floor_px=self.floor,
            evidence=-self.cost(common, poses) - 0.5 * log_det - log_prior,
            anchor=self.anchor,
            clustering=clustering,
        )


@dataclass(slots=True)
class _Normal:
    """Normal equations with the views' own unknowns apart."""

    common: FloatArray
    right: FloatArray
    mixed: list[FloatArray]
    own: list[FloatArray]
    own_right: list[FloatArray]
    active: NDArray[np.bool_]
    view_active: NDArray[np.bool_]

    def reduced(self) -> FloatArray:
        """Return the normal matrix of the common unknowns, the views' own eliminated."""
        on = self.view_active
        matrix = self.common.copy()
        for mixed, own in zip(self.mixed, self.own, strict=True):
            matrix -= mixed[:, on] @ np.linalg.solve(own[np.ix_(on, on)], mixed[:, on].T)
        return matrix

    def solve(self, damping: float) -> tuple[FloatArray, list[FloatArray]]:
        """Return the step of the common unknowns and that of every view's own."""
        on, own_on = self.active, self.view_active
        common = self.common + np.diag(damping * np.diag(self.common))
        right = self.right.copy()
        inverses = []
        for mixed, own, own_right in zip(self.mixed, self.own, self.own_right, strict=True):
            block = own[np.ix_(own_on, own_on)]
            inverse = np.linalg.inv(block + np.diag(damping * np.diag(block)))
            inverses.append(inverse)
            common = common - mixed[:, own_on] @ inverse @ mixed[:, own_on].T
            right = right - mixed[:, own_on] @ inverse @ own_right[own_on]
        step = np.zeros(COMMON)
        step[on] = np.linalg.solve(common[np.ix_(on, on)], right[on])
        steps = []
        for inverse, mixed, own_right in zip(inverses, self.mixed, self.own_right, strict=True):
            own_step = np.zeros(PER_VIEW)
            own_step[own_on] = inverse @ (own_right[own_on] - mixed[:, own_on].T @ step)
            steps.append(own_step)
        return step, steps
