"""Solid wood and turned steel as textures, painted on a piece's own surface."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_images.rendering.noise import solid_noise

__all__ = ["WOODS", "Species", "wood_colour"]

FloatArray = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Species:
    """How a wood looks under a clear finish; colours are linear RGB albedos.

    Attributes
    ----------
    early, late : colour of early and late wood.
    ring_mm : distance of the growth rings.
    pores : strength of the dark pore streaks.
    fleck : strength of the small ray flecks.
    """

    early: tuple[float, float, float]
    late: tuple[float, float, float]
    ring_mm: float
    pores: float
    fleck: float


WOODS: dict[str, Species] = {
    "beech": Species((0.56, 0.37, 0.22), (0.43, 0.26, 0.14), 3.2, 0.10, 0.45),
    "maple": Species((0.68, 0.53, 0.36), (0.56, 0.40, 0.25), 4.0, 0.05, 0.15),
    "cherry": Species((0.42, 0.20, 0.10), (0.32, 0.135, 0.06), 3.0, 0.15, 0.20),
    "teak": Species((0.34, 0.18, 0.08), (0.20, 0.095, 0.04), 2.8, 0.45, 0.0),
    "walnut": Species((0.125, 0.066, 0.036), (0.062, 0.030, 0.016), 3.4, 0.40, 0.0),
    "ebony": Species((0.030, 0.024, 0.021), (0.018, 0.015, 0.013), 4.0, 0.15, 0.0),
}
"""Woods by name."""

LAMINATED = {"laminated": ("maple", "walnut"), "laminated dark": ("cherry", "ebony")}
"""Two-tone pieces glued up from two woods."""


def wood_colour(kind: str, points: FloatArray, seed: int) -> FloatArray:
    """Return linear RGB albedos, (..., 3), of a wood at points of the piece frame, (..., 3), mm.

    Raises
    ------
    ValueError
        No such wood.
    """
    if kind in LAMINATED:
        rng = np.random.default_rng(seed)
        turn = rng.uniform(0.0, np.pi)
        across = points[..., 0] * np.cos(turn) + points[..., 1] * np.sin(turn)
        stripe = np.floor(across / rng.uniform(9.0, 16.0) + rng.uniform())
        first, second = LAMINATED[kind]
        pale = wood_colour(first, points, seed + 1)
        dark = wood_colour(second, points + np.float32(17.0), seed + 2)
        return np.where((np.mod(stripe, 2.0) == 0.0)[..., None], pale, dark)
    if kind not in WOODS:
        raise ValueError(f"got wood {kind!r}, need one of {sorted(WOODS) + sorted(LAMINATED)}")
    return _species_colour(WOODS[kind], np.asarray(points, dtype=np.float32), seed)


def _species_colour(wood: Species, p: FloatArray, seed: int) -> FloatArray:
    rng = np.random.default_rng(seed)
    pith = rng.uniform(8.0, 45.0)
    turn = rng.uniform(0.0, 2.0 * np.pi)
    lean = rng.uniform(-0.05, 0.05, 2)
    x = p[..., 0] - pith * np.cos(turn) - lean[0] * p[..., 2]
    y = p[..., 1] - pith * np.sin(turn) - lean[1] * p[..., 2]
    wander = solid_noise(p, (26.0, 26.0, 85.0), seed + 11) * 3.2
    wander += solid_noise(p, (7.0, 7.0, 40.0), seed + 12) * 0.7
    ring = (np.hypot(x, y) + wander) / wood.ring_mm
    part = ring - np.floor(ring)
    # Late wood builds up slowly and ends sharply at the year's end.
    late = np.clip(part, 0.0, 1.0) ** 2.5 * np.clip((1.0 - part) / 0.08, 0.0, 1.0)
    late *= 0.75 + 0.6 * solid_noise(
        np.floor(ring)[..., None] + np.zeros(3, np.float32), (1.7,) * 3, seed
    )
    fibre = solid_noise(p, (0.35, 0.35, 9.0), seed + 13)
    streak = solid_noise(p, (2.5, 2.5, 60.0), seed + 14)
    colour = np.asarray(wood.early) + late[..., None] * (np.asarray(wood.late) - wood.early)
    shade = 1.0 + 0.14 * fibre + 0.16 * streak
    if wood.pores:
        pore = np.clip(solid_noise(p, (0.45, 0.45, 3.5), seed + 15) - 0.42, 0.0, 0.3) / 0.3
        shade -= wood.pores * pore
    if wood.fleck:
        ray = np.clip(solid_noise(p, (0.5, 0.9, 1.6), seed + 16) - 0.45, 0.0, 0.25) / 0.25
        shade -= 0.35 * wood.fleck * ray
    return np.asarray(np.clip(colour * shade[..., None], 0.005, 0.95), dtype=np.float32)
