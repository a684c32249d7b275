"""What rectangle of known sides three sides of a coarse outline imply."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.cardsides import Sought
from calib.rectangle import completed, is_convex

__all__ = ["LARGER", "MUCH_LARGER", "Implied", "area_of", "implied_by", "in_picture"]

FloatArray = NDArray[np.float64]

SMALLER, LARGER, MUCH_LARGER = 0.7, 2.2, 3.6
"""How much of an outline's area what three of its sides imply may have; and where the sides end
early, at a stripe or a shadow."""


@dataclass(frozen=True, slots=True)
class Implied:
    """A rectangle that three sides imply: its corners, and which side nobody has seen."""

    quad: FloatArray
    side: int


def implied_by(
    sought: Sought, quad: FloatArray, missing: int, larger: float = LARGER
) -> list[Implied]:
    """Return the rectangles sought that the sides of a quad imply, one of them left out.

    Parameters
    ----------
    quad : (4, 2) corners in order, pixels; side i runs from corner i to the next.
    missing : the side that is not trusted.
    larger : most that their area may be, in the quad's.
    """
    centre, focal = np.array(sought.lens.centre_px), sought.lens.focal_px
    found = []
    area = area_of(quad)
    for wide in (True, False):
        ratio = sought.size_mm[0] / sought.size_mm[1]
        whole = completed(quad, missing, ratio if wide else 1.0 / ratio, centre, focal)
        if whole is None or not is_convex(whole) or not SMALLER < area_of(whole) / area < larger:
            continue
        turn = 0 if wide == (missing % 2 == 0) else 1
        found.append(Implied(np.roll(whole, -turn, axis=0), (missing - turn) % 4))
    return found


def area_of(quad: FloatArray) -> float:
    """Return the area of a quad (4, 2), square pixels."""
    x, y = quad.T
    return 0.5 * abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)))


def in_picture(sought: Sought, quad: FloatArray) -> bool:
    """Return whether the photo holds a quad (4, 2)."""
    height, width = sought.bgr.shape[:2]
    slack = 2.0 * sought.step
    return bool(np.all(quad > -slack) and np.all(quad < np.array([width, height]) + slack))
