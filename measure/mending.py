"""An outline mended where one side followed something else than the rim."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.finding import linear_table
from calib.view import View
from measure.outline import Outline, rescan
from measure.pieceends import pixel_mm
from measure.revolve import Axis
from measure.setting import curves_of
from measure.sides import local_slope

__all__ = ["mended"]

MEND_PX = 3.0
"""A side that stands prouder than the other by this much is looked for again."""
STEEPEST = 1.5
MOVED_LEAST = 12


def mended(bgr: NDArray[np.uint8], outline: Outline, view: View, axis: Axis) -> Outline | None:
    """Return the outline looked for again where one side stands prouder than the other.

    What passes for a rim and is not one (the border of a shadow, a gap in the bench) lies
    outside the true rim as a rule: look where the other side says the rim is. None when there
    is nothing to mend.

    Parameters
    ----------
    bgr : (H, W, 3) the photo.
    outline, view, axis : as solved.
    """
    curves, _ = curves_of(outline, view, axis)
    line = outline.points_px.copy()
    scale = pixel_mm(view, axis)
    moved = 0
    normals = outline.normals()
    for own, other in (curves, curves[::-1]):
        there = np.interp(own.z_mm, other.z_mm + 1e-9 * np.arange(len(other.z_mm)), other.r_mm)
        proud = (own.r_mm - there) / scale
        # Steep places differ by a little z, not by a shadow.
        slope = np.abs(local_slope(own.z_mm, own.r_mm))
        wrong = (proud > MEND_PX) & (slope < STEEPEST)
        # One stray point is noise; a shadow is wide.
        wrong &= np.convolve(wrong, np.ones(9), mode="same") >= 5
        index = own.index[wrong]
        line[index] -= proud[wrong, None] * normals[index]
        moved += len(index)
    if moved < MOVED_LEAST:
        return None
    return rescan(bgr, linear_table(), line, outline.tangents)
