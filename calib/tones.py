"""What colours lie on both sides of a followed rim, and how even they are.

A shadow, even a hard one, only scales the light that the bench returns; shading and grain scale
the wood's. So on each scan line the bench is one direction in colour space, and noise, which
grows with the light, is much the same once the light is divided by its local brightness. What
noise is left (weave, grain, sensor) is mostly lightness too: the channels are turned and scaled
until it is alike in all three, so that what differs in hue counts for what it is worth
(generalised least squares, [JCGM100] H.3 for weighting by covariance).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Tones", "tones_along"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

BRIGHT_REACH, COLOUR_REACH = 6, 2
"""Scan lines on each side over which brightness and noise, and colours, are averaged."""
DARKEST = 0.06
"""Noise grows with the light, linear, above about this; below it the sensor's own is left."""
NOISE_LEAST, NOISE_SHARE = 1e-6, 0.01
"""Least variance of each channel's noise, and least share of the three channels' together."""


@dataclass(frozen=True, slots=True)
class Tones:
    """Colours and noise along n scan lines of m samples.

    Attributes
    ----------
    weight : (n, m) by which samples are scaled until their noise is alike.
    even : (n, 3, 3) by which colours are turned until it is alike in all channels.
    piece, bench : (n, 3) unit colours of what lies inside and outside, so turned.
    """

    weight: FloatArray
    even: FloatArray
    piece: FloatArray
    bench: FloatArray

    def at(self, index: NDArray[np.int64] | slice) -> Tones:
        """Return the tones of chosen lines."""
        return Tones(self.weight[index], self.even[index], self.piece[index], self.bench[index])

    def evened(self, lines: Float32Array) -> Float32Array:
        """Return the lines (n, m, 3) scaled and turned until their noise is alike."""
        turned = np.einsum("nmi,nji->nmj", lines, self.even, optimize=True)
        return np.asarray(turned * self.weight[:, :, None], dtype=np.float32)


def tones_along(lines: Float32Array, offsets_px: FloatArray, aside_px: float) -> Tones:
    """Return the tones of scan lines in order round a closed outline.

    Parameters
    ----------
    lines : (n, m, 3) linear light, n at least 1.
    offsets_px : (m,) positions of the samples, outward positive, the rim near 0.
    aside_px : samples farther than this from the middle lie surely on one side.
    """
    light = lines.astype(np.float64)
    bright = np.maximum(_calm(light.mean(axis=2), BRIGHT_REACH), 0.0)
    edged = np.pad(bright, ((0, 0), (1, 1)), mode="edge")
    weight = 1.0 / (0.25 * edged[:, :-2] + 0.5 * bright + 0.25 * edged[:, 2:] + DARKEST)
    scaled = light * weight[:, :, None]
    # Second differences are blind to shading and to a soft shadow; white noise makes them sqrt 6.
    rough = scaled[:, :-2] - 2.0 * scaled[:, 1:-1] + scaled[:, 2:]
    rough = rough[:, np.abs(offsets_px[1:-1]) > aside_px]
    noise = _calm(np.einsum("nki,nkj->nij", rough, rough) / (6.0 * rough.shape[1]), BRIGHT_REACH)
    total = np.trace(noise, axis1=1, axis2=2)
    noise = noise + (NOISE_LEAST + NOISE_SHARE * total)[:, None, None] * np.eye(3)
    size, turn = np.linalg.eigh(noise)
    even = np.einsum("nik,nk,njk->nij", turn, 1.0 / np.sqrt(size), turn)
    calm = _calm(light, COLOUR_REACH)
    inside, outside = offsets_px < -aside_px, offsets_px > aside_px
    piece = np.einsum("ni,nji->nj", calm[:, inside].mean(axis=1), even)
    bench = np.einsum("ni,nji->nj", calm[:, outside].mean(axis=1), even)
    return Tones(weight, even, _unit(piece), _unit(bench))


def _calm(values: FloatArray, reach: int) -> FloatArray:
    """Return the running mean over 2 reach + 1 lines of a closed outline, of any further shape."""
    n = len(values)
    around = values[np.arange(-reach, n + reach) % n]
    total = np.cumsum(np.concatenate([np.zeros_like(around[:1]), around]), axis=0)
    return np.asarray((total[2 * reach + 1 :] - total[: -2 * reach - 1]) / (2 * reach + 1))


def _unit(colours: FloatArray) -> FloatArray:
    length = np.linalg.norm(colours, axis=1, keepdims=True)
    # Black has no hue: any will do.
    return np.asarray(np.where(length > 1e-9, colours / np.maximum(length, 1e-9), 3.0**-0.5))
