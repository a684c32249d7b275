"""The order in which rival rims are tried: by what bears them out, the whole before its parts."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.paired import Rim

__all__ = ["goes_on", "in_order"]

FloatArray = NDArray[np.float64]
MaskArray = NDArray[np.uint8]

WELL_BORNE_OUT, RANK_SHARE = 0.9, 0.94
"""A longer outline must be borne out so well, and almost as well as its part: what hangs on at an
end may as well be a shadow."""
LONGER, ALIKE = 1.02, 0.05
"""By how much the longer one's area is larger at least, and by what share of the part's area the
two may differ where both are."""
CELLS = 400
"""Areas are counted on a grid so many cells across."""
END_SHARE = 0.04
"""The part's own ends, by this share of its length, are not compared: there is a face or fillet."""


def in_order(rims: Sequence[Rim]) -> list[Rim]:
    """Return the rims, the likeliest first.

    A part of a piece, cut off at a shoulder or a bead, may be borne out even better than the whole
    is. It mirrors itself about the same axis and is as wide; the whole is longer.
    """
    ranked = sorted(rims, key=lambda rim: -rim.rank)
    ordered: list[Rim] = []
    for rim in ranked:
        parts = [k for k, other in enumerate(ordered) if goes_on(rim, other)]
        ordered.insert(parts[0] if parts else len(ordered), rim)
    return ordered


def goes_on(whole: Rim, part: Rim) -> bool:
    """Return whether a rim is another one carried on along its axis, and borne out as well."""
    if whole.borne_out < WELL_BORNE_OUT or whole.rank < RANK_SHARE * part.rank:
        return False
    loops = [np.concatenate([rim.sides_px[0], rim.sides_px[1][::-1]]) for rim in (whole, part)]
    corner = np.concatenate(loops).min(axis=0)
    cell = float(np.ptp(np.concatenate(loops), axis=0).max()) / CELLS
    masks = [_filled((loop - corner) / cell) for loop in loops]
    areas = [float(mask.sum()) for mask in masks]
    if areas[0] < LONGER * areas[1]:
        return False
    ends = 0.5 * (part.sides_px[0][[0, -1]] + part.sides_px[1][[0, -1]])
    start, way = ends[0], ends[1] - ends[0]
    y, x = np.nonzero(masks[0] | masks[1])
    along = ((np.column_stack([x, y]) * cell + corner - start) @ way) / (way @ way)
    beside = (along > END_SHARE) & (along < 1.0 - END_SHARE)
    apart = masks[0][y, x] != masks[1][y, x]
    return float(np.sum(apart & beside)) < ALIKE * areas[1]


def _filled(loop: FloatArray) -> MaskArray:
    mask = np.zeros((CELLS + 2, CELLS + 2), dtype=np.uint8)
    cv2.fillPoly(mask, [np.round(loop).astype(np.int32)], 1)
    return mask
