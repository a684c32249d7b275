"""Whether two pieces lie apart in a photo: none of the two is then what the photo is of."""

from __future__ import annotations

import cv2
import numpy as np

from calib.refusal import RefusalError
from measure.blobs import blobs_of
from measure.scene import Scene

__all__ = ["lie_apart", "two_pieces"]

OPENED_PX = 5
"""Threads between regions, thinner than this in the reduced photo, are grain."""
LEAST_SHARE, LEAST_ASPECT = 0.4, 1.5
"""A second piece is so large, as a share of the first, and each so many times as long as broad at
least. Of 100 rendered photos of one piece none has a second region of more than 0.15."""


def lie_apart(scene: Scene) -> bool:
    """Return whether what is unlike the bench falls into two long regions of like size.

    Pieces so close together that their shadows join them are one region.
    """
    unlike = (scene.maps[0] > 0).astype(np.uint8)
    grain = np.ones((OPENED_PX, OPENED_PX), np.uint8)
    mask = np.asarray(cv2.morphologyEx(unlike, cv2.MORPH_OPEN, grain), dtype=np.uint8)
    labels, sizes = blobs_of(mask)
    if len(sizes) < 3:  # the outside is the first
        return False
    largest = np.argsort(-sizes)[:2]
    if sizes[largest[1]] < LEAST_SHARE * sizes[largest[0]]:
        return False
    for label in largest:
        points = np.argwhere(labels == label)[:, ::-1].astype(np.float32)
        breadth, length = sorted(cv2.minAreaRect(points)[1])
        if length < LEAST_ASPECT * max(breadth, 1.0):
            return False
    return True


def two_pieces(photo_name: str) -> RefusalError:
    """Return the refusal of a photo of two."""
    return RefusalError(
        "two-pieces",
        f"Two pieces seem to lie in {photo_name}, and neither could be measured for the other.",
        "Give a --box X,Y,W,H (pixels) round the one to measure, or take the other away.",
    )
