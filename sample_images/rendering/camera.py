"""The camera: pinhole with Brown distortion, and the resampling that gives a render that lens.

The renderer knows only pinholes. It renders a picture without distortion, a little larger, whose
centre is the principal point; that picture is blurred by the lens and then read off, in linear
light, where each pixel of the distorted picture looks. Pixel centres are at integers throughout.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

__all__ = ["Camera", "facing", "lens_image", "undistorted"]

FloatArray = NDArray[np.float64]

MARGIN_PX = 8
"""Rendered beyond what the picture sees: the blur and the interpolation reach over the edge."""


@dataclass(frozen=True, slots=True)
class Camera:
    """A camera in the world; X_cam = rotation X_world + translation, as in OpenCV.

    Attributes
    ----------
    size_px : (width, height) of the displayed picture.
    focal_px, centre_px, k1, k2 : intrinsics, OpenCV's Brown model.
    rotation : (3, 3).
    translation : (3,), mm.
    aperture_mm : diameter of the entrance pupil, 0 for a pinhole.
    focus_mm : distance of the plane in focus, along the optical axis.
    """

    size_px: tuple[int, int]
    focal_px: float
    centre_px: tuple[float, float]
    k1: float
    k2: float
    rotation: FloatArray
    translation: FloatArray
    aperture_mm: float = 0.0
    focus_mm: float = 300.0

    @property
    def position(self) -> FloatArray:
        """Camera centre in the world, (3,)."""
        return np.asarray(-self.rotation.T @ self.translation)

    def to_pixels(self, points: FloatArray) -> FloatArray:
        """Return pixels, (..., 2), of world points, (..., 3)."""
        local = points @ self.rotation.T + self.translation
        x = local[..., :2] / local[..., 2:3]
        r2 = np.sum(x * x, axis=-1, keepdims=True)
        return np.asarray(
            x * (1.0 + r2 * (self.k1 + self.k2 * r2)) * self.focal_px + self.centre_px
        )

    def depth(self, points: FloatArray) -> FloatArray:
        """Return distances along the optical axis, (...,), of world points."""
        return np.asarray((points @ self.rotation.T + self.translation)[..., 2])

    def rendered_size(self) -> tuple[int, int]:
        """Return (width, height), both odd, of the undistorted picture that must be rendered."""
        w, h = self.size_px
        edge_x, edge_y = np.linspace(-0.5, w - 0.5, 201), np.linspace(-0.5, h - 0.5, 201)
        border = np.concatenate(
            [np.column_stack([edge_x, np.full(201, y)]) for y in (-0.5, h - 0.5)]
            + [np.column_stack([np.full(201, x), edge_y]) for x in (-0.5, w - 0.5)]
        )
        reach = np.abs(undistorted(self, border)).max(axis=0) * self.focal_px
        half = np.ceil(reach).astype(int) + MARGIN_PX
        return 2 * int(half[0]) + 1, 2 * int(half[1]) + 1


def facing(
    position: FloatArray, target: FloatArray, up: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return (rotation, translation) of a camera at a position that looks at a target.

    `up` is the world direction that points up in the picture, as far as the view allows.
    """
    forward = np.asarray(target, float) - position
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    return rotation, -rotation @ np.asarray(position, float)


def undistorted(camera: Camera, pixels: FloatArray) -> FloatArray:
    """Return normalised image points, (..., 2), of pixels, the distortion taken out (Newton)."""
    bent = (np.asarray(pixels, float) - camera.centre_px) / camera.focal_px
    target = np.sqrt(np.sum(bent * bent, axis=-1))
    r = target.copy()
    for _ in range(6):
        r2 = r * r
        value = r * (1.0 + r2 * (camera.k1 + camera.k2 * r2)) - target
        r = r - value / (1.0 + r2 * (3.0 * camera.k1 + 5.0 * camera.k2 * r2))
    scale = np.divide(r, target, out=np.ones_like(r), where=target > 1e-12)
    return np.asarray(bent * scale[..., None])


def lens_image(camera: Camera, rendered: FloatArray, blur_px: float) -> NDArray[np.float32]:
    """Return the picture that the lens makes of an undistorted linear render.

    Parameters
    ----------
    rendered : (rows, columns, channels) of `camera.rendered_size()`.
    blur_px : sigma of the lens's Gaussian blur, pixels; 0.4 and more, so that the interpolation
        has no sharper detail to follow.
    """
    width, height = camera.size_px
    soft = cv2.GaussianBlur(
        rendered.astype(np.float32), (0, 0), blur_px, borderType=cv2.BORDER_REPLICATE
    )
    soft = soft.reshape(rendered.shape)
    half = (np.array(soft.shape[1::-1]) - 1) / 2.0
    out = np.empty((height, width, soft.shape[2]), np.float32)
    columns = np.arange(width, dtype=float)
    coefficients = [_spline(soft[..., c]) for c in range(soft.shape[2])]
    for top in range(0, height, 256):
        rows = np.arange(top, min(top + 256, height), dtype=float)
        grid = np.stack(np.meshgrid(columns, rows), axis=-1)
        at = undistorted(camera, grid) * camera.focal_px + half
        where = np.moveaxis(at[..., ::-1], -1, 0)
        for c, channel in enumerate(coefficients):
            out[top : top + len(rows), :, c] = map_coordinates(
                channel, where, order=3, prefilter=False, mode="nearest", output=np.float32
            )
    return out


def _spline(channel: FloatArray) -> NDArray[np.float32]:
    from scipy.ndimage import spline_filter

    return np.asarray(spline_filter(channel, order=3, output=np.float32, mode="nearest"))
