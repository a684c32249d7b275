"""Where exactly four chequers meet: the saddle point of brightness, to a hundredth of a pixel.

A chequer corner looks the same turned by half a turn, whatever the gamma, the blur and the
sharpening of the photo have made of it, so its saddle stays where it is while every edge moves.
The fit keeps that symmetry: a quadratic under weights that fall smoothly to zero at a radius
round the point itself, not round a pixel. A square window cut at whole pixels, or one that
reaches into the marks, costs up to 0.03 px.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Saddles", "find_saddles", "picture_noise"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

STEPS = 5
SETTLED_PX = 0.01
LONGEST_STEP = 0.35
"""Longest step of the search, as a fraction of the radius."""


class Saddles(NamedTuple):
    """Points (n, 2) px; their standard deviation per axis (n,) for unit noise; fit good (n,)."""

    points_px: FloatArray
    sd_for_unit_noise: FloatArray
    good: BoolArray


def find_saddles(grey: NDArray[np.uint8], start_px: FloatArray, radius_px: FloatArray) -> Saddles:
    """Return the saddle points near the given ones.

    Parameters
    ----------
    grey : (height, width) brightness.
    start_px : (n, 2) first guesses (x, y), pixels.
    radius_px : (n,) radius within which nothing but the four chequers may lie, pixels.

    Notes
    -----
    Points whose surroundings reach out of the picture, that wander off by more than a radius or
    are no saddle come back as not good.
    """
    points = np.array(start_px, dtype=np.float64)
    good = np.ones(len(points), dtype=np.bool_)
    sd = np.full(len(points), np.inf)
    reach = np.ceil(radius_px).astype(int) + 1
    for size in np.unique(reach):
        members = np.flatnonzero(reach == size)
        part = _one_size(grey, points[members], radius_px[members], int(size))
        points[members], sd[members], good[members] = part
    good &= np.linalg.norm(points - start_px, axis=1) < 1.5 * radius_px
    return Saddles(points, sd, good)


def _one_size(
    grey: NDArray[np.uint8], start: FloatArray, radius: FloatArray, reach: int
) -> Saddles:
    height, width = grey.shape
    # A wide window is only the first search; every second or third pixel of it is enough.
    offsets = np.arange(-reach, reach + 1, 1 + max(0, reach - 3) // 10)
    points = start.copy()
    low = np.full(2, float(reach))
    high = np.array([width, height]) - 1.0 - reach
    inside = np.all((points >= low) & (points <= high), axis=1)
    fit = _Fit(np.zeros((len(points), 2)), np.full(len(points), np.inf), inside)
    if np.any(high < low):
        return Saddles(points, fit.sd, np.zeros(len(points), dtype=np.bool_))
    for _ in range(STEPS):
        points = np.clip(points, low, high)
        middle = np.round(points).astype(int)
        rows = middle[:, 1, None, None] + offsets[None, :, None]
        columns = middle[:, 0, None, None] + offsets[None, None, :]
        dx = (columns - points[:, 0, None, None]) / radius[:, None, None]
        dy = (rows - points[:, 1, None, None]) / radius[:, None, None]
        fit = _fit_quadratics(grey[rows, columns].astype(np.float64), dx, dy)
        length = np.linalg.norm(fit.step, axis=1, keepdims=True)
        scale = np.minimum(1.0, LONGEST_STEP / np.maximum(length, 1e-12))
        points = points + fit.step * scale * radius[:, None]
        if np.all(length[inside & fit.saddle] * reach < SETTLED_PX):
            break
    settled = np.linalg.norm(fit.step, axis=1) < 0.05
    return Saddles(points, fit.sd * radius, inside & fit.saddle & settled)


class _Fit(NamedTuple):
    step: FloatArray
    sd: FloatArray
    saddle: BoolArray


def _fit_quadratics(patches: FloatArray, dx: FloatArray, dy: FloatArray) -> _Fit:
    """Fit a quadratic to every patch; lengths in radii."""
    n = len(patches)
    weight = np.clip(1.0 - (dx**2 + dy**2), 0.0, None).reshape(n, -1) ** 2
    dx, dy = np.broadcast_arrays(dx, dy)
    terms = np.stack([dx * dx, dx * dy, dy * dy, dx, dy, np.ones_like(dx)], axis=1)
    terms = terms.reshape(n, 6, -1)
    weighted = terms * weight[:, None, :]
    # A touch of ridge: a flat patch has no curvature, and must end as "no saddle", not as error.
    inverse = np.linalg.inv(weighted @ terms.transpose(0, 2, 1) + 1e-9 * np.eye(6))
    c = (inverse @ (weighted @ patches.reshape(n, -1, 1)))[..., 0]
    determinant = 4.0 * c[:, 0] * c[:, 2] - c[:, 1] ** 2
    safe = np.where(np.abs(determinant) > 1e-6, determinant, np.inf)
    turn = np.empty((n, 2, 2))
    turn[:, 0, 0], turn[:, 1, 1] = 2.0 * c[:, 2], 2.0 * c[:, 0]
    turn[:, 0, 1] = turn[:, 1, 0] = -c[:, 1]
    turn /= safe[:, None, None]
    step = -(turn @ c[:, 3:5, None])[..., 0]
    noise = (inverse @ (weighted @ weighted.transpose(0, 2, 1)) @ inverse)[:, 3:5, 3:5]
    spread = turn @ noise @ turn.transpose(0, 2, 1)
    sd = np.sqrt(np.maximum(np.trace(spread, axis1=1, axis2=2) / 2.0, 0.0))
    return _Fit(step, sd, determinant < -1e-6)


def picture_noise(grey: NDArray[np.uint8], points_px: FloatArray, reach: int = 8) -> float:
    """Return the noise of the picture round the given points, in grey levels.

    The median of the absolute response of Immerkaer's mask [Immerkaer1996], which leaves
    straight edges out; 0.3 grey levels, the rounding to whole ones, is the least.
    """
    height, width = grey.shape
    offsets = np.arange(-reach, reach + 1)
    middle = np.round(points_px).astype(int)
    rows = np.clip(middle[:, 1, None, None] + offsets[None, :, None], 0, height - 1)
    columns = np.clip(middle[:, 0, None, None] + offsets[None, None, :], 0, width - 1)
    p = grey[rows, columns].astype(np.float64)
    second = p[:, :-2] - 2.0 * p[:, 1:-1] + p[:, 2:]
    mask = second[:, :, :-2] - 2.0 * second[:, :, 1:-1] + second[:, :, 2:]
    return max(0.3, float(np.median(np.abs(mask))) / 0.6745 / 6.0)
