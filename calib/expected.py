"""What uncertainty a photo will give: the joint estimate linearised about a model piece.

The unknowns and priors are those of a trace: lens, view, the target's own errors, the axis and
the bias of both rims. What the photo shows of the target counts as it was found; what it would
show of the piece is computed from the model. The covariance needs no measured piece [JCGM100].
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.lens import Lens
from calib.modelpiece import ModelPiece, contacts, side_points
from calib.sight import (
    SideSight,
    Sight,
    extras_start,
    extras_steps,
    lens_prior,
    sight_residuals,
    view_steps,
)
from calib.solve import jacobian, solve
from calib.view import VIEW_SIZE, View

__all__ = ["Expected", "expected", "weighted"]

FloatArray = NDArray[np.float64]

CONTACT_SD_MM = 0.05
PLANE_SD_MM, HEIGHT_SD_MM = 0.5, 0.3
UPRIGHT_SD_RAD = 0.004
FOOT_SD_MM, FOOT_RADIUS_SD_MM = 0.15, 0.2
RIM_BIAS_SD_PX = 0.13
"""As in a trace (of a rim, that of a clean side); a test holds them together."""
EDGE_SD_PX = 0.15
"""Noise of one outline point on wood (measured on rendered photos)."""
PAIR_FLOOR_PX = 0.3
PAIR_EVERY_PX = 15.0
"""A trace compares both sides once every so many pixels."""
LOCAL_PX = 0.16
"""What a side of one row is off by noise, grain and shading, as a trace states it."""
STATIONS = 61
CREST_SHARE = 0.97
"""The diameter that was asked for is that of the crests: so much of it counts as one."""
AHEAD_PX = 0.5
FOOT_POINTS = 40


@dataclass(frozen=True, slots=True)
class Expected:
    """95 % half-widths of a diameter, mm.

    Attributes
    ----------
    u95_mm : the middle one along the piece; `worst_mm` the largest.
    common_mm : the part of `u95_mm` that all rows share.
    """

    u95_mm: float
    worst_mm: float
    common_mm: float


def expected(view: View, sight: Sight, lens: Lens, piece: ModelPiece, setup: str) -> Expected:
    """Return the uncertainty to expect.

    Parameters
    ----------
    view : lens and pose of the photo.
    sight : of the target in it.
    lens : the lens prior.
    piece, setup : how it would lie.
    """
    model = _Model(view, sight, lens, piece, setup)
    x, steps = model.start(), model.steps()
    covariance = solve(model.residuals, x, steps, iterations=0).covariance
    slopes = jacobian(model.diameters, x, steps)
    shared = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", slopes, covariance, slopes), 0.0))
    local = np.sqrt(2.0) * LOCAL_PX * model.scale
    total = 1.96 * np.hypot(shared, local)
    thick = model.piece.radius(model.z) > CREST_SHARE * piece.radius_mm
    middle = (float(np.median(column[thick])) for column in (total, 1.96 * shared))
    u95, common = middle
    return Expected(u95, float(total[thick].max()), common)


class _Model:
    """Residuals of a photo of the piece about their zero, as functions of the unknowns.

    Unknowns: view (11), the target's own, axis (two shifts in mm at the start, two at 100 mm
    along), bias of both rims (px), and for `upright` the radius of the foot.
    """

    def __init__(self, view: View, sight: Sight, lens: Lens, piece: ModelPiece, setup: str) -> None:
        self.view, self.sight, self.lens = view, sight, lens
        self.piece, self.setup = piece, setup
        self.extras = len(extras_start(sight))
        camera = view.camera_centre_mm
        self.z = np.linspace(0.0, piece.length_mm, STATIONS)
        self.pixels = view.to_pixels(side_points(piece, self.z, camera))
        behind, before = (
            view.to_pixels(side_points(piece, self.z + shift, camera)) for shift in (-0.02, 0.02)
        )
        self.ahead = self.pixels + AHEAD_PX * _unit(before - behind)
        self.slope = piece.slope(self.z)
        self.cosine = 1.0 / np.sqrt(1.0 + self.slope**2)
        self.depth = np.linalg.norm(piece.at(self.z) - camera, axis=1)
        self.scale = float(np.median(self.depth)) / view.lens.focal_px
        toward = piece.point_mm - camera
        self.first = np.cross(piece.direction, toward)
        self.first /= np.linalg.norm(self.first)
        self.second = np.cross(piece.direction, self.first)
        ends = self.pixels.mean(axis=0)[[0, -1]]
        compared = max(float(np.linalg.norm(ends[1] - ends[0])) / PAIR_EVERY_PX, 1.0)
        self.pair_sd = np.hypot(np.sqrt(2.0) * EDGE_SD_PX, PAIR_FLOOR_PX) * self.scale
        self.pair_sd *= np.sqrt(STATIONS / compared)
        self.foot_px = self._foot() if setup == "upright" else np.zeros((0, 2))
        self.rest = self._sight(self.start()), self._knowledge(self.start())

    def start(self) -> FloatArray:
        tail = [self.piece.radius_mm] if self.setup == "upright" else []
        own = extras_start(self.sight)
        return np.concatenate([self.view.vector(), own, np.zeros(6), tail])

    def steps(self) -> FloatArray:
        tail = [0.02] if self.setup == "upright" else []
        own = extras_steps(self.sight)
        return np.concatenate([view_steps(self.view), own, np.full(6, 0.02), tail])

    def axis(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        a = x[VIEW_SIZE + self.extras :][:4]
        point = self.piece.point_mm + a[0] * self.first + a[1] * self.second
        d = self.piece.direction + (a[2] * self.first + a[3] * self.second) / 100.0
        return point, d / np.linalg.norm(d)

    def radii(self, x: FloatArray) -> FloatArray:
        """Return r of both sides at the stations' z, (2, n), at fixed outline points.

        A point that the unknowns move along the piece is brought back along its slope.
        """
        view = self.view.with_vector(x[:VIEW_SIZE])
        z, r = contacts(
            view.rays(self.pixels), view.rays(self.ahead), view.camera_centre_mm, *self.axis(x)
        )
        bias = x[VIEW_SIZE + self.extras + 4 :][:2]
        r = r - bias[:, None] * self.depth / view.lens.focal_px
        return np.asarray(r - self.slope * (z - self.z))

    def diameters(self, x: FloatArray) -> FloatArray:
        """Return the diameters (n,), z counted from the mean of both sides' starts."""
        view = self.view.with_vector(x[:VIEW_SIZE])
        start, _ = contacts(
            view.rays(self.pixels[:, 0]),
            view.rays(self.ahead[:, 0]),
            view.camera_centre_mm,
            *self.axis(x),
        )
        return np.asarray(self.radii(x).sum(axis=0) + 2.0 * self.slope * start.mean())

    def residuals(self, x: FloatArray) -> FloatArray:
        r = self.radii(x)
        bias = x[VIEW_SIZE + self.extras + 4 :][:2]
        return np.concatenate(
            [
                (r[0] - r[1]) * self.cosine / self.pair_sd,
                self._sight(x) - self.rest[0],
                lens_prior(self.lens.with_vector(self.view.lens.vector()))(x),
                bias / RIM_BIAS_SD_PX,
                self._knowledge(x) - self.rest[1],
            ]
        )

    def _sight(self, x: FloatArray) -> FloatArray:
        view = self.view.with_vector(x[:VIEW_SIZE])
        return sight_residuals(view, x[VIEW_SIZE : VIEW_SIZE + self.extras], self.sight)

    def _knowledge(self, x: FloatArray) -> FloatArray:
        """Return what the set-up says of the axis, whitened."""
        point, d = self.axis(x)
        ends = point + np.array([[0.0], [self.piece.length_mm]]) * d
        if self.setup == "plane":
            return np.asarray(ends[:, 2] / PLANE_SD_MM)
        if self.setup == "level":
            return np.asarray(ends[:, 2] / HEIGHT_SD_MM)
        if self.setup == "upright":
            view = self.view.with_vector(x[:VIEW_SIZE])
            level = self.piece.point_mm[2]
            arc = view.on_plane(self.foot_px, level)
            middle = point + (level - point[2]) / d[2] * d
            reach = np.linalg.norm(arc - middle[:2], axis=1) - x[-1]
            foot = (x[-1] - self.radii(x)[:, 0].mean()) / FOOT_RADIUS_SD_MM
            return np.concatenate(
                [d[:2] / UPRIGHT_SD_RAD, reach / (np.sqrt(FOOT_POINTS) * FOOT_SD_MM), [foot]]
            )
        r = self.radii(x).mean(axis=0)[[0, -1]]
        lowest = ends[:, 2] - r * np.sqrt(max(1.0 - d[2] ** 2, 0.0))
        return np.asarray(lowest / CONTACT_SD_MM)

    def _foot(self) -> FloatArray:
        """Return the pixels of the near half of the rim that stands on the bench."""
        toward = (self.view.camera_centre_mm - self.piece.point_mm)[:2]
        angle = np.arctan2(toward[1], toward[0]) + np.linspace(-1.2, 1.2, FOOT_POINTS)
        rim = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(FOOT_POINTS)])
        return self.view.to_pixels(self.piece.point_mm + self.piece.radius_mm * rim)


def _unit(vectors: FloatArray) -> FloatArray:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True))


def weighted(sight: Sight, weights: FloatArray) -> Sight:
    """Return a sight whose uncertainties are as wide as a robust estimate took them.

    Parameters
    ----------
    weights : of the residuals of `sight_residuals`, in their order, from the solution.
    """
    loose = 1.0 / np.sqrt(np.maximum(weights, 1e-4))
    n = len(sight.points_px)
    if isinstance(sight, SideSight):
        return replace(
            sight,
            sd_px=sight.sd_px * loose[:n],
            bias_sd_px=sight.bias_sd_px * loose[n + 2 : n + 6],
        )
    return replace(sight, sd_px=sight.sd_px * loose[: 2 * n].reshape(n, 2).mean(axis=1))
