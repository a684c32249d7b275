"""The edge of a circle in the photo, to a fraction of a pixel, and the circle through it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from calib.edges import EdgeFits, EdgeShapes, fit_edges, normal_cdf, orthonormal, sample_lines
from calib.view import View
from measure.circles import Circle, CircleFit, arc_degrees, circle_points, fit_projected_circle
from measure.mating import COVERAGE

__all__ = ["EdgeCircle", "follow_circle"]

FloatArray = NDArray[np.float64]

HALF_PX = 9.0
"""Scan lines run this far to either side of the circle."""
REACHES_PX = (6.0, 3.0)
"""How far off a guess the edge may be, in turn: a rough circle is right to a few pixels."""
BLURS_PX = (0.8, 1.2, 1.8, 2.6)
"""Standard deviations of the blur of a phone's edges, sharp to just acceptable."""
ALONG_PX = np.array([-1.0, 0.0, 1.0])
SPACING_PX = 3.0
"""Scan lines stand as far apart as the stretch that each averages, so that they are independent."""
CLEAR = 2.0
"""Least root of light explained over light unexplained for a scan line to count."""
UNSURE_PX = 0.7
"""A scan line whose edge is known no better than this does not show one."""
CLASH_PX = 3.0
"""So far beyond its reach a circle keeps off another's edge: the edge's own blur."""
POSITION_STEP_PX, RAMP_PX = 0.25, 20.0
"""Between edges tried; and over how much light changes slowly on a face."""
SECTORS = 24
"""Points within one sector share what spoils them: a shadow, torn fibre, a chip."""
OFF_PX = 1.5
"""A scan line whose edge lies farther off the circle than this does not show it."""


@dataclass(frozen=True, slots=True)
class EdgeCircle:
    """A circle followed in the photo.

    Attributes
    ----------
    points_px, sd_px, weights : (n, 2), (n,), (n,) of the edge points on it.
    circle : in the plane it was looked for in, mm.
    covariance : (3, 3) of (x, y, radius), from the scatter of the points alone.
    arc_deg : how much of the circle was seen.
    scatter_px : root mean square of the points' distances.
    px_per_mm : scale at its edge.
    """

    points_px: FloatArray
    sd_px: FloatArray
    weights: FloatArray
    circle: Circle
    covariance: FloatArray
    arc_deg: float
    scatter_px: float
    px_per_mm: float


def follow_circle(
    bgr: NDArray[np.uint8],
    to_linear: NDArray[np.float32],
    view: View,
    height_mm: float,
    start: Circle,
    others: Sequence[Circle] = (),
) -> EdgeCircle | None:
    """Return the circle near a first guess, or None if no edge runs along it.

    Parameters
    ----------
    bgr : (H, W, 3) photo; `to_linear` : (256,) from encoded to linear light.
    view, height_mm : the view, and the plane of the circle in the target frame.
    start : the guess, mm, right to a few pixels.
    others : larger circles already followed, whose edges are not to be taken for this one's.
    """
    circle = start
    found: EdgeCircle | None = None
    for reach in REACHES_PX:
        px, across, scale = _scan_lines(view, height_mm, circle)
        seen = _edges_along(bgr, to_linear, px, across, reach)
        good = ~seen.at_limit & (seen.contrast > CLEAR) & (seen.sd_px < UNSURE_PX)
        inside = np.all((px > HALF_PX) & (px < np.array(bgr.shape[1::-1]) - HALF_PX), axis=1)
        good &= inside
        for other in others:
            on = view.on_plane(px, height_mm)
            off = np.linalg.norm(on - other.centre, axis=1) - other.radius
            good &= np.abs(off) * scale > reach + CLASH_PX
            if np.linalg.norm(circle.centre - other.centre) < other.radius:
                # A step down a bore is seen through the bore's mouth only.
                good &= off < 0.0
        if good.sum() < 12:
            return None
        points = px[good] + seen.offset_px[good, None] * across[good]
        sd = np.hypot(seen.sd_px[good], 0.03)
        fit = fit_projected_circle(points, sd, view, height_mm, circle)
        near = np.abs(fit.residuals) < OFF_PX
        if near.sum() < 12:
            return None
        circle = fit.circle
        on = view.on_plane(points[near], height_mm)
        found = EdgeCircle(
            points_px=points[near],
            sd_px=sd[near],
            weights=fit.weights[near],
            circle=circle,
            covariance=_with_waves(on, fit.residuals[near] / scale, fit.weights[near], fit),
            arc_deg=arc_degrees(on, circle.centre),
            scatter_px=float(np.sqrt(np.mean(fit.residuals[near] ** 2))),
            px_per_mm=scale,
        )
    return found


def _scan_lines(view: View, height: float, circle: Circle) -> tuple[FloatArray, FloatArray, float]:
    """Return pixels (n, 2) along a circle, unit normals out of it (n, 2), and px/mm."""

    def pictured(count: int, more: float = 0.0) -> FloatArray:
        flat = circle_points(Circle(circle.centre, circle.radius + more), count)
        return view.to_pixels(np.column_stack([flat, np.full(count, height)]))

    rough = pictured(72)
    around = float(np.sum(np.linalg.norm(np.diff(rough, axis=0, append=rough[:1]), axis=1)))
    count = int(np.clip(around / SPACING_PX, 90, 1200))
    px = pictured(count)
    tangent = np.roll(px, -1, axis=0) - np.roll(px, 1, axis=0)
    across = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    across /= np.linalg.norm(across, axis=1)[:, None]
    out = pictured(count, 0.1) - px
    across *= np.sign(np.sum(out * across, axis=1))[:, None]
    return px, across, around / (2.0 * np.pi * circle.radius)


@lru_cache(maxsize=16)
def _face_shapes(reach: float, blur: float) -> EdgeShapes:
    """Return shapes of the edge of a flat face: even, or shading slowly on either side.

    Not those of a round rim: at a sharp corner nothing darkens toward grazing, and a shape with
    a ramp of a few pixels would draw the edge inward by 0.15 px.
    """
    offsets = np.arange(-HALF_PX, HALF_PX + 0.5)
    positions = np.arange(-reach, reach + 0.125, POSITION_STEP_PX)
    t = offsets[None, :] - positions[:, None]
    inside, outside = 1.0 - normal_cdf(t / blur), normal_cdf(t / blur)
    ramps: list[FloatArray | None] = [None, inside * np.exp(np.minimum(t, 0.0) / RAMP_PX)]
    ramps.append(outside * np.exp(-np.maximum(t, 0.0) / RAMP_PX))
    bases = np.zeros((len(ramps), len(positions), 3, len(offsets)), dtype=np.float32)
    for index, ramp in enumerate(ramps):
        columns = [inside, outside] if ramp is None else [inside, outside, ramp]
        bases[index, :, : len(columns)] = orthonormal(columns)
    price = 3.0 * np.log(3.0 * len(offsets)) * np.array([0.0, 1.0, 1.0])
    return EdgeShapes(offsets, positions, bases, price)


def _edges_along(
    bgr: NDArray[np.uint8],
    to_linear: NDArray[np.float32],
    px: FloatArray,
    across: FloatArray,
    reach: float,
) -> EdgeFits:
    """Return the edges on the scan lines by the blur that explains them best."""
    best: EdgeFits | None = None
    lines = None
    for blur in BLURS_PX:
        shapes = _face_shapes(reach, blur)
        if lines is None:
            lines = sample_lines(bgr, px, across, shapes.offsets_px, ALONG_PX, to_linear)
        fits = fit_edges(lines, shapes)
        if best is None or np.median(fits.contrast) > np.median(best.contrast):
            best = fits
    if best is None:
        raise ValueError("no blur to try")
    return best


def _with_waves(
    on: FloatArray, residuals_mm: FloatArray, weights: FloatArray, fit: CircleFit
) -> FloatArray:
    """Return the covariance of a fit when neighbouring points err alike.

    The sum over sectors of what their points say together, between the fit's inverse normal
    matrices [LiangZeger1986]; never less than what independent points would give.
    """
    off = on - fit.circle.centre
    turn = np.arctan2(off[:, 1], off[:, 0])
    sector = ((turn / (2.0 * np.pi) + 0.5) * SECTORS).astype(int) % SECTORS
    rows = np.column_stack([off / np.linalg.norm(off, axis=1)[:, None], np.ones(len(off))])
    bread = np.linalg.pinv(rows.T @ (weights[:, None] * rows))
    said = np.zeros((SECTORS, 3))
    np.add.at(said, sector, rows * (weights * residuals_mm)[:, None])
    seen = len(np.unique(sector))
    free = max(seen - 3.0, 1.0)
    # Few sectors tell their own spread poorly: Student's t in place of the normal ([JCGM100] G.3).
    more = seen / free * (stdtrit(free, 0.975) / COVERAGE) ** 2
    waves = more * bread @ (said.T @ said) @ bread
    # Three numbers fitted to few sectors can hide their waves: keep the larger of both.
    larger = np.trace(waves) > np.trace(fit.covariance)
    return np.asarray(waves if larger else fit.covariance)
