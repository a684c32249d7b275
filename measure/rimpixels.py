"""Where in the photo the rims of cylinders about an axis lie.

Frame: the target frame, mm.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.view import View
from measure.reach import frame_of
from measure.revolve import Axis

__all__ = ["rim_pixels", "rim_points"]

FloatArray = NDArray[np.float64]

NODES = 12
"""Nodes a direction. What is interpolated is perspective of less than a fifth of the distance and
a lens' bend: the error falls fivefold a node and more, to far below a thousandth of a pixel."""


def rim_points(
    camera_mm: FloatArray, axis: Axis, z_mm: FloatArray, r_mm: FloatArray, sign: float
) -> FloatArray:
    """Return the points (..., 3) where cylinders about the axis show their rim on one side.

    `z_mm` and `r_mm` are broadcast; `sign` is +1 for the `across` side.
    """
    across, toward = frame_of(camera_mm, axis)
    back = camera_mm - axis.point_mm
    distance = float(np.linalg.norm(back - (back @ axis.direction) * axis.direction))
    z, r = np.broadcast_arrays(z_mm, r_mm)
    # A cylinder so thick that the camera is in it has no rim: the last that has one stands for it.
    sin = np.minimum(r / distance, 1.0)
    normal = sign * np.sqrt(1.0 - sin**2)[..., None] * across + sin[..., None] * toward
    return np.asarray(axis.at(z) + r[..., None] * normal)


def rim_pixels(
    view: View, axis: Axis, z_mm: FloatArray, r_mm: FloatArray, sign: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return x and y in the photo, (n, m) each, of the rims at each z (n,) and radius (m,).

    Projected at a few places and interpolated between them by polynomials through Chebyshev's
    nodes [BerrutTrefethen2004]: the picture of the layout is smooth, and its places are many.
    """
    along, across = _through_nodes(z_mm), _through_nodes(r_mm)
    points = rim_points(view.camera_centre_mm, axis, along[0][:, None], across[0][None], sign)
    nodes = view.to_pixels(points)
    x, y = ((along[1] @ nodes[..., k] @ across[1].T).astype(np.float32, order="C") for k in (0, 1))
    return x, y


def _through_nodes(places: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return nodes (k,) over the span of places (n,), and the weights (n, k) of each at each."""
    low, high = float(places.min()), float(places.max())
    if high - low < 1e-9:
        return np.array([low]), np.ones((len(places), 1))
    turn = (np.arange(NODES) + 0.5) * np.pi / NODES
    nodes = 0.5 * (low + high) + 0.5 * (high - low) * np.cos(turn)
    # [BerrutTrefethen2004] (4.2) with (5.3); a place on a node takes that node alone.
    gap = places[:, None] - nodes
    on_node = np.abs(gap) < 1e-12 * (high - low)
    weights = (-1.0) ** np.arange(NODES) * np.sin(turn) / np.where(on_node, 1.0, gap)
    weights = np.where(on_node.any(axis=1, keepdims=True), on_node, weights)
    return nodes, weights / weights.sum(axis=1, keepdims=True)
