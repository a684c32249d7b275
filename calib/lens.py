"""The lens: focal length, principal point and radial distortion, with their covariance.

Camera frame as in OpenCV: X right, Y down, Z forward, in millimetres. Pixels are (x, y) with
pixel centres at integers. Distortion is Brown's radial model, two terms [Brown1971].
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

__all__ = ["LENS_SIZE", "Lens", "bend", "lens_from_exif", "project", "straighten"]

FloatArray = NDArray[np.float64]

DIAGONAL_35MM = float(np.hypot(36.0, 24.0))
"""Diagonal of the 36 x 24 mm frame that EXIF's 35 mm equivalent refers to, mm (CIPA DCG-001)."""

FOCAL_RELATIVE_SD = 0.03
PRINCIPAL_POINT_SD_OF_12MP = 20.0
K1_SD = 0.015
K2_SD = 0.01
LENS_SIZE = 5
"""Length of a lens's vector, with which that of a view begins: focal_px, cx, cy, k1, k2."""
NEWTON_STEPS, NEWTON_DONE = 8, 1e-9
"""So many reach rounding to a radius of 1, 45 degrees off the axis, wherever the distortion still
grows at 0.4 of its pace in the middle; four left 1e-7 there. After a step so small the next one
is of the size of rounding."""


@dataclass(frozen=True, slots=True)
class Lens:
    """One lens setting for one picture size.

    Attributes
    ----------
    focal_px : focal length in pixels (square pixels).
    centre_px : principal point (x, y) in pixels.
    k1, k2 : radial distortion, dimensionless (normalised image radius).
    size_px : (width, height) of the displayed picture this lens belongs to.
    covariance : (5, 5) of (focal_px, cx, cy, k1, k2).
    source : where it comes from, one of "exif", "assumed", "calibrated".
    """

    focal_px: float
    centre_px: tuple[float, float]
    k1: float
    k2: float
    size_px: tuple[int, int]
    covariance: FloatArray
    source: str

    def vector(self) -> FloatArray:
        """Return (focal_px, cx, cy, k1, k2) as an array of shape (5,)."""
        return np.array([self.focal_px, *self.centre_px, self.k1, self.k2])

    def with_vector(self, vector: FloatArray) -> Lens:
        """Return the same lens with (focal_px, cx, cy, k1, k2) replaced."""
        f, cx, cy, k1, k2 = (float(v) for v in vector)
        return replace(self, focal_px=f, centre_px=(cx, cy), k1=k1, k2=k2)


def lens_from_exif(
    size_px: tuple[int, int],
    focal_35mm: float | None,
    relative_sd: float = FOCAL_RELATIVE_SD,
    centred: bool = True,
) -> Lens:
    """Return the lens prior that EXIF's 35 mm equivalent focal length gives.

    Parameters
    ----------
    size_px : (width, height) of the displayed picture, pixels.
    focal_35mm : 35 mm equivalent focal length, mm, referred to the diagonal; None if the
        photo does not say: then a wide prior round 27 mm, a phone's usual main lens.
    relative_sd : standard deviation of the focal length as a fraction, when it is given.
    centred : False for a cropped picture, whose optical centre may be anywhere in it.

    Returns
    -------
    The prior with a diagonal covariance; `source` is "exif" or "assumed".
    """
    width, height = size_px
    diagonal = float(np.hypot(width, height))
    known = focal_35mm is not None and focal_35mm > 0.0
    equivalent = float(focal_35mm) if known and focal_35mm is not None else 27.0
    focal = equivalent / DIAGONAL_35MM * diagonal
    relative = relative_sd if known else 0.15
    pp_sd = PRINCIPAL_POINT_SD_OF_12MP * diagonal / 5040.0 if centred else 0.2 * diagonal
    sd = np.array([relative * focal, pp_sd, pp_sd, K1_SD, K2_SD])
    return Lens(
        focal_px=focal,
        centre_px=((width - 1) / 2.0, (height - 1) / 2.0),
        k1=0.0,
        k2=0.0,
        size_px=size_px,
        covariance=np.diag(sd**2),
        source="exif" if known else "assumed",
    )


def bend(straight: FloatArray, k1: float, k2: float) -> FloatArray:
    """Apply radial distortion to normalised image points, shape (..., 2)."""
    r2 = np.sum(straight**2, axis=-1, keepdims=True)
    return np.asarray(straight * (1.0 + r2 * (k1 + k2 * r2)))


def straighten(points_px: FloatArray, vector: FloatArray) -> FloatArray:
    """Return normalised image points (x/z, y/z), shape (..., 2), of pixels, distortion removed.

    `vector` is (focal_px, cx, cy, k1, k2). The inverse of `bend` by Newton's method on the
    radius; exact to rounding while the distortion is monotonic over the picture.
    """
    f, cx, cy, k1, k2 = vector
    bent = (np.asarray(points_px, dtype=np.float64) - (cx, cy)) / f
    if k1 == 0.0 and k2 == 0.0:
        return np.asarray(bent)
    rd = np.sqrt(bent[..., 0] ** 2 + bent[..., 1] ** 2)
    r = rd.copy()
    for _ in range(NEWTON_STEPS):
        r2 = r * r
        value = r * (1.0 + r2 * (k1 + k2 * r2)) - rd
        slope = 1.0 + r2 * (3.0 * k1 + 5.0 * k2 * r2)
        step = value / slope
        r = r - step
        if np.max(np.abs(step), initial=0.0) < NEWTON_DONE:
            break
    scale = np.divide(r, rd, out=np.ones_like(rd), where=rd > 0.0)
    return np.asarray(bent * scale[..., None])


def project(points_camera: FloatArray, vector: FloatArray) -> FloatArray:
    """Return pixels, shape (..., 2), of points in the camera frame, shape (..., 3), mm.

    `vector` is (focal_px, cx, cy, k1, k2).
    """
    f, cx, cy, k1, k2 = vector
    straight = points_camera[..., :2] / points_camera[..., 2:3]
    return np.asarray(bend(straight, k1, k2) * f + (cx, cy))
