"""Is the photo fit to be measured: out of focus, shaken, or overexposed at the edges?

Blur that is the same on both sides of an edge does not move it in linear light, so these are
warnings, not refusals; what blur costs in scatter is in the edge points' own uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.refusal import Notice

__all__ = ["Blur", "clipped_near", "is_dark", "judge_blur", "judge_exposure", "measure_blur"]

FloatArray = NDArray[np.float64]

SHARP_SIGMA_PX = 3.0
"""Wider than this is called out of focus. A focused 12 MP phone photo has about 1 px (common
practice, no source)."""
STEADY_MOTION_PX = 6.0
UNEVEN_RATIO = 1.5
"""Widths in two directions must differ at least so much before motion is blamed: the piece and
the card lie at different depths, so their focus differs a little too."""
FEWEST_EDGES = 8
LEAST_SPREAD = 0.02
CLIPPED_LEVEL = 254
CLIPPED_SHARE = 0.2
CLIPPED_POINTS = 0.25


@dataclass(frozen=True, slots=True)
class Blur:
    """What the widths of the edges say.

    Attributes
    ----------
    least_px, greatest_px : standard deviation of the blur across the sharpest and the most
        blurred direction, px.
    motion_px : length of the straight movement that would make the difference, px; NaN where
        the edges run too much one way to tell.
    motion_rad : its direction, 0 to pi, from +x toward +y (down) in the picture.
    """

    least_px: float
    greatest_px: float
    motion_px: float
    motion_rad: float


def measure_blur(sigma_px: FloatArray, direction_rad: FloatArray) -> Blur:
    """Tell defocus from motion by the widths of edges that run in different directions.

    Parameters
    ----------
    sigma_px : (n,) standard deviation of the blur across each edge, px.
    direction_rad : (n,) direction of each edge's normal, from +x toward +y; modulo pi.

    Returns
    -------
    The blur. Even blur adds the same variance in all directions; a straight movement of length
    L adds L^2 / 12 times the square of the cosine to its direction (the variance of a box).
    So the variance is a + b cos 2t + c sin 2t, fitted with Huber's weights, since the odd
    edge is round or shaded and reads too wide.

    Raises
    ------
    ValueError
        If the arrays differ in shape or there are no edges.
    """
    sigma = np.asarray(sigma_px, dtype=np.float64)
    angle = 2.0 * np.asarray(direction_rad, dtype=np.float64)
    if sigma.ndim != 1 or sigma.shape != angle.shape or len(sigma) == 0:
        raise ValueError(f"got shapes {sigma.shape} and {angle.shape}, need (n,) twice, n > 0")
    columns = np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)], axis=-1)
    middle = float(np.median(sigma))
    spread, ways = np.linalg.eigh(columns.T @ columns / len(sigma))
    if len(sigma) < FEWEST_EDGES or spread[1] < LEAST_SPREAD:
        return Blur(middle, middle, math.nan, math.nan)
    # A card's sides run two ways only: they tell what differs between the two, and nothing of a
    # movement along the diagonals, which is then taken to be none.
    known = ways[:, spread >= LEAST_SPREAD]
    a, b, c = (float(v) for v in known @ _robust_fit(columns @ known, sigma**2))
    half = min(math.hypot(b, c), a)
    return Blur(
        least_px=math.sqrt(max(a - half, 0.0)),
        greatest_px=math.sqrt(max(a + half, 0.0)),
        motion_px=math.sqrt(12.0 * 2.0 * half),
        motion_rad=0.5 * math.atan2(c, b) % math.pi,
    )


def _robust_fit(columns: FloatArray, values: FloatArray) -> FloatArray:
    weights = np.ones_like(values)
    answer: FloatArray = np.zeros(columns.shape[1])
    for _ in range(10):
        root = np.sqrt(weights)
        answer = np.asarray(np.linalg.lstsq(columns * root[:, None], values * root, rcond=None)[0])
        residual = np.abs(values - columns @ answer)
        scale = max(1.4826 * float(np.median(residual)), 1e-9)
        weights = np.minimum(1.0, 1.345 * scale / np.maximum(residual, 1e-12))
    return answer


def judge_blur(sigma_px: FloatArray, direction_rad: FloatArray) -> Notice | None:
    """Return what to tell the turner of the blur, None if the photo is sharp enough.

    Parameters as for `measure_blur`.
    """
    blur = measure_blur(sigma_px, direction_rad)
    shaken = blur.motion_px > STEADY_MOTION_PX  # False where it is NaN
    if shaken and blur.greatest_px > UNEVEN_RATIO * blur.least_px:
        return Notice(
            "motion-blur",
            f"The photo looks shaken: edges are smeared over about {blur.motion_px:.0f} pixels "
            f"{_way(blur.motion_rad)}.",
            "Rest the phone on something, use the self-timer, or give more light.",
        )
    if math.hypot(blur.least_px, blur.greatest_px) / math.sqrt(2.0) > SHARP_SIGMA_PX:
        return Notice(
            "out-of-focus",
            f"The edges are out of focus: blurred over {blur.greatest_px:.1f} pixels.",
            "Wipe the lens, tap on the piece to focus, and keep at least a hand's length away.",
        )
    return None


def _way(angle_rad: float) -> str:
    names = ("sideways", "along one diagonal", "up and down", "along one diagonal", "sideways")
    return names[round(angle_rad / (math.pi / 4.0))]


def clipped_near(bgr: NDArray[np.uint8], points_px: FloatArray, radius_px: int = 6) -> FloatArray:
    """Return the fraction of overexposed pixels round each point, shape (n,).

    Parameters
    ----------
    bgr : (H, W, 3) picture.
    points_px : (n, 2), (x, y); points of an edge. Outside the picture the nearest pixels count.
    radius_px : half the side of the square that is looked at.

    Returns
    -------
    Fractions from 0 to 1. A pixel is overexposed where at least two of its three colours are
    at the top: one alone is just a strong colour.
    """
    height, width = bgr.shape[:2]
    points = np.rint(np.asarray(points_px, dtype=np.float64)).astype(np.int64)
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(f"points_px has shape {points.shape}, need (n, 2)")
    steps = np.arange(-radius_px, radius_px + 1, 2 if radius_px > 3 else 1)
    x = np.clip(points[:, 0, None, None] + steps[None, None, :], 0, width - 1)
    y = np.clip(points[:, 1, None, None] + steps[None, :, None], 0, height - 1)
    at_top = np.count_nonzero(bgr[y, x] >= CLIPPED_LEVEL, axis=-1) >= 2
    return np.asarray(at_top.mean(axis=(1, 2)), dtype=np.float64)


def judge_exposure(clipped: FloatArray) -> Notice | None:
    """Return what to tell the turner of overexposed edges, None if all is well.

    Parameters
    ----------
    clipped : (n,) from `clipped_near`. A point counts when a fifth of its surroundings is
        overexposed: there the bright side's true level is unknown, and the edge moves.
    """
    if len(clipped) == 0:
        return None
    share = float(np.mean(np.asarray(clipped) > CLIPPED_SHARE))
    if share <= CLIPPED_POINTS:
        return None
    return Notice(
        "overexposed",
        f"The photo is overexposed along {100.0 * share:.0f} % of the edges, which moves them.",
        "Tap on the brightest part to set the exposure, or turn the lamp away.",
    )


DARK_EVERY, DARK_SHARE, DARK_MOST = 16, 95.0, 60
"""All but the brightest twentieth is darker than this of 255 (no source)."""


def is_dark(bgr: NDArray[np.uint8]) -> bool:
    """Return whether hardly anything of a photo (H, W, 3) is bright enough to be told apart."""
    return bool(np.percentile(bgr[::DARK_EVERY, ::DARK_EVERY].max(axis=2), DARK_SHARE) < DARK_MOST)
