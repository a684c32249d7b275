"""Where a fitted rim lies against the true one over a whole side of the piece, and how well that
is known."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from measure.outline import Outline
from measure.sides import SideCurve

__all__ = ["RIM_BIAS_PX", "RIM_BIAS_SD_PX", "rim_bias_sd"]

FloatArray = NDArray[np.float64]

RIM_BIAS_PX = -0.02
RIM_BIAS_SD_PX = 0.13
"""Outward positive: wood darkens toward grazing, and a phone's sharpening moves the step. Measured
on rendered photos, as is its spread: of those as rendered less is off, of those with the tones
that phones make as much."""
CLEAN_PX, TELLS = 0.13, 2.0
"""What makes single points uncertain (few pixels, blur, noise that a phone smoothed away, grain
beside the rim) moves the whole side as well: of points known to 0.11, 0.15, 0.18, 0.22 and 0.29 px
a side was off by 0.11, 0.17, 0.24, 0.35 and 0.38 px (rms of 1336 sides of rendered photos, as
rendered, or compressed, smoothed, shaken or with other tones)."""


def rim_bias_sd(outline: Outline, curves: Sequence[SideCurve]) -> FloatArray:
    """Return the standard deviation of the rim bias of the sides, pixels, (2,).

    Parameters
    ----------
    outline : whose points the curves are of.
    curves : both sides (+1, -1).
    """
    sd = np.full(2, RIM_BIAS_SD_PX)
    for k, curve in enumerate(curves):
        clear = curve.index[outline.clear[curve.index]]
        if len(clear):
            sd[k] += TELLS * max(0.0, float(np.median(outline.sd_px[clear])) - CLEAN_PX)
    return sd
