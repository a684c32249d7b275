"""The piece in the photo, coarsely: its axis line and its mirrored outline."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.band import Band, band_to_pixels
from measure.scene import Scene

__all__ = ["Silhouette", "shrunk"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Silhouette:
    """A mirrored outline in a band.

    Attributes
    ----------
    band : over the feature picture of the scene.
    half : (rows,) half width in samples, 0 where there is no piece.
    score : mean evidence per row of the piece, 0 to about 1.
    symmetry : share of the rows whose two sides both show an edge.
    """

    band: Band
    half: FloatArray
    score: float
    symmetry: float

    def sides_px(self, scene: Scene) -> tuple[FloatArray, FloatArray]:
        """Return photo pixels (n, 2) of the two sides, in order along the axis."""
        rows = np.nonzero(self.half > 0)[0].astype(np.float64)
        half = self.half[self.half > 0]
        middle = float(self.band.half)
        return (
            scene.to_photo(band_to_pixels(self.band, middle + half, rows)),
            scene.to_photo(band_to_pixels(self.band, middle - half, rows)),
        )


def shrunk(intrinsics: FloatArray, scale: float) -> FloatArray:
    """Return the intrinsics (3, 3) of the photo reduced by `scale`."""
    shift = 0.5 * scale - 0.5
    return np.array([[scale, 0, shift], [0, scale, shift], [0, 0, 1]]) @ intrinsics
