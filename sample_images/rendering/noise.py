"""Seeded noise that the textures are made of."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

__all__ = ["cloud", "solid_noise"]

FloatArray = NDArray[np.float32]

LATTICE = 64


def solid_noise(points: FloatArray, cell: tuple[float, float, float], seed: int) -> FloatArray:
    """Return smooth noise with mean 0 and sd about 0.35 at points in space.

    Parameters
    ----------
    points : (..., 3), mm.
    cell : size of a lattice cell along x, y, z, mm; repeats after 64 cells.
    """
    lattice = np.random.default_rng(seed).uniform(-1.0, 1.0, (LATTICE,) * 3).astype(np.float32)
    scaled = np.asarray(points, dtype=np.float32) / np.asarray(cell, dtype=np.float32)
    whole = np.floor(scaled)
    part = scaled - whole
    smooth = whole + part * part * (3.0 - 2.0 * part)
    coordinates = np.moveaxis(np.mod(smooth, LATTICE), -1, 0)
    return map_coordinates(lattice, coordinates, order=1, mode="grid-wrap", output=np.float32)


def cloud(shape: tuple[int, int], cell_px: tuple[float, float], seed: int) -> FloatArray:
    """Return smooth noise over a picture, mean 0 and sd about 0.4.

    Parameters
    ----------
    shape : (rows, columns).
    cell_px : size of a lattice cell in (x, y), pixels.
    """
    rows, columns = shape
    small = (int(np.ceil(rows / cell_px[1])) + 3, int(np.ceil(columns / cell_px[0])) + 3)
    lattice = np.random.default_rng(seed).uniform(-1.0, 1.0, small).astype(np.float32)
    size = (int(small[1] * cell_px[0]), int(small[0] * cell_px[1]))
    if cell_px[0] <= 1.0 and cell_px[1] <= 1.0:
        return lattice[:rows, :columns]
    grown = cv2.resize(
        lattice, (max(size[0], columns), max(size[1], rows)), interpolation=cv2.INTER_CUBIC
    )
    return grown[:rows, :columns]
