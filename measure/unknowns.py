"""The unknowns of the joint estimate, and what outline points are at given ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.lens import LENS_SIZE, straighten
from calib.solve import Remembered
from calib.vectors import cross, sum_of_planes
from calib.view import VIEW_SIZE, View
from measure.outline import Outline
from measure.revolve import Axis
from measure.sides import ahead_of, ray_values

__all__ = ["Layout", "Values", "across_and_deep", "rim_bias", "values_at"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the unknowns stand in the parameter vector."""

    view: View
    axis: Axis
    first: FloatArray
    second: FloatArray
    extras: int
    foot: bool

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return VIEW_SIZE + self.extras + 4 + 2 + (1 if self.foot else 0)

    def view_of(self, x: FloatArray) -> View:
        """Return the view of a parameter vector."""
        return self.view.with_vector(x[:VIEW_SIZE])

    def axis_of(self, x: FloatArray) -> Axis:
        """Return the axis: two shifts (mm) at the point and two at 100 mm along."""
        a = x[VIEW_SIZE + self.extras :][:4]
        shift = a[0] * self.first + a[1] * self.second
        turn = (a[2] * self.first + a[3] * self.second) / 100.0
        d = self.axis.direction + turn
        return Axis(self.axis.point_mm + shift, d / np.linalg.norm(d))

    def vector_at(self, view: View, axis: Axis, rest: FloatArray) -> FloatArray:
        """Return the parameter vector of a view and an axis, all else as in another vector."""
        x = rest.copy()
        x[:VIEW_SIZE] = view.vector()
        d = axis.direction / float(axis.direction @ self.axis.direction)
        turn = 100.0 * (d - self.axis.direction)
        gap = self.axis.point_mm - axis.point_mm
        shift = axis.point_mm + d * float(gap @ self.axis.direction) - self.axis.point_mm
        start = VIEW_SIZE + self.extras
        x[start : start + 4] = [
            shift @ self.first,
            shift @ self.second,
            turn @ self.first,
            turn @ self.second,
        ]
        return x

    def bias_of(self, x: FloatArray) -> FloatArray:
        """Return the rim bias of the two sides (+1, -1), pixels, (2,)."""
        return x[VIEW_SIZE + self.extras + 4 :][:2]


def rim_bias(outline: Outline, side: FloatArray, bias_px: FloatArray) -> FloatArray:
    """Return outline points (n, 2) moved outward by minus the bias of their side."""
    b = np.where(side > 0, bias_px[0], bias_px[1])
    return np.asarray(outline.points_px - b[:, None] * outline.normals())


def across_and_deep(axis: Axis, view: View) -> tuple[FloatArray, FloatArray]:
    """Return two directions square to the axis, (3,) each, in which it is free to move.

    The first is across the line of sight, where the photo fixes it; the second is depth.
    """
    toward = axis.point_mm - view.camera_centre_mm
    first = cross(axis.direction, toward)
    first /= np.linalg.norm(first)
    return first, cross(axis.direction, first)


class Values:
    """(z, r) of chosen outline points for parameter vectors, asked for by name.

    All points are computed in one go, and what lens, view or axis alone change only with them.
    All names are to be added before the first is asked for.
    """

    def __init__(self, layout: Layout, outline: Outline) -> None:
        """Start with no names."""
        self.layout, self.outline = layout, outline
        self.index: NDArray[np.int64] = np.zeros(0, dtype=np.int64)
        self.places: dict[str, slice] = {}
        start = VIEW_SIZE + layout.extras
        moving = np.concatenate([np.arange(VIEW_SIZE), np.arange(start, start + 6)])
        self._straight = Remembered(self._straightened, slice(LENS_SIZE))
        self._rays = Remembered(self._turned, slice(VIEW_SIZE))
        self._values = Remembered(self._touched, moving)

    def add(self, name: str, index: NDArray[np.int64]) -> None:
        """Let `name` stand for outline points (k,)."""
        self.places[name] = slice(len(self.index), len(self.index) + len(index))
        self.index = np.concatenate([self.index, index.astype(np.int64)])

    def at(self, x: FloatArray, name: str) -> tuple[FloatArray, FloatArray]:
        """Return (z, r) of the points of a name."""
        z, r = self._values(x)
        return z[self.places[name]], r[self.places[name]]

    def _straightened(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        points, tangents = self.outline.points_px[self.index], self.outline.tangents[self.index]
        lens = x[:LENS_SIZE]
        return straighten(points, lens), straighten(ahead_of(points, tangents), lens)

    def _turned(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        view, (points, ahead) = self.layout.view_of(x), self._straight(x)
        return view.turned(points), view.turned(ahead)

    def _touched(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        return _values_of_rays(self.layout, x, *self._rays(x))


def values_at(
    layout: Layout, x: FloatArray, outline: Outline, index: NDArray[np.int64]
) -> tuple[FloatArray, FloatArray]:
    """Return (z, r) of chosen outline points for a parameter vector."""
    points, tangents, view = outline.points_px[index], outline.tangents[index], layout.view_of(x)
    return _values_of_rays(layout, x, view.rays(points), view.rays(ahead_of(points, tangents)))


def _values_of_rays(
    layout: Layout, x: FloatArray, rays: FloatArray, ahead: FloatArray
) -> tuple[FloatArray, FloatArray]:
    view, axis = layout.view_of(x), layout.axis_of(x)
    z, r, _, side = ray_values(rays, ahead, view.camera_centre_mm, axis)
    # A shift outward by b pixels changes r by b over the scale at the contact.
    b = layout.bias_of(x)
    depth = np.sqrt(sum_of_planes((axis.at(z) - view.camera_centre_mm) ** 2))
    r = r - np.where(side > 0, b[0], b[1]) * depth / view.lens.focal_px
    return z, r
