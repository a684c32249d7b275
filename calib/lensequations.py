"""The equations of a lens from a set of photos: unknowns, priors, normal matrix, evidence.

The views' own unknowns are eliminated first (Schur complement), so the normal matrix that is
solved is seven by seven.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

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
)

__all__ = ["FOCUS_SD", "Normal", "Problem", "SetFit", "Terms"]

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


class Problem:
    """The least-squares problem of one choice of terms."""

    def __init__(
        self, views: Sequence[PageView], terms: Terms, start: SetFit, ratio: float, ratio_sd: float
    ) -> None:
        """Take floor and anchor from `start`; `ratio` and `ratio_sd` are as for `fit_set`."""
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

    def normal_system(self, common: FloatArray, poses: Sequence[Pose]) -> Normal:
        """Return the normal equations, one block a view."""
        prior = np.diag(self.sd_common**-2.0)
        system = Normal(
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
class Normal:
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
