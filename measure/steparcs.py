"""The arc that the edge of a tool's step makes in the photo, and how colour changes across it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.vectors import cross
from calib.view import View
from measure.limb import limbs
from measure.reach import frame_of
from measure.revolve import Axis
from measure.rimoutline import Cylinder

__all__ = ["OUTSIDE", "Look", "arcs", "change_across", "evened"]

FloatArray = NDArray[np.float64]

TURNS = 240
BESIDE_PX = np.array([-4.0, -3.0, -2.0, -1.0, 1.0, 2.0, 3.0, 4.0])
"""Where the picture is compared on both sides of a line."""
BLOCK = 7
"""Points of a line that are averaged before they are compared: cloth and grain even out."""
LIMB, RIM_SHARE = 0.05, 0.98
OUTSIDE = 1.05
"""Farther from the axis than so many radii of the smaller step a larger one's edge is clear."""


@dataclass(frozen=True, slots=True)
class Look:
    """Where lines are looked for: the photo (H, W, 3), its view, and the axis of the tool."""

    bgr: NDArray[np.uint8]
    view: View
    axis: Axis


def arcs(
    look: Look, step: Cylinder, smaller_mm: float, out: float, tried_mm: FloatArray
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Return places (n, m, 3) of a step's edge at each z tried, normals, and which bound it.

    The arc is that part of the circle that bounds the picture of the tool: where its outward
    normal points neither into the step nor into its end, outside the smaller step.

    Parameters
    ----------
    smaller_mm : radius of the step beyond the edge, 0 if there is none.
    out : 1 where that lies at larger z, else -1.
    """
    view, axis = look.view, look.axis
    across, toward = frame_of(view.camera_centre_mm, axis)
    centre = axis.at(tried_mm) + step.aside_mm * across - view.camera_centre_mm
    frame = np.stack([across, toward, out * axis.direction])
    place, normal = limbs(centre, step.radius_mm, frame, TURNS)
    # How far from the axis each sight passes: inside the smaller step it ends on that.
    lever = cross(place, axis.direction)
    size = np.sqrt(np.sum(lever * lever, axis=-1))
    past = np.abs(np.sum(lever * centre[:, None, :], axis=-1)) / np.maximum(size, 1e-9)
    bounds = (past > OUTSIDE * smaller_mm) & (past < RIM_SHARE * step.radius_mm)
    bounds &= normal @ frame[2] > LIMB
    return place + view.camera_centre_mm, normal, bounds


def change_across(look: Look, place: FloatArray, normal: FloatArray) -> FloatArray:
    """Return how the colour changes along the normals at places (n, 3): (n, 3) grey levels."""
    pixels = look.view.to_pixels(place)
    ahead = look.view.to_pixels(place + 0.2 * normal) - pixels
    ahead /= np.maximum(np.linalg.norm(ahead, axis=1, keepdims=True), 1e-9)
    at = (pixels[:, None, :] + BESIDE_PX[None, :, None] * ahead[:, None, :]).astype(np.float32)
    seen = cv2.remap(
        look.bgr, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).astype(np.float64)
    half = len(BESIDE_PX) // 2
    return np.asarray(seen[:, half:].mean(axis=1) - seen[:, :half].mean(axis=1))


def evened(change: FloatArray) -> FloatArray:
    """Return the sizes, grey levels, of the changes (n, 3) along a line, averaged in blocks."""
    whole = len(change) // BLOCK * BLOCK
    blocks = change[:whole].reshape(-1, BLOCK, 3).mean(axis=1)
    return np.asarray(np.sqrt(np.sum(blocks * blocks, axis=1)))
