"""A border printed on a card: its inner edge makes a rectangle too, with the card's all round it.

The card's own edge is the outermost. Outside it a shadow's border may run beside it, but a shadow
falls to one side: beyond two sides that face each other nothing of a card alone runs as straight.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.cardsides import Sought, across_px, outward_sides, where_sides_meet
from calib.sidescan import run_of, scan_side

__all__ = ["rectangle_about"]

FloatArray = NDArray[np.float64]

NEAREST_MM, FARTHEST_MM = 0.8, 5.5
"""How far outside an edge is looked for: beyond the card's wall, and as far as borders are wide
(common practice, no source)."""
LINES, FEWEST = 32, 10
"""Scan lines across a side; and the fewest samples of each in which an edge can be told."""
CLEAR_OF_BLUR, BLURRED_PX = 3.0, 2.3
"""So many standard deviations off an edge has no part left; and the widest blur with which one edge
can be told from another."""
SEEN_LEAST = 0.65
"""Share of the scan lines that must show the edge. Outside borders it was 0.83 and more on the
weaker of two facing sides, outside cards on any bench 0.38 at most (rendered photos)."""


def rectangle_about(
    sought: Sought, corners_px: FloatArray, hidden: int | None = None, blur_px: float = 1.0
) -> FloatArray | None:
    """Return the corners (4, 2) of the rectangle that runs close about another; None without one.

    Parameters
    ----------
    sought : photo and rectangle.
    corners_px : (4, 2) of the rectangle that was found.
    hidden : the side, in the order of `SIDE_NORMALS`, that is not to be seen, if one is not.
    blur_px : of the edges found, standard deviation. Out of focus an edge is its own neighbour.
    """
    if blur_px > BLURRED_PX:
        return None
    across = across_px(sought, corners_px)
    starts, ends = np.empty((4, 2)), np.empty((4, 2))
    seen = np.zeros(4)
    for i, (a, b) in enumerate(outward_sides(corners_px)):
        starts[i], ends[i] = a, b
        nearest = max(NEAREST_MM * across[i], CLEAR_OF_BLUR * blur_px)
        offsets = np.arange(nearest, FARTHEST_MM * across[i], 1.0)
        if i == hidden or len(offsets) < FEWEST:
            continue
        scan = scan_side(sought.bgr, sought.to_linear, a, b, offsets, sought.inset, LINES)
        middle, rise, seen[i] = run_of(scan)
        if seen[i] >= SEEN_LEAST:
            starts[i] = a + (middle - 0.5 * rise) * scan.normal
            ends[i] = b + (middle + 0.5 * rise) * scan.normal
    # Sides in the order of `SIDE_NORMALS`: right, top, left, bottom.
    if max(min(seen[0], seen[2]), min(seen[1], seen[3])) < SEEN_LEAST:
        return None
    return where_sides_meet(starts, ends)
