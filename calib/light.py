"""Linear light: what fell on the sensor, from the sRGB values that a photo stores.

Edges are placed in linear light. In the encoded values the middle of a blurred edge moves
into the darker side by up to half the blur's width.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["LUMINANCE_BGR", "encoded", "linear", "linear_values", "luminance"]

Float32Array = NDArray[np.float32]
FloatArray = NDArray[np.float64]

LUMINANCE_BGR = (0.0722, 0.7152, 0.2126)
"""Weights of linear blue, green and red in luminance [BT.709], the primaries of sRGB."""


def linear_values(values: NDArray[np.generic]) -> FloatArray:
    """Return linear light, 0 to 1, of sRGB values on the scale of 0 to 255, of any shape.

    Meant for single values (the level of a card's face, a threshold). To sample a picture
    between pixels, make the pixels linear first and interpolate afterwards.

    References
    ----------
    [IEC61966-2-1], 5.2: the encoding's inverse.
    """
    v = np.asarray(values, dtype=np.float64) / 255.0
    curve = np.power(np.maximum(v + 0.055, 0.0) / 1.055, 2.4)
    return np.where(v <= 0.04045, v / 12.92, curve)


def encoded(light: NDArray[np.generic]) -> FloatArray:
    """Return sRGB values on the scale of 0 to 255, not rounded, of linear light 0 to 1.

    References
    ----------
    [IEC61966-2-1], 5.2.
    """
    lin = np.asarray(light, dtype=np.float64)
    curve = 1.055 * np.power(np.maximum(lin, 0.0031308), 1.0 / 2.4) - 0.055
    return 255.0 * np.where(lin <= 0.0031308, 12.92 * lin, curve)


_TABLE: Float32Array = linear_values(np.arange(256)).astype(np.float32)


def linear(values: NDArray[np.uint8]) -> Float32Array:
    """Return linear light, 0 to 1, of 8-bit sRGB values: a crop or a list, of any shape.

    Raises
    ------
    ValueError
        If the values are not 8-bit.
    """
    values = np.asarray(values)
    if values.dtype != np.uint8:
        raise ValueError(f"values are {values.dtype}, need uint8")
    if values.ndim in (2, 3) and values.shape[-1] in (1, 3) and values.size > 4096:
        # A third of the time of indexing, which matters for whole crops.
        light = cv2.LUT(np.ascontiguousarray(values), _TABLE)
        return np.asarray(light, dtype=np.float32).reshape(values.shape)
    return np.asarray(_TABLE[values])


def luminance(linear_bgr: NDArray[np.floating]) -> Float32Array:
    """Return the luminance, shape (...), of linear BGR values, shape (..., 3)."""
    light = np.asarray(linear_bgr, dtype=np.float32)
    if light.shape[-1:] != (3,):
        raise ValueError(f"linear_bgr has shape {light.shape}, need (..., 3)")
    return np.asarray(light @ np.array(LUMINANCE_BGR, dtype=np.float32))
