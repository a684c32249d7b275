"""The band: the photo as a camera turned to look straight at an axis line would see it.

Camera centre and axis span a plane that mirrors camera and piece onto themselves. In a camera
turned (not moved) so that this plane is its middle line, the two sides of the outline are exact
mirror images. That is how a rim is told from the edge of a shadow, which has no partner.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.vectors import cross

__all__ = ["Band", "band_for", "band_to_pixels", "warp"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Band:
    """A turned camera and the grid of its picture.

    Attributes
    ----------
    to_camera : (3, 3) band rays to camera rays.
    intrinsics : (3, 3) of the photo that is sampled, without distortion.
    start : normalised coordinate along the axis of the first row.
    step : normalised size of a sample, both ways.
    rows, half : number of rows along the axis, and of samples on each side of the middle.
    """

    to_camera: FloatArray
    intrinsics: FloatArray
    start: float
    step: float
    rows: int
    half: int

    def homography(self) -> FloatArray:
        """Return (3, 3) from band sample (column, row) to pixels of the photo."""
        grid = np.array(
            [[0.0, self.step, self.start], [self.step, 0.0, -self.half * self.step], [0, 0, 1.0]]
        )
        return np.asarray(self.intrinsics @ self.to_camera @ grid)


def band_for(
    ends_px: FloatArray, intrinsics: FloatArray, beyond: float, half_px: float, step_px: float
) -> Band:
    """Return the band along an axis line.

    Parameters
    ----------
    ends_px : (2, 2) two pixels of the axis line, near the ends of the piece.
    intrinsics : (3, 3) of the photo.
    beyond : share of the length added at both ends.
    half_px, step_px : half width of the band and size of a sample, in pixels of the photo.
    """
    rays = np.column_stack([ends_px, np.ones(2)]) @ np.linalg.inv(intrinsics).T
    rays /= np.linalg.norm(rays, axis=1)[:, None]
    forward = rays.sum(axis=0)
    forward /= np.linalg.norm(forward)
    across = cross(rays[0], rays[1])
    across = -across / np.linalg.norm(across)
    along = cross(across, forward)
    if along @ (rays[1] - rays[0]) < 0:
        along, across = -along, -across
    to_camera = np.stack([along, across, forward], axis=1)
    limits = (rays @ along) / (rays @ forward)
    margin = beyond * (limits[1] - limits[0])
    focal = intrinsics[0, 0]
    step = step_px / focal
    rows = int(np.ceil((limits[1] - limits[0] + 2 * margin) / step)) + 1
    return Band(
        to_camera,
        intrinsics,
        float(limits[0] - margin),
        step,
        rows,
        int(np.ceil(half_px / step_px)),
    )


def warp(picture: NDArray[np.float32], band: Band) -> Float32Array:
    """Sample a picture on the band's grid: (rows, 2 half + 1, channels); outside is 0."""
    size = (2 * band.half + 1, band.rows)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpPerspective(picture, band.homography(), size, flags=flags))


def band_to_pixels(band: Band, columns: FloatArray, rows: FloatArray) -> FloatArray:
    """Return pixels of the photo, shape (n, 2), of band samples."""
    grid = np.column_stack([columns, rows, np.ones_like(columns)]) @ band.homography().T
    return np.asarray(grid[:, :2] / grid[:, 2:])
