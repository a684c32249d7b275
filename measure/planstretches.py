"""An outline that is left open where nothing was seen: its stretches, one after another."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from measure.planchains import JOIN_MM, Chain
from measure.profile import GRID_MM

__all__ = ["close_rows", "stretches_of"]

FloatArray = NDArray[np.float64]


def stretches_of(chains: Sequence[Chain], centre_mm: float) -> list[list[Chain]]:
    """Return the stretches in order along the axis, each of one line or of one for each side.

    Parameters
    ----------
    chains : lines of the outline, x along the axis.
    centre_mm : y of the centre line.

    Returns
    -------
    Empty unless every line is open and on one side of the centre line, those of a side follow
    one another, and both sides, if both are drawn, are open at the same places.
    """
    upper: list[Chain] = []
    lower: list[Chain] = []
    for chain in chains:
        across = chain.points[:, 1] - centre_mm
        if chain.closed or (np.min(across) < -JOIN_MM and np.max(across) > JOIN_MM):
            return []
        (upper if np.mean(across) > 0.0 else lower).append(chain)
    sides = [sorted(side, key=_begin) for side in (upper, lower) if side]
    for side in sides:
        if any(_begin(after) < _end(before) + JOIN_MM for before, after in pairwise(side)):
            return []
    if len({len(side) for side in sides}) != 1:
        return []
    stretches = [list(lines) for lines in zip(*sides, strict=True)]
    for lines in stretches:
        if (
            np.ptp([_begin(c) for c in lines]) > JOIN_MM
            or np.ptp([_end(c) for c in lines]) > JOIN_MM
        ):
            return []
    return stretches


def close_rows(
    z_mm: FloatArray, diameter_mm: FloatArray, gaps_mm: Sequence[tuple[float, float]]
) -> tuple[FloatArray, FloatArray]:
    """Return the corners of an outline and rows between them no farther apart than a trace's.

    No row is put into a gap, so that what is open is wider than what readers bridge.
    """
    z, d = [z_mm[:1]], [diameter_mm[:1]]
    for k in range(len(z_mm) - 1):
        low, high = z_mm[k], z_mm[k + 1]
        parts = max(int(np.ceil((high - low) / GRID_MM - 1e-9)), 1)
        middle = 0.5 * (low + high)
        if any(a < middle < b for a, b in gaps_mm):
            parts = 1
        t = np.arange(1, parts + 1) / parts
        z.append(low + t * (high - low))
        d.append(diameter_mm[k] + t * (diameter_mm[k + 1] - diameter_mm[k]))
    return np.concatenate(z), np.concatenate(d)


def _begin(chain: Chain) -> float:
    return float(np.min(chain.points[:, 0]))


def _end(chain: Chain) -> float:
    return float(np.max(chain.points[:, 0]))
