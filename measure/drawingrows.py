"""Rows of a drawn profile: its sides brought together, shoulders kept as two rows at one z."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from measure.drawingside import Side, radius_at
from measure.profile import GRID_MM

__all__ = ["STEEPEST", "Joined", "Rows", "join_sides", "rows_of"]

FloatArray = NDArray[np.float64]

MATCH_MM = 1.2
"""Shoulders of the two sides that lie this near to each other are one."""
CALM_MM = 0.8
BRIDGE_MM = 2.0
"""A longer stretch without a line is left out."""
DIAMETER_PLACE_SD_MM = 0.05
STEEPEST = 3.0
"""Steeper places are judged square to the outline, where their error of z counts once."""


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows along the axis, drawn size, z from the start end, mm; (n,) each.

    Attributes
    ----------
    z_mm : on the grid, and twice at shoulders.
    radii_mm : (n, s) of each of the s sides.
    sd_mm : standard uncertainty of a radius, of what sides and rows do not share.
    slope : (n,) |dr/dz|.
    calm : (n,) clear of shoulders and slopes, where the two sides can be held together.
    missing : stretches (from, to) where no line was found.
    length_mm, length_sd_mm : from end to end.
    """

    z_mm: FloatArray
    radii_mm: FloatArray
    sd_mm: FloatArray
    slope: FloatArray
    calm: NDArray[np.bool_]
    missing: tuple[tuple[float, float], ...]
    length_mm: float
    length_sd_mm: float


@dataclass(frozen=True, slots=True)
class Joined:
    """Ends and shoulders that all sides have; (k,) each, mm.

    Attributes
    ----------
    at_mm : mean places. `own_mm` : for each side its own: what stands between moves with them.
    sd_mm : standard uncertainty. `slant_mm` : how far each goes along the axis.
    sides : with that slant in place of their own.
    """

    at_mm: FloatArray
    own_mm: list[FloatArray]
    sd_mm: FloatArray
    slant_mm: FloatArray
    sides: tuple[Side, ...]


def join_sides(sides: tuple[Side, ...]) -> Joined:
    """Return the ends and shoulders of one or two sides, brought together."""
    first = sides[0]
    if len(sides) == 1:
        at = first.shoulders_mm
        return Joined(at, [at], first.sd_mm, first.slants_mm, sides)
    other = sides[1]
    pairs = [(0, 0)]
    taken = 0
    for i in range(1, len(first.shoulders_mm) - 1):
        off = np.abs(other.shoulders_mm[1:-1] - first.shoulders_mm[i])
        alike = np.sign(other.rises_mm[1:-1]) == np.sign(first.rises_mm[i])
        off = np.where(alike, off, np.inf)
        if len(off) and off.min() < MATCH_MM and int(off.argmin()) + 1 > taken:
            taken = int(off.argmin()) + 1
            pairs.append((i, taken))
    pairs.append((len(first.shoulders_mm) - 1, len(other.shoulders_mm) - 1))
    a = np.array([first.shoulders_mm[i] for i, _ in pairs])
    b = np.array([other.shoulders_mm[j] for _, j in pairs])
    sd = np.array([np.hypot(first.sd_mm[i], other.sd_mm[j]) / 2.0 for i, j in pairs])
    slant = np.array([0.5 * (first.slants_mm[i] + other.slants_mm[j]) for i, j in pairs])
    each = []
    for side, rows in zip(sides, np.array(pairs).T, strict=True):
        own = side.slants_mm.copy()
        own[rows] = slant
        each.append(replace(side, slants_mm=own))
    return Joined(0.5 * (a + b), [a, b], sd, slant, tuple(each))


def rows_of(sides: tuple[Side, ...], flip: bool, times: float = 1.0) -> Rows:
    """Return the rows.

    Parameters
    ----------
    sides : what was measured, one or two.
    flip : count z from the far end.
    times : true size over drawn size; the grid of the rows is that of the true size.
    """
    joined = join_sides(sides)
    at, sd = joined.at_mm, joined.sd_mm
    length = float(at[-1] - at[0])
    inner = at[1:-1] - at[0]
    if flip:
        inner = length - inner
    # A slanted flank has one diameter at each place.
    shoulders = np.sort(inner[joined.slant_mm[1:-1] == 0.0])
    grid = np.arange(0.0, times * length + 1e-9, GRID_MM) / times
    grid = (
        grid[np.min(np.abs(grid[:, None] - shoulders[None, :]), axis=1) > 1e-3]
        if len(shoulders)
        else grid
    )
    before = np.concatenate([grid, shoulders, shoulders])
    after = np.concatenate([np.zeros(len(grid)), -np.ones(len(shoulders)), np.ones(len(shoulders))])
    order = np.lexsort((after, before))
    z, which = before[order], after[order]
    from_axis = at[-1] - z if flip else at[0] + z
    look = -which if flip else which
    columns = [
        _radii(side, np.interp(from_axis, at, places), look)
        for side, places in zip(joined.sides, joined.own_mm, strict=True)
    ]
    radii = np.stack([c[0] for c in columns], axis=1)
    own_sd = np.sqrt(np.mean([c[1] ** 2 for c in columns], axis=0) / len(sides))
    slope = np.abs(np.gradient(radii.mean(axis=1), np.maximum(z, z + 1e-3 * np.arange(len(z)))))
    own_sd = np.hypot(own_sd, DIAMETER_PLACE_SD_MM * np.minimum(slope, STEEPEST))
    stops = np.concatenate([[0.0], inner, [length]])
    calm = (np.min(np.abs(z[:, None] - stops[None, :]), axis=1) > CALM_MM) & (slope < 1.0)
    seen = np.all([c[2] for c in columns], axis=0)
    missing = _missing(z, seen)
    return Rows(
        z[seen],
        radii[seen],
        own_sd[seen],
        slope[seen],
        calm[seen],
        missing,
        length,
        float(np.hypot(sd[0], sd[-1])),
    )


def _radii(
    side: Side, z: FloatArray, look: FloatArray
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Return radius, its standard uncertainty, and whether a line is there, (n,) each.

    `look` is -1 or 1 for the small-z or large-z side of a shoulder, 0 elsewhere.
    """
    walls = side.shoulders_mm[1:-1]
    # Shoulders only one side has are stretches' borders as well.
    k = np.searchsorted(walls, z + 1e-6 * np.where(look == 0, 1.0, look))
    near = np.abs(walls[None, :] - z[:, None]) < 1e-3 if len(walls) else None
    if near is not None:
        for i, j in zip(*np.nonzero(near), strict=True):
            k[i] = j if look[i] < 0 else j + 1
    r, sd = np.empty(len(z)), np.empty(len(z))
    seen = np.zeros(len(z), dtype=bool)
    for index in np.unique(k):
        mine = k == index
        stretch = side.stretches[index]
        r[mine] = radius_at(stretch, z[mine])
        sd[mine] = stretch.sd_mm
        low, high = side.shoulders_mm[index], side.shoulders_mm[index + 1]
        stops = np.concatenate([[low], stretch.z_mm, [high]])
        # Clear of both corners nothing is measured, and nothing is missing.
        gap = np.diff(stops)
        cell = np.clip(np.searchsorted(stops, z[mine]) - 1, 0, len(gap) - 1)
        seen[mine] = gap[cell] <= BRIDGE_MM
    for j in np.flatnonzero(side.slants_mm[1:-1] > 0.0):
        low, high = walls[j] + 0.5 * side.slants_mm[j + 1] * np.array([-1.0, 1.0])
        inside = (z > low) & (z < high)
        foot = radius_at(side.stretches[j], np.array([low]))[0]
        top = radius_at(side.stretches[j + 1], np.array([high]))[0]
        r[inside] = np.interp(z[inside], [low, high], [foot, top])
    return np.maximum(r, 0.0), sd, seen


def _missing(z: FloatArray, seen: NDArray[np.bool_]) -> tuple[tuple[float, float], ...]:
    edges = np.flatnonzero(np.diff(np.concatenate([[1], seen.astype(int), [1]])))
    return tuple(
        (float(z[max(a - 1, 0)]), float(z[min(b, len(z) - 1)])) for a, b in edges.reshape(-1, 2)
    )
