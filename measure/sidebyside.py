"""Profiles of one piece from several photos, brought to the same places along the axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.profile import GRID_MM, Profile

__all__ = ["SideBySide", "joined", "side_by_side"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

STEEP = 1.0
"""|dr/dz| from which a place is judged by the first photo alone: a shift of 0.1 mm along the axis
would look like an oval."""
NEAR_STEEP_MM = 0.6
SIDE_MM = 1e-6


@dataclass(frozen=True, slots=True)
class SideBySide:
    """What m photos saw at the n rows that any of them shows; mm.

    Attributes
    ----------
    z_mm : (n,). `diameter_mm`, `u95_mm`, `common_mm`, `step_mm` : (m, n), 0 where a photo shows
        nothing.
    shown : (m, n) whether the photo shows the place.
    steep : (n,) at or near a shoulder or steep place in any of them.
    """

    z_mm: FloatArray
    diameter_mm: FloatArray
    u95_mm: FloatArray
    common_mm: FloatArray
    step_mm: FloatArray
    shown: BoolArray
    steep: BoolArray

    @property
    def by_all(self) -> BoolArray:
        """Rows, (n,), that every photo shows, clear of steep places: there photos compare."""
        return np.asarray(self.shown.all(axis=0) & ~self.steep)

    def lead(self, values: FloatArray) -> FloatArray:
        """Return of (m, n) values those of the first photo that shows the row, (n,)."""
        first = np.argmax(self.shown, axis=0)
        return np.asarray(values[first, np.arange(len(self.z_mm))])


def side_by_side(profiles: Sequence[Profile], offsets_mm: Sequence[float]) -> SideBySide:
    """Return the profiles at the rows of the first, and at grid places that only others show.

    Parameters
    ----------
    profiles : m of them.
    offsets_mm : z of the first's = z of this one's + offset; 0 for the first.

    Raises
    ------
    ValueError
        If counts differ, or the photos have no row in common.
    """
    if len(profiles) != len(offsets_mm) or not profiles:
        raise ValueError(f"got {len(profiles)} profiles and {len(offsets_mm)} offsets")
    z = _with_others(profiles, offsets_mm)
    side = _sides(z)
    tables, shown, steep = [], [], np.zeros(len(z), dtype=bool)
    for profile, offset in zip(profiles, offsets_mm, strict=True):
        table, seen = _at(profile, z - offset, side)
        tables.append(table)
        shown.append(seen)
        steep |= _near_steep(profile, z - offset)
    some = np.any(shown, axis=0)
    if not np.any(np.all(shown, axis=0)):
        raise ValueError("the photos show no place in common")
    d, u, c, q = (np.stack([table[k][some] for table in tables]) for k in range(4))
    return SideBySide(z[some], d, u, c, q, np.stack(shown)[:, some], steep[some])


def joined(rows: SideBySide) -> Profile:
    """Return one profile, of a piece that was not moved between the photos.

    Places are averaged with weights; what all rows of a photo share is taken to be shared by the
    photos as well (one phone, one card), so that it does not shrink. At steep places the first
    photo that shows them counts alone.
    """
    local2 = np.maximum(rows.u95_mm**2 - rows.common_mm**2, 0.0)
    weight = rows.shown / (local2 + 1e-6)
    first = np.arange(len(weight))[:, None] == np.argmax(rows.shown, axis=0)
    weight = np.where(rows.steep & ~first, 0.0, weight)
    weight = weight / weight.sum(axis=0)
    common = (weight * rows.common_mm).sum(axis=0)
    u95 = np.sqrt((weight**2 * local2).sum(axis=0) + common**2)
    d = (weight * rows.diameter_mm).sum(axis=0)
    return Profile(rows.z_mm, d, u95, common, rows.lead(rows.step_mm))


def _with_others(profiles: Sequence[Profile], offsets_mm: Sequence[float]) -> FloatArray:
    """Return the rows of the first, and grid places outside its pieces up to where others reach."""
    first = profiles[0]
    low = min(float(p.z_mm[0]) + o for p, o in zip(profiles, offsets_mm, strict=True))
    high = max(float(p.z_mm[-1]) + o for p, o in zip(profiles, offsets_mm, strict=True))
    # z = 0 is the first photo's end: others reach beyond it by their error only.
    steps = np.arange(max(int(np.ceil(low / GRID_MM)), 0), int(np.floor(high / GRID_MM)) + 1)
    grid = GRID_MM * steps
    known = np.zeros(len(grid), dtype=bool)
    for piece in first.pieces():
        known |= (grid > first.z_mm[piece][0] - 1e-6) & (grid < first.z_mm[piece][-1] + 1e-6)
    return np.asarray(np.sort(np.concatenate([first.z_mm, grid[~known]]), kind="stable"))


def _sides(z: FloatArray) -> FloatArray:
    """Return -1 and 1 for the two rows of a shoulder, 0 for others, (n,)."""
    side = np.zeros(len(z))
    pairs = np.flatnonzero(np.diff(z) == 0.0)
    side[pairs], side[pairs + 1] = -1.0, 1.0
    return side


def _at(profile: Profile, z: FloatArray, side: FloatArray) -> tuple[list[FloatArray], BoolArray]:
    """Return diameter, u95, its common part and step at z, and which places the profile shows."""
    step = profile.u95_step_mm
    columns = (
        profile.diameter_mm,
        profile.u95_mm,
        profile.u95_common_mm,
        np.zeros(len(profile.z_mm)) if step is None else step,
    )
    out = [np.zeros(len(z)) for _ in columns]
    seen = np.zeros(len(z), dtype=bool)
    want = z + SIDE_MM * side
    for piece in profile.pieces():
        own = profile.z_mm[piece] + SIDE_MM * 0.5 * _sides(profile.z_mm[piece])
        inside = (want >= own[0] - SIDE_MM * 2.0) & (want <= own[-1] + SIDE_MM * 2.0)
        for column, values in zip(out, columns, strict=True):
            column[inside] = np.interp(want[inside], own, values[piece])
        seen |= inside
    return out, seen


def _near_steep(profile: Profile, z: FloatArray) -> BoolArray:
    step, rise = np.diff(profile.z_mm), 0.5 * np.abs(np.diff(profile.diameter_mm))
    bad = np.flatnonzero(rise > STEEP * step)
    near = np.zeros(len(z), dtype=bool)
    for k in bad:
        low, high = profile.z_mm[k] - NEAR_STEEP_MM, profile.z_mm[k + 1] + NEAR_STEEP_MM
        near |= (z >= low) & (z <= high)
    return near
