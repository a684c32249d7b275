"""How well a drawn profile is known: what all rows share, and what each has of its own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.sight import view_steps
from calib.view import View
from measure.drawingaxis import AxisGuess
from measure.drawingrows import Rows

__all__ = ["Spreads", "row_spreads"]

FloatArray = NDArray[np.float64]

HEIGHT_SD_MM = 0.15
"""How well the sheet lies on the bench under the card, standard uncertainty (common practice, no
source)."""
BOW_SD_MM, BOW_OVER_MM = 0.5, 120.0
"""A sheet of paper lies hollow or proud by so much where it is this far from the card's weight
(common practice, no source)."""
STROKE_SD_MM = 0.02
"""The middle of a stroke, of one side, against the line that was meant by it: pencil on paper
leans to the pencil's side. Shared by all rows."""
MOST_ROWS = 60


@dataclass(frozen=True, slots=True)
class Spreads:
    """Standard uncertainties at drawn size, mm.

    Attributes
    ----------
    sd_mm, common_mm : (n,) of the diameters: all, and the part that all rows share.
    place_sd_mm : (n,) of the places along the axis, from the start end.
    length_sd_mm : of the length.
    """

    sd_mm: FloatArray
    common_mm: FloatArray
    place_sd_mm: FloatArray
    length_sd_mm: float


def row_spreads(
    view: View,
    height_mm: float,
    axis: AxisGuess,
    signs: tuple[int, ...],
    rows: Rows,
    ends_mm: FloatArray,
    flip: bool,
) -> Spreads:
    """Return the uncertainties of the rows.

    Parameters
    ----------
    view : with its covariance.
    height_mm, axis : of the sheet's plane and the axis in it, as measured.
    signs : sides of the axis that were measured.
    rows : what they gave.
    ends_mm : (2,) places of the ends along the axis.
    flip : whether z counts from the second of them.
    """
    picked = np.unique(np.linspace(0, len(rows.z_mm) - 1, MOST_ROWS).astype(int))
    z = rows.z_mm[picked]
    along = ends_mm[1] - z if flip else ends_mm[0] + z
    foot = axis.point_mm + along[:, None] * axis.direction
    sides = [
        foot + sign * rows.radii_mm[picked, k, None] * axis.normal for k, sign in enumerate(signs)
    ]
    upper, lower = sides[0], sides[1] if len(sides) == 2 else foot
    times = 1.0 if len(sides) == 2 else 2.0
    tips = axis.point_mm + ends_mm[:, None] * axis.direction

    def lifted(points: FloatArray) -> FloatArray:
        return np.column_stack([points, np.full(len(points), height_mm)])

    pixels = [view.to_pixels(lifted(p)) for p in (upper, lower, foot, tips)]

    def sizes(at: View, height: float) -> FloatArray:
        """Return the diameters, their places from the start end, and the length."""
        a, b, f, t = (at.on_plane(p, height) for p in pixels)
        d = times * np.linalg.norm(a - b, axis=1)
        start = t[1] if flip else t[0]
        return np.concatenate([d, np.linalg.norm(f - start, axis=1), [np.linalg.norm(t[1] - t[0])]])

    vector, columns = view.vector(), []
    for k, h in enumerate(view_steps(view)):
        up, down = vector.copy(), vector.copy()
        up[k] += h
        down[k] -= h
        columns.append(
            (sizes(view.with_vector(up), height_mm) - sizes(view.with_vector(down), height_mm))
            / (2.0 * h)
        )
    J = np.stack(columns, axis=1)
    by_height = (sizes(view, height_mm + 0.1) - sizes(view, height_mm - 0.1)) / 0.2
    n = len(picked)
    shared2 = np.einsum("ij,jk,ik->i", J, view.covariance, J) + (HEIGHT_SD_MM * by_height) ** 2
    shared2[:n] += (STROKE_SD_MM * 2.0 / np.sqrt(len(signs))) ** 2
    bow = BOW_SD_MM * np.minimum(np.linalg.norm(foot, axis=1) / BOW_OVER_MM, 1.5)
    bow2 = (np.tile(bow, 2) * by_height[:-1]) ** 2
    order = np.argsort(z, kind="stable")

    def at_rows(values: FloatArray) -> FloatArray:
        return np.asarray(np.interp(rows.z_mm, z[order], values[order]))

    common = np.sqrt(at_rows(shared2[:n]))
    own2 = (2.0 * rows.sd_mm) ** 2
    length2 = shared2[-1] + rows.length_sd_mm**2 + (float(np.median(bow)) * by_height[-1]) ** 2
    return Spreads(
        np.sqrt(common**2 + own2 + at_rows(bow2[:n])),
        common,
        np.sqrt(at_rows(shared2[n:-1] + bow2[n:])),
        float(np.sqrt(length2)),
    )
