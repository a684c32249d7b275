"""Whether the box that was drawn cuts a lying piece: then it hides what the piece rests on."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.finding import FoundTarget
from calib.lens import Lens
from calib.photo import Photo
from measure.goingon import longer_at
from measure.outline import Outline
from measure.plainoutline import plain_silhouettes
from measure.rivals import BORNE_OUT_LEAST, intrinsics_of, rim_near
from measure.scene import Scene

__all__ = ["goes_past_box"]

FloatArray = NDArray[np.float64]

EVERY, TOUCHES_PX, WITHIN_LEAST = 8, 10.0, 0.9
"""Of every so many points of an outline so large a share lies in one of which it is a part, or
outside it by no more than this (parts of four samples cut by drawn boxes: 0.93 and more)."""


def goes_past_box(
    photo: Photo, lens: Lens, found: FoundTarget, whole: Scene, outline: Outline
) -> bool:
    """Return whether what was followed in a box is a part of what the photo shows without it.

    Parameters
    ----------
    photo, lens, found : as the piece was followed.
    whole : the scene without the box.
    outline : that was followed in the box.
    """
    intrinsics, ends_px = intrinsics_of(found, lens), outline.ends_px()
    for silhouette in plain_silhouettes(whole, intrinsics):
        rim = rim_near(photo, whole, intrinsics, silhouette.sides_px(whole))
        if (
            rim.borne_out >= BORNE_OUT_LEAST
            and any(longer_at(rim, ends_px))
            and _share_inside(outline.points_px, rim.sides_px) >= WITHIN_LEAST
        ):
            return True
    return False


def _share_inside(points_px: FloatArray, sides_px: tuple[FloatArray, FloatArray]) -> float:
    """Return the share of points (n, 2) that lie between two sides (m, 2), or nearly so."""
    between = np.concatenate([sides_px[0], sides_px[1][::-1]]).astype(np.float32)
    places = points_px[::EVERY].astype(np.float32)
    inward = [cv2.pointPolygonTest(between, (float(x), float(y)), True) for x, y in places]
    return float(np.mean(np.array(inward) > -TOUCHES_PX))
