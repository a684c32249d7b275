"""Which rays of a solved outline are those of its two sides, and the rows that they touch."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from measure.fit import Estimate
from measure.outline import SPACING_PX, Outline
from measure.pieceends import pixel_mm
from measure.sides import SideCurve
from measure.touching import TouchedRows, axis_rays, touched_rows

__all__ = ["touched_sides"]

FloatArray = NDArray[np.float64]


def touched_sides(
    fit: Estimate,
    outline: Outline,
    curves: tuple[SideCurve, SideCurve],
    start_mm: float,
    rows_mm: FloatArray,
) -> tuple[TouchedRows, TouchedRows]:
    """Return the rows of both sides (+1, -1) that rays of the outline touch.

    Parameters
    ----------
    curves : both sides, z counted from the start end, whose z in the axis' own count is `start_mm`.
    rows_mm : (n,) places of the rows, from the start end.
    """
    scale = pixel_mm(fit.view, fit.axis)
    bias = fit.layout.bias_of(fit.x) * scale
    sides = []
    for curve, b in zip(curves, bias, strict=True):
        index = _between(curve.index, outline.clear)
        points, sd = outline.points_px[index], outline.sd_px[index] * scale
        rays = axis_rays(fit.view.rays(points), fit.view.camera_centre_mm, fit.axis, sd)
        # As for the curves: a rim seen outward by b is so much nearer to the axis.
        rays = replace(rays, z_mm=rays.z_mm - start_mm, nearest_mm=rays.nearest_mm - b)
        order = np.argsort(curve.z_mm, kind="stable")
        first = np.interp(rows_mm, curve.z_mm[order], curve.r_mm[order])
        sides.append(touched_rows(rays, first, SPACING_PX * scale))
    return sides[0], sides[1]


def _between(index: NDArray[np.int64], clear: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return a side's clear points of a closed outline in order, from its first to its last."""
    n = len(clear)
    for way in (1, -1):
        onward = (index[0] + way * np.arange(n)) % n
        last = (way * (index[-1] - index[0])) % n
        passed = onward[: last + 1]
        if np.mean(np.isin(index, passed)) > 0.5:
            break
    return np.asarray(passed[clear[passed]])
