"""A pepper mill body as plan, and copies of it with planted errors and drawn noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.measured import Measured
from measure.plan import Plan
from measure.planmaking import checked_plan
from measure.profile import GRID_MM, Profile

FloatArray = NDArray[np.float64]

LENGTH = 180.0
_SHOULDERS = ((12.0, 56.0, 50.0), (150.0, 47.0, 40.0))


def mill_diameter(z: FloatArray, bead_shift: float = 0.0) -> FloatArray:
    """Foot, shoulder, long cove, bead at 90 of 5 mm height, swell, tenon; after each shoulder."""
    z = np.asarray(z, dtype=np.float64)
    body = 42.0 + 8.0 * np.cos((z - 12.0) / 78.0 * np.pi) ** 2
    upper = 44.0 + 6.0 * np.sin((z - 96.0) / 54.0 * np.pi)
    d = np.where(z < 12.0, 56.0, np.where(z < 90.0, body, upper))
    d = np.where(z >= 150.0, 40.0, d)
    t = np.clip(np.abs(z - 90.0 - bead_shift) / 7.0, 0.0, 1.0)
    bead = 45.0 + 10.0 * np.sqrt(np.maximum(1.0 - t**2, 0.0))
    return np.where((t < 1.0) & (bead > d), bead, d)


def rows_with_shoulders(shape, length: float = LENGTH) -> tuple[FloatArray, FloatArray]:
    """Sample on the grid, two rows at each shoulder, as profile.csv has them."""
    z = np.arange(0.0, length + 1e-9, GRID_MM)
    for at, _, _ in _SHOULDERS:
        if at < length:
            z = np.sort(np.append(z, at))
    d = shape(z)
    for at, _, _ in _SHOULDERS:
        where = np.nonzero(z == at)[0]
        if len(where) == 2:
            d[where[0]] = shape(np.array([at - 1e-7]))[0]
    return z, d


def mill_plan(shape=mill_diameter, length: float = LENGTH) -> Plan:
    z, d = rows_with_shoulders(shape, length)
    return checked_plan("mill", z, d)


def bump(z: FloatArray, centre: float, width: float, size: float) -> FloatArray:
    """A flat-topped error with 1 mm ramps; `width` at half height."""
    inside = (width / 2.0 + 0.5 - np.abs(z - centre)) / 1.0
    return size * np.clip(inside, 0.0, 1.0)


@dataclass(frozen=True)
class Noise:
    """Standard uncertainties: of the scale, relative; of a row on its own, mm."""

    scale: float = 0.0006
    local: float = 0.03
    correlation_mm: float = 1.0


def measured_copy(
    z: FloatArray, d: FloatArray, noise: Noise, rng: np.random.Generator | None
) -> Measured:
    """The rows as a photo would give them: one scale error for all, local errors per row."""
    common = 1.96 * noise.scale * d
    u95 = np.hypot(common, 1.96 * noise.local)
    if rng is not None:
        scale = 1.0 + noise.scale * rng.standard_normal()
        local = correlated(z, noise, rng)
        d = d * scale + local
        z = z * scale
    length = float(z[-1])
    # A trace writes rows on the grid; the shoulders keep their own z.
    profile = Profile(z, d, u95, common)
    return Measured("copy", profile, length, float(np.hypot(1.96 * noise.scale * length, 0.1)))


def correlated(z: FloatArray, noise: Noise, rng: np.random.Generator) -> FloatArray:
    steps = np.diff(z, prepend=z[0])
    keep = np.exp(-steps / noise.correlation_mm)
    e = np.empty_like(z)
    e[0] = rng.standard_normal()
    fresh = rng.standard_normal(len(z))
    for i in range(1, len(z)):
        e[i] = keep[i] * e[i - 1] + np.sqrt(1.0 - keep[i] ** 2) * fresh[i]
    return e * noise.local


def flipped(piece: Measured) -> Measured:
    p = piece.profile
    far = piece.far_mm
    back = Profile(far - p.z_mm[::-1], p.diameter_mm[::-1], p.u95_mm[::-1], p.u95_common_mm[::-1])
    return Measured(piece.name, back, piece.length_mm, piece.length_u95_mm)
