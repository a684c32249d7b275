"""Whether card and face can lie in one plane, by how sharp their edges are."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calib.edgewidth import edge_places, edge_widths
from calib.sight import Sight
from measure.circleedge import EdgeCircle

__all__ = ["card_out_of_focus"]

FEWEST = 40
LEAST_RATIO, LEAST_MORE_PX = 1.5, 0.9
"""A card in the face's plane is as sharp as the face but for the lens's softness toward the
picture's border and the shadow along its sides (measured on rendered photos: at most 1.3 and
0.6 px where they lie in one plane)."""


def card_out_of_focus(
    bgr: NDArray[np.uint8],
    to_linear: NDArray[np.float32],
    sight: Sight,
    circles: list[EdgeCircle],
) -> bool:
    """Return whether the card is blurred where the face is sharp: it then lies elsewhere.

    The other way round proves nothing: the rim of a bore is often broken, which looks as blur
    does. The sharpest quarter of the card's edges counts, since a shadow beside a side widens it.

    Parameters
    ----------
    bgr, to_linear : (H, W, 3) photo and its (256,) table to linear light.
    sight, circles : of the target, and of the face.
    """
    points, normals, reach = edge_places(sight)
    card = edge_widths(bgr, points, normals, reach, to_linear)
    face = np.concatenate([_widths(bgr, to_linear, circle, reach) for circle in circles])
    card, face = card[np.isfinite(card)], face[np.isfinite(face)]
    if min(len(card), len(face)) < FEWEST:
        return False
    blurred, sharp = float(np.quantile(card, 0.25)), float(np.median(face))
    more = math.sqrt(max(blurred**2 - sharp**2, 0.0))
    return blurred > LEAST_RATIO * sharp and more > LEAST_MORE_PX


def _widths(
    bgr: NDArray[np.uint8], to_linear: NDArray[np.float32], circle: EdgeCircle, reach_px: float
) -> NDArray[np.float64]:
    out = circle.points_px - circle.points_px.mean(axis=0)
    out /= np.linalg.norm(out, axis=1)[:, None]
    return edge_widths(bgr, circle.points_px, out, reach_px, to_linear)
