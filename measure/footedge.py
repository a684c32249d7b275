"""Whether the edge taken for a standing piece's foot is another's: a higher one's, or the bench's.

From the phone the upper edge of a foot hides nothing of its lower one: that runs before it, as the
same circle a little nearer on the bench. Dark wall and dark bench may make the upper edge the
plainer one, and what lies on the bench before a foot is no such circle all along: a shadow's
border is soft or to one side. The whole rim of a foot lies within the outline; where a gap between
planks was taken for its front, the circle that the gap would be of reaches far out.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.edges import sample_lines
from calib.view import View

__all__ = ["edge_before_foot", "rim_outside_share"]

FloatArray = NDArray[np.float64]

NEARER_MM = np.arange(1.5, 14.1, 0.25)
ITSELF_MM = np.arange(-0.5, 0.51, 0.25)
"""How much nearer to the phone the other circle is looked for, and the foot's own."""
HALF_RAD, PLACES = 0.9, 41
"""How far round to both sides of the front."""
ROUND = 90
"""Points of a rim."""
ASIDE_PX, ALONG_PX = 2.0, (-1.0, 0.0, 1.0)
SEEN_LEAST, AS_PLAIN, DARKEST = 0.6, 0.3, 0.004
"""The other edge is a step of so much in the logarithm of light (all channels together), and so
much of the foot's own step. (Of 24 rendered photos the one whose foot was a higher edge had 1.06
and 0.44, of the others none more than 0.40 and, where the foot itself was faint, 0.25.)"""


def edge_before_foot(
    bgr: NDArray[np.uint8],
    to_linear: NDArray[np.float32],
    view: View,
    centre_mm: FloatArray,
    radius_mm: float,
) -> bool:
    """Return whether another edge runs before a foot's, like that of the same circle, nearer.

    Parameters
    ----------
    bgr, to_linear : (H, W, 3) photo and its (256,) table to linear light.
    view : of the target.
    centre_mm, radius_mm : (3,) of the foot on the bench, target frame.
    """
    nearer = np.concatenate([ITSELF_MM, NEARER_MM])
    step = _steps(bgr, to_linear, view, centre_mm, radius_mm, nearer)
    own, other = step[: len(ITSELF_MM)], step[len(ITSELF_MM) :]
    if not (np.isfinite(own).any() and np.isfinite(other).any()):
        return False
    return bool(np.nanmax(other) > max(SEEN_LEAST, AS_PLAIN * float(np.nanmax(own))))


def rim_outside_share(
    outline_px: FloatArray, view: View, centre_mm: FloatArray, radius_mm: float
) -> float:
    """Return how far a foot's rim reaches out of the outline, as a share of its own half breadth.

    Parameters
    ----------
    outline_px : (n, 2) points round the piece.
    view : of the target.
    centre_mm, radius_mm : (3,) of the foot on the bench, target frame.
    """
    turn = np.linspace(0.0, 2.0 * np.pi, ROUND, endpoint=False)
    ring = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(ROUND)])
    rim = view.to_pixels(centre_mm + radius_mm * ring)
    loop = outline_px.astype(np.float32)
    inside = [cv2.pointPolygonTest(loop, (float(x), float(y)), True) for x, y in rim]
    half = 0.5 * float(np.linalg.norm(np.ptp(rim, axis=0)))
    return max(-min(inside), 0.0) / half


def _steps(
    bgr: NDArray[np.uint8],
    to_linear: NDArray[np.float32],
    view: View,
    centre_mm: FloatArray,
    radius_mm: float,
    nearer_mm: FloatArray,
) -> FloatArray:
    """Return the step in light across circles so much nearer, (n,); NaN where half is not seen."""
    toward = (view.camera_centre_mm - centre_mm)[:2]
    toward = toward / np.linalg.norm(toward)
    angle = np.arctan2(toward[1], toward[0]) + np.linspace(-HALF_RAD, HALF_RAD, PLACES)
    out = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(PLACES)])
    ahead = np.array([*toward, 0.0])
    places = (centre_mm + radius_mm * out + nearer_mm[:, None, None] * ahead).reshape(-1, 3)
    at = view.to_pixels(places)
    way = view.to_pixels(places + 0.3 * ahead) - at
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    height, width = bgr.shape[:2]
    room = ASIDE_PX + 2.0
    inside = np.all((at > room) & (at < np.array([width, height]) - 1.0 - room), axis=1)
    step = np.full((len(at), 3), np.nan)
    if inside.any():
        offsets, along = np.array([-ASIDE_PX, ASIDE_PX]), np.array(ALONG_PX)
        light = sample_lines(bgr, at[inside], way[inside], offsets, along, to_linear)
        log = np.log(light + DARKEST)
        step[inside] = log[:, 1] - log[:, 0]
    rows = step.reshape(len(nearer_mm), PLACES, 3)
    seen = np.isfinite(rows[..., 0]).sum(axis=1) > PLACES // 2
    result = np.full(len(nearer_mm), np.nan)
    result[seen] = np.linalg.norm(np.nanmedian(rows[seen], axis=1), axis=1)
    return result
