"""How a traced profile is judged against the truth, and photos against the accuracy table.

Every row of the profile counts, as it would be written to profile.csv: by the error of the
diameter where the true slope |dr/dz| is below 1, elsewhere by twice the distance square to the
true meridian [ISO1101]. Errors within one photo share scale, focal length and height, so that
the photo is the unit wherever a spread is given.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.profile import GRID_MM, Profile

__all__ = [
    "Judged",
    "Length",
    "Pool",
    "Seen",
    "bootstrap_share",
    "distances_to",
    "in_truth",
    "judged",
    "pooled",
    "seen",
    "true_slopes",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

STEEP = 1.0
STEEP_WITHIN_MM = GRID_MM
"""A row this near to a steep place is judged square to it: a shoulder a hair off is not a
diameter that is wrong by the whole step. Misplaced by more, it is a miss by either measure."""
RESAMPLES = 4000
SEED = 7


@dataclass(frozen=True, slots=True)
class Judged:
    """Rows of one photo's profile against the truth; arrays of shape (n,), mm.

    Attributes
    ----------
    z_mm : from end A. `error_mm` : traced minus true, on the diameter, or twice the distance.
    u95_mm : what the tool states. `steep` : judged square to the meridian.
    """

    z_mm: FloatArray
    error_mm: FloatArray
    u95_mm: FloatArray
    steep: BoolArray

    @property
    def inside(self) -> BoolArray:
        return np.abs(self.error_mm) <= self.u95_mm

    @property
    def far_outside(self) -> BoolArray:
        return np.abs(self.error_mm) > 2.0 * self.u95_mm

    @property
    def rms_normalised(self) -> float:
        """Return the rms of error over standard uncertainty."""
        return float(np.sqrt(np.mean((1.96 * self.error_mm / self.u95_mm) ** 2)))

    def flat_rows(self) -> Judged:
        """Return the rows that are judged by diameter."""
        keep = ~self.steep
        return Judged(self.z_mm[keep], self.error_mm[keep], self.u95_mm[keep], self.steep[keep])


@dataclass(frozen=True, slots=True)
class Seen:
    """How much of the axis was reported, mm."""

    visible_mm: float
    reported_mm: float
    beyond_mm: float

    @property
    def share(self) -> float:
        return self.reported_mm / self.visible_mm if self.visible_mm > 0.0 else 1.0


@dataclass(frozen=True, slots=True)
class Length:
    """Length against the truth, mm; None where the tool gives none."""

    true_mm: float
    error_mm: float | None
    u95_mm: float | None

    @property
    def limit_mm(self) -> float:
        """Return how far off it may be."""
        return max(0.3, 0.0015 * self.true_mm)

    @property
    def within(self) -> bool:
        return self.error_mm is not None and abs(self.error_mm) <= self.limit_mm


@dataclass(frozen=True, slots=True)
class Pool:
    """Absolute errors of the rows of several photos; a refused photo's are infinite, (n,) mm."""

    errors_mm: FloatArray

    def quantile(self, share: float) -> float:
        """Return the error that `share` of the rows do not exceed; inf if it is not reached."""
        if len(self.errors_mm) == 0:
            return math.nan
        # No interpolation: between a number and infinity there is nothing.
        return float(np.quantile(self.errors_mm, share, method="higher"))

    def share_within(self, limit_mm: float) -> float:
        return float(np.mean(self.errors_mm <= limit_mm)) if len(self.errors_mm) else math.nan


def pooled(photos: Sequence[Judged], refused_visible_mm: Sequence[float]) -> Pool:
    """Return the rows of all photos; a refused one counts with what it should have given."""
    errors = [np.abs(photo.error_mm) for photo in photos]
    errors += [np.full(round(mm / GRID_MM), np.inf) for mm in refused_visible_mm]
    return Pool(np.concatenate(errors) if errors else np.empty(0))


def in_truth(profile: Profile, z_zero_mm: float, backward: bool) -> Profile:
    """Return a profile with z counted from end A.

    Parameters
    ----------
    z_zero_mm : where its own z = 0 is, from end A.
    backward : whether it counts toward end A.
    """
    profile = profile.at_its_z()
    if not backward:
        return Profile(
            profile.z_mm + z_zero_mm, profile.diameter_mm, profile.u95_mm, profile.u95_common_mm
        )
    return Profile(
        z_zero_mm - profile.z_mm[::-1],
        profile.diameter_mm[::-1],
        profile.u95_mm[::-1],
        profile.u95_common_mm[::-1],
    )


def judged(profile: Profile, meridian: FloatArray) -> Judged:
    """Judge a profile, z from end A, against the true meridian, (n, 2) of (z, r)."""
    z, diameter = profile.z_mm, profile.diameter_mm
    difference = diameter - 2.0 * np.interp(z, meridian[:, 0], meridian[:, 1])
    # Beyond the true ends there is no diameter to compare with.
    steep = true_slopes(meridian, z) >= STEEP
    steep |= (z < meridian[0, 0]) | (z > meridian[-1, 0])
    square = 2.0 * distances_to(meridian, np.column_stack([z, diameter / 2.0]))
    # Square to the curve a row is never farther off than along the radius.
    error = np.where(steep, np.copysign(square, difference), difference)
    return Judged(z, error, profile.u95_mm, steep)


def true_slopes(meridian: FloatArray, z: FloatArray) -> FloatArray:
    """Return the largest |dr/dz| of the meridian within `STEEP_WITHIN_MM` of each z; inf at
    shoulders and flat ends."""
    step = np.diff(meridian, axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.where(step[:, 0] > 0.0, np.abs(step[:, 1]) / step[:, 0], np.inf)
    slope[np.all(step == 0.0, axis=1)] = 0.0
    low, high = meridian[:-1, 0], meridian[1:, 0]
    # An end face is a shoulder down to the axis.
    ends = meridian[[0, -1]]
    ends = ends[ends[:, 1] > 0.0, 0]
    slope = np.concatenate([slope, np.full(len(ends), np.inf)])
    low, high = np.concatenate([low, ends]), np.concatenate([high, ends])
    near = (low <= z[:, None] + STEEP_WITHIN_MM) & (high >= z[:, None] - STEEP_WITHIN_MM)
    return np.asarray(np.where(near, slope, 0.0).max(axis=1))


def distances_to(meridian: FloatArray, points: FloatArray) -> FloatArray:
    """Return distances, (n,), of points (z, r) to the meridian with its end faces, mm."""
    closed = np.concatenate([[[meridian[0, 0], 0.0]], meridian, [[meridian[-1, 0], 0.0]]])
    start, step = closed[:-1], np.diff(closed, axis=0)
    squared = np.sum(step**2, axis=1)
    offset = points[:, None] - start
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(squared > 0.0, np.sum(offset * step, axis=2) / squared, 0.0)
    foot = np.clip(t, 0.0, 1.0)[..., None] * step
    return np.asarray(np.sqrt(np.sum((offset - foot) ** 2, axis=2)).min(axis=1))


def seen(profile: Profile, visible: Sequence[tuple[float, float]]) -> Seen:
    """Return how much of the visible axis a profile, z from end A, covers, and how much more.

    A row stands for half a grid step to both sides.
    """
    half = GRID_MM / 2.0
    runs = [
        (float(profile.z_mm[run][0]) - half, float(profile.z_mm[run][-1]) + half)
        for run in profile.pieces()
    ]
    both = sum(max(0.0, min(b, d) - max(a, c)) for a, b in runs for c, d in visible)
    span = sum(b - a - 2.0 * half for a, b in runs)
    wide = [(a - half, b + half) for a, b in visible]
    covered = sum(max(0.0, min(b - half, d) - max(a + half, c)) for a, b in runs for c, d in wide)
    return Seen(sum(b - a for a, b in visible), both, max(0.0, span - covered))


def bootstrap_share(
    inside: Sequence[BoolArray], confidence: float = 0.95
) -> tuple[float, float, float]:
    """Return the share of rows inside and its interval, photos drawn again as wholes.

    References
    ----------
    [DavisonHinkley1997] section 2.4 (percentiles) and 3.8 (clusters).
    """
    if not inside:
        return math.nan, math.nan, math.nan
    hits = np.array([np.count_nonzero(rows) for rows in inside], dtype=np.float64)
    counts = np.array([len(rows) for rows in inside], dtype=np.float64)
    drawn = np.random.default_rng(SEED).integers(0, len(hits), (RESAMPLES, len(hits)))
    shares = hits[drawn].sum(axis=1) / counts[drawn].sum(axis=1)
    tail = (1.0 - confidence) / 2.0
    low, high = np.quantile(shares, [tail, 1.0 - tail])
    return float(hits.sum() / counts.sum()), float(low), float(high)
