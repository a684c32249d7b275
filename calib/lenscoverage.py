"""What a set of photos says of the lens, and where: coverage of the frame, tilts, what is left."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.lens import Lens, straighten
from calib.lensmodel import PageView, Pose

__all__ = ["CELLS", "Coverage", "bend_sd_px", "coverage_of", "tilt_deg"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

CELLS = (8, 6)
"""Columns and rows in which corners are counted."""


@dataclass(frozen=True, slots=True)
class Coverage:
    """Where the corners of all photos were.

    Attributes
    ----------
    counts : (rows, columns) corners in each cell of the frame.
    reach : distance from the middle within which 98 % of the corners lie, over half the diagonal.
    tilts_deg : (views,) angle between the page and the picture.
    """

    counts: IntArray
    reach: float
    tilts_deg: FloatArray

    @property
    def empty_corners(self) -> tuple[str, ...]:
        """Corners of the frame, two by two cells each, that have no page corner."""
        return self._empty(2)

    @property
    def bare_corners(self) -> tuple[str, ...]:
        """Corners of the frame whose outermost cell has no page corner."""
        return self._empty(1)

    def _empty(self, n: int) -> tuple[str, ...]:
        c = self.counts
        parts = {
            "top left": c[:n, :n],
            "top right": c[:n, -n:],
            "bottom left": c[-n:, :n],
            "bottom right": c[-n:, -n:],
        }
        return tuple(name for name, part in parts.items() if part.sum() == 0)


def tilt_deg(pose: Pose) -> float:
    """Return the angle between the page and the picture's plane, degrees."""
    return float(np.degrees(np.arccos(min(1.0, abs(float(pose.rotation[2, 2]))))))


def coverage_of(
    views: Sequence[PageView], poses: Sequence[Pose], size_px: tuple[int, int]
) -> Coverage:
    """Return where in the frame the corners were."""
    points = np.concatenate([view.points_px for view in views])
    size = np.array(size_px, dtype=np.float64)
    place = np.clip((points + 0.5) / size, 0.0, 1.0 - 1e-9) * CELLS
    column, row = place.astype(np.int64).T
    counts = np.zeros((CELLS[1], CELLS[0]), dtype=np.int64)
    np.add.at(counts, (row, column), 1)
    radius = np.linalg.norm(points - (size - 1.0) / 2.0, axis=1) / np.hypot(*size) * 2.0
    return Coverage(
        counts, float(np.quantile(radius, 0.98)), np.array([tilt_deg(pose) for pose in poses])
    )


def bend_sd_px(lens: Lens, points_px: FloatArray) -> FloatArray:
    """Return how well the bending of the lens is known at points of the picture, (n,), pixels.

    The standard deviation of the displacement by distortion alone, radial part, given the
    lens's covariance: the error of a straightened point that no shift or scale can hide.
    """
    vector = lens.vector()
    x = straighten(points_px, vector)
    r = np.linalg.norm(x, axis=-1)
    by_k = lens.focal_px * np.stack([r**3, r**5], axis=-1)
    return np.asarray(np.sqrt(np.einsum("ni,ij,nj->n", by_k, lens.covariance[3:, 3:], by_k)))
