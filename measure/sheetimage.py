"""A flat sheet seen straight from above: the photo with its perspective removed.

Made for looking and searching. Sub-pixel work samples the photo itself, so that nothing is
interpolated twice.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.view import View

__all__ = ["SheetImage", "rectify"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
ByteArray = NDArray[np.uint8]

REACH_MM = 600.0
"""No sheet that a phone can take sharply reaches farther from the card."""
LARGEST_PX = 6_000_000
FINEST_PX_PER_MM = 5.0
GRID_PX = 16
"""The way from sheet to photo is worked out on a grid this wide and joined bilinearly: it bends
by far less than a hundredth of a pixel within one cell."""


@dataclass(frozen=True, slots=True)
class SheetImage:
    """The sheet's plane as a picture, x to the right as in the target frame, y upward.

    Attributes
    ----------
    bgr : (H, W, 3) uint8; row 0 is the largest y.
    seen : (H, W) bool, inside the photo.
    left_mm, top_mm : target frame coordinates of the first pixel's centre.
    px_per_mm : scale, the same both ways.
    height_mm : Z of the plane in the target frame.
    """

    bgr: ByteArray
    seen: NDArray[np.bool_]
    left_mm: float
    top_mm: float
    px_per_mm: float
    height_mm: float

    def to_mm(self, points_px: FloatArray) -> FloatArray:
        """Return target frame (x, y), shape (..., 2), mm, of pixels of this picture."""
        p = np.asarray(points_px, dtype=np.float64)
        x = self.left_mm + p[..., 0] / self.px_per_mm
        y = self.top_mm - p[..., 1] / self.px_per_mm
        return np.stack([x, y], axis=-1)

    def to_px(self, points_mm: FloatArray) -> FloatArray:
        """Return pixels of this picture, shape (..., 2), of target frame (x, y), mm."""
        p = np.asarray(points_mm, dtype=np.float64)
        x = (p[..., 0] - self.left_mm) * self.px_per_mm
        y = (self.top_mm - p[..., 1]) * self.px_per_mm
        return np.stack([x, y], axis=-1)


def rectify(
    bgr: ByteArray,
    view: View,
    height_mm: float,
    finest_px_per_mm: float = FINEST_PX_PER_MM,
    reach_mm: float = REACH_MM,
) -> SheetImage:
    """Return the plane Z = height as the photo shows it.

    Parameters
    ----------
    bgr : (H, W, 3) photo as displayed.
    view : lens and pose over the target.
    height_mm : Z of the plane.
    finest_px_per_mm : no finer than this, than the photo itself, or than memory allows.
    reach_mm : how far from the target's centre the picture may reach.
    """
    low, high = _bounds(bgr, view, height_mm, reach_mm)
    size_mm = high - low
    native = _native(view, height_mm)
    scale = min(finest_px_per_mm, native, float(np.sqrt(LARGEST_PX / np.prod(size_mm))))
    width, height = (max(int(v * scale), 2) for v in size_mm)
    x, y = _maps(view, height_mm, low[0], high[1], scale, (width, height))
    # Coarser than the photo: what lies between the samples must count as well, or grain shows.
    sigma = 0.4 * native / scale
    source = cv2.GaussianBlur(bgr, (0, 0), sigma) if native / scale > 1.3 else bgr
    picture = cv2.remap(source, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    seen = (x >= 0) & (x <= bgr.shape[1] - 1) & (y >= 0) & (y <= bgr.shape[0] - 1)
    return SheetImage(
        np.asarray(picture, dtype=np.uint8), seen, float(low[0]), float(high[1]), scale, height_mm
    )


def _bounds(
    bgr: ByteArray, view: View, height_mm: float, reach_mm: float
) -> tuple[FloatArray, FloatArray]:
    height, width = bgr.shape[:2]
    t = np.linspace(0.0, 1.0, 33)
    ones = np.ones_like(t)
    border = np.concatenate(
        [np.column_stack(p) for p in ((t, 0 * t), (t, ones), (0 * t, t), (ones, t))]
    ) * np.array([width - 1.0, height - 1.0])
    on = view.on_plane(border, height_mm)
    # A border ray that misses the plane shows the horizon: the sheet reaches as far as it may.
    on = np.where(np.isfinite(on), on, np.sign(border - border.mean(axis=0)) * reach_mm)
    low = np.clip(on.min(axis=0), -reach_mm, reach_mm)
    high = np.clip(on.max(axis=0), -reach_mm, reach_mm)
    return low, np.maximum(high, low + 1.0)


def _native(view: View, height_mm: float) -> float:
    """Return the photo's scale beside the target, pixels a mm."""
    at = np.array([[0.0, 0.0, height_mm], [1.0, 0.0, height_mm], [0.0, 1.0, height_mm]])
    px = view.to_pixels(at)
    return float(np.sqrt(np.linalg.norm(px[1] - px[0]) * np.linalg.norm(px[2] - px[0])))


def _maps(
    view: View,
    height_mm: float,
    left_mm: float,
    top_mm: float,
    scale: float,
    size: tuple[int, int],
) -> tuple[Float32Array, Float32Array]:
    columns = np.arange(0, size[0] + GRID_PX, GRID_PX)
    rows = np.arange(0, size[1] + GRID_PX, GRID_PX)
    x, y = np.meshgrid(left_mm + columns / scale, top_mm - rows / scale)
    pixels = view.to_pixels(np.stack([x, y, np.full_like(x, height_mm)], axis=-1))
    whole = []
    to_grid = np.array([[1.0 / GRID_PX, 0.0, 0.0], [0.0, 1.0 / GRID_PX, 0.0]], dtype=np.float64)
    for axis in (0, 1):
        coarse = pixels[..., axis].astype(np.float32)
        whole.append(
            cv2.warpAffine(coarse, to_grid, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
        )
    return np.asarray(whole[0]), np.asarray(whole[1])
