"""The camera's view of a target: lens and pose together, with their joint covariance."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.lens import Lens, project, straighten

__all__ = ["VIEW_SIZE", "View"]

FloatArray = NDArray[np.float64]

VIEW_SIZE = 11
"""Length of a view's parameter vector: focal_px, cx, cy, k1, k2, rotation (3), translation (3)."""


@dataclass(frozen=True, slots=True)
class View:
    """Lens and pose over a target.

    Target frame: origin at the target's centre, X and Y in its face, Z out of it toward the
    camera, mm. A point of it in the camera frame is R X + t.

    Attributes
    ----------
    lens : its own covariance is superseded by `covariance` below.
    rotation_vector : (3,) Rodrigues vector of R, radians.
    translation_mm : (3,) t.
    covariance : (11, 11) of `vector()`; holds the target's own size error as well.
    """

    lens: Lens
    rotation_vector: FloatArray
    translation_mm: FloatArray
    covariance: FloatArray

    def vector(self) -> FloatArray:
        """Return (focal_px, cx, cy, k1, k2, rx, ry, rz, tx, ty, tz), shape (11,)."""
        return np.concatenate([self.lens.vector(), self.rotation_vector, self.translation_mm])

    def with_vector(self, vector: FloatArray) -> View:
        """Return the same view with the parameter vector replaced (covariance kept)."""
        return View(
            self.lens.with_vector(vector[:5]),
            vector[5:8].copy(),
            vector[8:11].copy(),
            self.covariance,
        )

    @property
    def rotation(self) -> FloatArray:
        """R, shape (3, 3), target frame to camera frame."""
        return np.asarray(cv2.Rodrigues(self.rotation_vector)[0], dtype=np.float64)

    @property
    def camera_centre_mm(self) -> FloatArray:
        """Camera centre in the target frame, shape (3,)."""
        return np.asarray(-self.rotation.T @ self.translation_mm)

    def to_pixels(self, points_mm: FloatArray) -> FloatArray:
        """Project points of the target frame, shape (..., 3), to pixels, shape (..., 2)."""
        return project(points_mm @ self.rotation.T + self.translation_mm, self.lens.vector())

    def rays(self, points_px: FloatArray) -> FloatArray:
        """Return directions in the target frame, shape (..., 3), not unit length, of pixels."""
        return self.turned(straighten(points_px, self.lens.vector()))

    def turned(self, straight: FloatArray) -> FloatArray:
        """Return the rays of normalised image points (..., 2) without distortion; see `rays`."""
        directions = np.concatenate([straight, np.ones_like(straight[..., :1])], axis=-1)
        return np.asarray(directions @ self.rotation)

    def on_plane(self, points_px: FloatArray, height_mm: float = 0.0) -> FloatArray:
        """Return where the rays of pixels meet the plane Z = height, shape (..., 2), mm.

        Rays that do not meet the plane in front of the camera give NaN.
        """
        rays = self.rays(points_px)
        centre = self.camera_centre_mm
        with np.errstate(divide="ignore", invalid="ignore"):
            s = (height_mm - centre[2]) / rays[..., 2]
        s = np.where(s > 0.0, s, np.nan)
        return np.asarray(centre[:2] + s[..., None] * rays[..., :2])
