"""Focus, shake and exposure, judged by the target's own edges."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calib.edgewidth import edge_places, edge_widths
from calib.refusal import Notice
from calib.sharpness import clipped_near, judge_blur, judge_exposure, measure_blur
from calib.sight import Sight

__all__ = ["judge_light"]


def judge_light(
    bgr: NDArray[np.uint8], sight: Sight, to_linear: NDArray[np.float32]
) -> tuple[float, tuple[Notice, ...]]:
    """Return the blur of the target's edges, px (NaN if not seen), and what to say of it.

    Parameters
    ----------
    bgr, to_linear : (H, W, 3) photo and its (256,) table to linear light.
    sight : of the target.
    """
    points, normals, reach = edge_places(sight)
    widths = edge_widths(bgr, points, normals, reach, to_linear)
    seen = np.isfinite(widths)
    said = [judge_exposure(clipped_near(bgr, points))]
    blur = math.nan
    if seen.any():
        direction = np.arctan2(normals[seen, 1], normals[seen, 0])
        said.append(judge_blur(widths[seen], direction))
        blur = measure_blur(widths[seen], direction).greatest_px
    return blur, tuple(notice for notice in said if notice is not None)
