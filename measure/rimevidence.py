"""What one side of the photo shows of a steel tool's rims, by place along the axis and radius."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.view import View
from measure.revolve import Axis
from measure.rimpixels import rim_pixels
from measure.scene import FREE, Scene

__all__ = [
    "CERTAIN_SIGNIFICANCE",
    "COLUMN_PX",
    "EVEN_SIGNIFICANCE",
    "MIRROR_MM",
    "MIRROR_SHARE",
    "OUTER_WEIGHT",
    "ROW_MM",
    "RimLayout",
    "RimSide",
    "bench_columns",
    "laid_out",
    "rim_evidence",
    "step_strength",
]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

ROW_MM = 0.25
COLUMN_PX = 0.5
FINE_PX = 1.25
FOOT_PX = (2.0, 5.0)
RAMP, SHARP = 1.4, 2.5
"""A rim is sharp: a few pixels farther out the change has fallen to a fraction. At a shadow's
border and where steel shades it goes on."""
EVEN_SIGNIFICANCE, CERTAIN_SIGNIFICANCE = 3.0, 7.0
"""An edge this many times the usual change of its neighbourhood counts half: as a rim, and as
one that proves that what lies inside it is no rim."""
MIRROR_SHARE, MIRROR_MM = 0.4, 1.0
"""So far inside the rim, as a share of its radius and beyond it, reflections may make edges."""
OUTER_WEIGHT = 0.85
LEAST_SLOPE = 5e-4
"""Change of colour per column that no texture falls below: a step of 0.3 % of full scale."""
CLEAR_PX, HALO_PX, HALO_SHARE = 3.0, 8.0, 0.4


@dataclass(frozen=True, slots=True)
class RimLayout:
    """The places that are looked at: rows at `z`, columns at `r`, mm, both evenly spaced."""

    z: FloatArray
    r: FloatArray

    @property
    def column_mm(self) -> float:
        """Step from column to column."""
        return float(self.r[1] - self.r[0])


@dataclass(frozen=True, slots=True)
class RimSide:
    """What one side shows, (rows, columns) each, 0 to 1.

    Attributes
    ----------
    rim : how like the rim of the piece a place is.
    certain : whether there is an edge beyond doubt, whatever of.
    mirror : how well a place serves to tell the axis.
    slopes : (rows, columns, 3) change of colour per column.
    """

    rim: Float32Array
    certain: Float32Array
    mirror: Float32Array
    slopes: Float32Array


def laid_out(
    bgr: NDArray[np.uint8],
    scene: Scene,
    view: View,
    axis: Axis,
    layout: RimLayout,
    sign: float,
) -> Float32Array:
    """Return one side of the photo as (rows, columns, 3), 0 to 1: rows are z, columns radius.

    Where a row runs into what is not searched (the target, what lies outside a box), what lies
    before it is carried on: a card has edges as straight as any rim.
    """
    x, y = rim_pixels(view, axis, layout.z, layout.r, sign)
    laid = cv2.remap(bgr, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    laid = np.asarray(laid, dtype=np.float32) / np.float32(255.0)
    small = [scene.from_photo(at.astype(np.float64)).astype(np.float32) for at in (x, y)]
    free = cv2.remap(
        np.ascontiguousarray(scene.features[..., FREE]),
        small[0],
        small[1],
        cv2.INTER_NEAREST,
        borderMode=cv2.BORDER_REPLICATE,
    )
    covered = np.asarray(free) < 0.5
    first = np.where(covered.any(axis=1), covered.argmax(axis=1), covered.shape[1])
    rows = np.arange(len(laid))
    before = laid[rows, np.maximum(first - 1, 0)]
    return np.where(np.arange(laid.shape[1])[None, :, None] >= first[:, None, None],
                    before[:, None, :], laid)  # fmt: skip


def rim_evidence(laid: Float32Array, layout: RimLayout, along_mm: float) -> RimSide:
    """Return what one side shows of rims."""
    rows = round(along_mm / ROW_MM) | 1
    kernel = _slope_kernel(FINE_PX / COLUMN_PX)
    slopes = cv2.filter2D(laid, -1, kernel, borderType=cv2.BORDER_REPLICATE)
    even = cv2.blur(slopes, (1, rows), borderType=cv2.BORDER_REPLICATE)
    fine = np.asarray(np.linalg.norm(even, axis=2), dtype=np.float32)
    # The outermost columns show the bench; its texture is the noise.
    texture = np.median(fine[:, bench_columns(fine)], axis=1)[:, None]
    usual = np.asarray(cv2.blur(texture, (1, 41), borderType=cv2.BORDER_REPLICATE)).reshape(-1, 1)
    square = (fine / np.maximum(usual, LEAST_SLOPE)) ** 2
    sharp = _sharpness(fine)
    certain = (sharp * square / (square + CERTAIN_SIGNIFICANCE**2)).astype(np.float32)
    edge = sharp * square / (square + EVEN_SIGNIFICANCE**2)
    # Specks of the bench are edges beyond doubt here and there, but do not go on.
    going_on = cv2.blur(cv2.dilate(certain, np.ones((1, 3), np.uint8)), (1, 2 * rows + 1))
    outermost = 1.0 - OUTER_WEIGHT * _beyond(np.asarray(going_on), fine, layout)
    # A highlight is mirrored about its own middle, but narrower than the piece.
    mirror = certain * going_on * outermost * np.sqrt(layout.r / layout.r[-1])
    return RimSide(
        np.asarray(edge * outermost, dtype=np.float32),
        certain,
        np.asarray(mirror, dtype=np.float32),
        np.asarray(slopes, dtype=np.float32),
    )


def bench_columns(values: Float32Array) -> slice:
    """Return the columns that are taken to show the bench."""
    return slice(-max(values.shape[1] // 4, 1), None)


def _sharpness(fine: Float32Array) -> Float32Array:
    """Return 1 on the crests of sharp edges, less on ramps, 0 off the crests; (rows, columns)."""
    reach = 2 * (int(CLEAR_PX / COLUMN_PX) // 2) + 1
    crest = np.asarray(cv2.dilate(fine, np.ones((1, reach), np.uint8)), dtype=np.float32)
    first, last = (int(px / COLUMN_PX) for px in FOOT_PX)
    beyond = np.pad(fine, ((0, 0), (0, last)), mode="edge")
    columns = fine.shape[1]
    foot = np.min([beyond[:, k : k + columns] for k in range(first, last + 1)], axis=0)
    sharp = np.clip((fine / np.maximum(foot, 1e-9) - RAMP) / (SHARP - RAMP), 0.0, 1.0)
    return np.asarray(np.where(fine < crest, 0.0, sharp), dtype=np.float32)


def _slope_kernel(sigma: float) -> Float32Array:
    """Return a row that gives the slope per column, blurred; 1 on a ramp of slope 1."""
    reach = int(4.0 * sigma) + 1
    x = np.arange(-reach, reach + 1, dtype=np.float64)
    kernel = x * np.exp(-0.5 * (x / sigma) ** 2)
    return np.asarray((kernel / np.sum(kernel * x))[None, :], dtype=np.float32)


def _beyond(edge: Float32Array, strength: Float32Array, layout: RimLayout) -> Float32Array:
    """Return the strongest edge farther out, as far as reflections may lie inside a rim.

    Close by only one that is not much weaker counts: a phone's sharpening draws a halo there.
    """
    found = np.zeros_like(edge)
    columns = edge.shape[1]
    clear, halo = int(CLEAR_PX / COLUMN_PX), int(HALO_PX / COLUMN_PX)
    for step in range(clear, min(halo, columns)):
        counts = strength[:, step:] > np.float32(HALO_SHARE) * strength[:, : columns - step]
        near = found[:, : columns - step]
        np.maximum(near, edge[:, step:] * counts, out=near)
    last = (MIRROR_SHARE * layout.r + MIRROR_MM) / layout.column_mm
    first = np.arange(max(columns - halo, 0)) + halo
    stop = np.minimum(first + np.maximum(last[: len(first)].astype(int) - halo, 1), columns)
    np.maximum(found[:, : len(first)], _largest_of(edge, first, stop), out=found[:, : len(first)])
    return found


def _largest_of(
    values: Float32Array, first: NDArray[np.int64], stop: NDArray[np.int64]
) -> Float32Array:
    """Return the largest (rows, k) of the columns from each `first` to before each `stop`.

    Any run of columns is two, which may overlap, of a length that is a power of two.
    """
    largest, width = values, 1
    found = np.zeros((len(values), len(first)), dtype=np.float32)
    while True:
        here = np.flatnonzero((stop - first >= width) & (stop - first < 2 * width))
        found[:, here] = np.maximum(largest[:, first[here]], largest[:, stop[here] - width])
        if largest.shape[1] <= width or not np.any(stop - first >= 2 * width):
            return found
        largest = np.maximum(largest[:, :-width], largest[:, width:])
        width *= 2


def step_strength(side: RimSide, rows: slice) -> Float32Array:
    """Return, per column, the mean edge over a step against the mean texture of the bench."""
    mean = np.linalg.norm(side.slopes[rows].mean(axis=0), axis=-1)
    fine = np.asarray(mean[None, :], dtype=np.float32)
    usual = max(float(np.median(fine[:, bench_columns(fine)])), LEAST_SLOPE / 2.0)
    return np.asarray((_sharpness(fine) * fine / usual)[0], dtype=np.float32)
