"""The one place that decides which way up a photo is, for pictures and for points.

EXIF's orientation (tag 0x0112, values 1 to 8) says how the stored picture is turned for
display [CIPA-DC-008]. Decoders are told to leave the picture as it is stored; it is turned
here, and points of a lens saved for the stored picture are turned by the same table.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["displayed_points", "displayed_size", "turn"]

# Orientation: (transpose first, then mirror left-right, then mirror top-bottom).
_STEPS: dict[int, tuple[bool, bool, bool]] = {
    1: (False, False, False),
    2: (False, True, False),
    3: (False, True, True),
    4: (False, False, True),
    5: (True, False, False),
    6: (True, True, False),
    7: (True, True, True),
    8: (True, False, True),
}
_FLIP_CODE = {(True, False): 1, (False, True): 0, (True, True): -1}
_ROTATE_CODE = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}


def _steps(orientation: int) -> tuple[bool, bool, bool]:
    if orientation not in _STEPS:
        raise ValueError(f"orientation is {orientation}, need 1 to 8")
    return _STEPS[orientation]


def turn(stored: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Return the displayed picture of a stored one.

    Parameters
    ----------
    stored : (H, W) or (H, W, 3), as decoded without regard to orientation.
    orientation : EXIF value, 1 to 8.

    Returns
    -------
    The picture as shown, (H, W, ...) or (W, H, ...); the same array if nothing is to turn.
    """
    transpose, *mirrors = _steps(orientation)
    if orientation in _ROTATE_CODE:  # one pass over the memory instead of two
        return np.asarray(cv2.rotate(stored, _ROTATE_CODE[orientation]), dtype=np.uint8)
    picture = cv2.transpose(stored) if transpose else stored
    code = _FLIP_CODE.get((mirrors[0], mirrors[1]))
    return np.asarray(picture if code is None else cv2.flip(picture, code), dtype=np.uint8)


def displayed_size(stored_size_px: tuple[int, int], orientation: int) -> tuple[int, int]:
    """Return (width, height) as shown of a stored (width, height)."""
    width, height = stored_size_px
    return (height, width) if _steps(orientation)[0] else (width, height)


def displayed_points(
    points_px: NDArray[np.float64], stored_size_px: tuple[int, int], orientation: int
) -> NDArray[np.float64]:
    """Return where points of the stored picture lie in the displayed one.

    Parameters
    ----------
    points_px : (..., 2), (x, y), pixel centres at integers.
    stored_size_px : (width, height) of the stored picture.
    orientation : EXIF value, 1 to 8.
    """
    transpose, mirror_x, mirror_y = _steps(orientation)
    points = np.asarray(points_px, dtype=np.float64)
    points = points[..., ::-1].copy() if transpose else points.copy()
    width, height = displayed_size(stored_size_px, orientation)
    if mirror_x:
        points[..., 0] = (width - 1) - points[..., 0]
    if mirror_y:
        points[..., 1] = (height - 1) - points[..., 1]
    return points
