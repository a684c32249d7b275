"""How much of a step of colour there is at each place of scan lines, and paths across them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.vectors import sum_of_planes

__all__ = ["SUPPORT", "bench_beyond", "calm", "colour_of", "steps_of", "turn_cost", "widened"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

SUPPORT = 3
"""Samples on each side of a place that make its step."""
WINDOW = (0, SUPPORT, SUPPORT + 1, 2 * SUPPORT + 1)
"""Where the samples before a place begin and end, and those after it."""
FLOOR = 2.0
"""A step in colour, hundredths of the range from black to white, that is lost in the noise."""
COLOUR_WEIGHTS = (0.6, 2.0, 2.0)
"""Lightness counts less than hue: a shadow changes it alone."""
TURN, MOST_TURN = 0.12, 1.2
"""What a path loses when it turns by one place from line to line, and at most."""
BENCH_REACH, BENCH_SPREAD = 12, 6.0
"""Lines over which the bench's colour is averaged, and how far off it is bench no more."""
SHADOW_LIGHT, STRANGE = 0.4, 0.6
"""Weight of lightness there, and what a place counts beyond which there is none of the bench."""


def colour_of(lines: Float32Array) -> Float32Array:
    """Return lightness and two differences of hue, hundredths, of linear light (n, m, 3)."""
    tone = 100.0 * np.cbrt(np.maximum(lines, 0.0))
    b, g, r = tone[..., 0], tone[..., 1], tone[..., 2]
    light, red, yellow = COLOUR_WEIGHTS
    planes = [light * (b + g + r) / 3.0, red * 0.5 * (r - g), yellow * 0.5 * (0.5 * (r + g) - b)]
    return np.stack(planes, axis=-1).astype(np.float32)


def steps_of(colour: Float32Array) -> FloatArray:
    """Return how much of a step there is at each place, 0 to 1, (n, places)."""
    m = colour.shape[1] - 2 * SUPPORT
    planes = np.ascontiguousarray(colour.transpose(2, 1, 0))  # (3, samples, n)
    total, square = _running_sum(planes), _running_sum(planes * planes)
    before, place, after, last = (slice(k, k + m) for k in WINDOW)
    inner = (total[:, place] - total[:, before]) / SUPPORT
    outer = (total[:, last] - total[:, after]) / SUPPORT
    spread = (square[:, place] - square[:, before]) / SUPPORT - inner**2
    spread += (square[:, last] - square[:, after]) / SUPPORT - outer**2
    size = np.sum((outer - inner) ** 2, axis=0)
    left = np.sum(np.maximum(spread, 0.0), axis=0)
    step = size / (size + left + FLOOR**2)
    return np.ascontiguousarray(step.T, dtype=np.float64)


def _running_sum(planes: Float32Array) -> Float32Array:
    """Return the sums (3, m + 1, n) over the samples (3, m, n) before each place.

    The same as numpy.cumsum, which goes along each line by itself.
    """
    total = np.zeros((planes.shape[0], planes.shape[1] + 1, planes.shape[2]), dtype=np.float32)
    for k in range(planes.shape[1]):
        np.add(total[:, k], planes[:, k], out=total[:, k + 1])
    return total


def bench_beyond(colour: Float32Array) -> FloatArray:
    """Return by how much what lies beyond each place is like the bench, `STRANGE` to 1.

    Beyond a rim there is bench, perhaps in shadow; beyond a lamination or the edge of a highlight
    there is more of the piece.
    """
    edge = colour[:, -2 * SUPPORT :].mean(axis=1).astype(np.float64)
    bench = calm(edge, BENCH_REACH)
    off = colour - bench[:, None, :]
    off[..., 0] *= SHADOW_LIGHT
    square = sum_of_planes(off**2)
    total = np.cumsum(np.concatenate([np.zeros((len(colour), 1)), square], axis=1), axis=1)
    m = colour.shape[1] - 2 * SUPPORT
    _, _, after, last = (slice(k, k + m) for k in WINDOW)
    beyond = (total[:, last] - total[:, after]) / SUPPORT
    return np.asarray(STRANGE + (1.0 - STRANGE) / (1.0 + beyond / BENCH_SPREAD**2))


def widened(values: FloatArray, reach: int) -> FloatArray:
    """Return the largest step (n, places) within a reach, a little less for those further off."""
    wide = values.copy()
    for k in range(1, reach + 1):
        less = 1.0 - 0.03 * k
        np.maximum(wide[:, k:], less * values[:, :-k], out=wide[:, k:])
        np.maximum(wide[:, :-k], less * values[:, k:], out=wide[:, :-k])
    return wide


def calm(steps: FloatArray, reach: int = 3) -> FloatArray:
    """Return the steps averaged along the outline: a rim goes on, grain and weave do not."""
    padded = np.pad(steps, ((reach, reach), (0, 0)), mode="edge")
    total = np.cumsum(np.concatenate([np.zeros((1, steps.shape[1])), padded]), axis=0)
    return np.asarray((total[2 * reach + 1 :] - total[: -2 * reach - 1]) / (2 * reach + 1))


def turn_cost(places: int) -> FloatArray:
    """Return what a path loses between any two places of neighbouring lines, (places, places)."""
    index = np.arange(places)
    return np.asarray(np.minimum(TURN * np.abs(index[:, None] - index), MOST_TURN))
