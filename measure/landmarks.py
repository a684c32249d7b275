"""The places of a profile that a turner looks at: crests, hollows and shoulders."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from measure.profile import GRID_MM, Profile, too_vague

__all__ = [
    "CREST",
    "END",
    "HOLLOW",
    "OR_LESS",
    "SHOULDER",
    "Landmark",
    "landmarks",
    "row_slopes",
    "steep_rows",
    "told_apart",
]

FloatArray = NDArray[np.float64]

OR_LESS = "or less"
"""What is said beside the diameter of a narrow hollow."""
CREST, HOLLOW, SHOULDER, END = "crest", "hollow", "shoulder", "end"

LEAST_MM = 0.6
"""A rise on the diameter that is worth a label: what a caliper and an eye make out on a bead."""
STEEP = 1.0
"""Slope |dr/dz| above which a diameter is ill defined."""
EDGE_MM = 0.3
"""A row of the grid this near to a shoulder belongs to it."""
NARROW_MM, FINE_MM, HARDLY_MORE = 3.4, 0.25, 1.6
"""A hollow that stands out by the second over so little of the axis, and by hardly more over twice
as much, is a cut: of 82 such hollows 44 were deeper than their ± allows, of 31 others 2 were, and
by little (rendered photos)."""
HALF_CHORD_MM = 0.5
"""The slope is that of the chord over this much to both sides, since rows carry noise."""


@dataclass(frozen=True, slots=True)
class Landmark:
    """A place worth a label, mm.

    Attributes
    ----------
    kind : `CREST` (the top of a bead or a swell), `HOLLOW` (the bottom of a cove or a neck),
        `SHOULDER`, or `END` (where the measured part begins or ends).
    z_mm, diameter_mm, u95_mm : where, how thick, and how sure; of a shoulder the larger side.
    other_mm : the smaller diameter of a shoulder; None otherwise.
    prominence_mm : how far it stands out from what is beside it, on the diameter; infinite
        for an end.
    narrow : whether a hollow is so narrow that its bottom may lie deeper than what is seen.
    vague : whether the diameter is too unsure to be of use.
    """

    kind: str
    z_mm: float
    diameter_mm: float
    u95_mm: float
    other_mm: float | None
    prominence_mm: float
    narrow: bool = False
    vague: bool = False


ALIKE_WITHIN_MM = 10.0
"""Two sizes so near to each other that their marks would stand side by side."""


def told_apart(
    marks: Iterable[Landmark], z_mm: float, diameter_mm: float, u95_mm: float
) -> list[Landmark]:
    """Return the marks without an end so near to a place and so like it that it says the same."""
    return [
        mark
        for mark in marks
        if mark.kind != END
        or mark.z_mm == z_mm
        or abs(mark.z_mm - z_mm) > ALIKE_WITHIN_MM
        or abs(mark.diameter_mm - diameter_mm) > float(np.hypot(mark.u95_mm, u95_mm))
    ]


def landmarks(profile: Profile, least_mm: float = LEAST_MM) -> tuple[Landmark, ...]:
    """Return ends, crests, hollows and shoulders in order along the axis.

    A crest, hollow or shoulder counts if it stands out by `least_mm` on the diameter and by
    twice the part of `u95_mm` that rows do not share. Where the diameter is steep, as at the
    tip of a dome, nothing is said.
    """
    own = np.sqrt(np.maximum(profile.u95_mm**2 - profile.u95_common_mm**2, 0.0))
    least = np.maximum(least_mm, 2.0 * own)
    found: list[Landmark] = []
    for piece in profile.pieces():
        shoulders = _shoulders(profile, piece, least)
        taken = [mark.z_mm for mark in shoulders]
        found += shoulders
        found += [
            mark
            for mark in _turns(profile, piece, least)
            # What turns at a shoulder's edge is the shoulder.
            if all(abs(mark.z_mm - z) > EDGE_MM for z in taken)
        ]
    return tuple(sorted(found, key=lambda mark: mark.z_mm))


def _shoulders(profile: Profile, piece: slice, least: FloatArray) -> list[Landmark]:
    z, d = profile.z_mm[piece], profile.diameter_mm[piece]
    found = []
    for index in np.nonzero(np.diff(z) == 0.0)[0].tolist():
        step = float(abs(d[index + 1] - d[index]))
        row = piece.start + index + int(d[index + 1] > d[index])
        if step >= least[row]:
            smaller = float(min(d[index], d[index + 1]))
            found.append(_landmark(profile, row, SHOULDER, smaller, step))
    return found


def _turns(profile: Profile, piece: slice, least: FloatArray) -> list[Landmark]:
    d = profile.diameter_mm[piece]
    steep = steep_rows(profile)
    cut = _narrow_rows(profile.z_mm[piece], d)
    found = []
    for kind, heights in ((CREST, d), (HOLLOW, -d)):
        for index, prominence in _peaks(heights):
            row = piece.start + index
            if prominence >= least[row] and not steep[row]:
                mark = _landmark(profile, row, kind, None, prominence)
                found.append(replace(mark, narrow=kind == HOLLOW and bool(cut[index])))
    for row in (0, len(profile.z_mm) - 1):
        if piece.start <= row < piece.stop and not steep[row]:
            found.append(_landmark(profile, row, END, None, np.inf))
    return found


def _narrow_rows(z_mm: FloatArray, diameter_mm: FloatArray) -> NDArray[np.bool_]:
    """Return which rows, (n,) of one run, lie in a cut too narrow to see its bottom."""
    places = np.arange(z_mm[0], z_mm[-1] + GRID_MM / 2.0, GRID_MM)
    d = np.interp(places, z_mm, diameter_mm)

    def filled(width_mm: float) -> FloatArray:
        size = round(width_mm / GRID_MM) + 1
        # A bar rests on the highest of what it covers; past the ends of the run there is nothing.
        # scipy.ndimage closes too, but costs a quarter of a second to import.
        rests = sliding_window_view(np.pad(d, size - 1), size).max(axis=1)
        return np.asarray(sliding_window_view(rests, size).min(axis=1) - d)

    depth, more = filled(NARROW_MM), filled(2.0 * NARROW_MM)
    cut = (depth > FINE_MM) & (more < HARDLY_MORE * depth)
    return cut[np.clip(np.searchsorted(places, z_mm - GRID_MM / 2.0), 0, len(places) - 1)]


def steep_rows(profile: Profile) -> NDArray[np.bool_]:
    """Return which rows, (n,), have a slope |dr/dz| above `STEEP`, shoulders not counted."""
    return np.asarray(row_slopes(profile) > STEEP)


def row_slopes(profile: Profile) -> FloatArray:
    """Return the slope |dr/dz| of each row, (n,); 0 for one that stands alone.

    The slope is that of the chord from half a millimetre before to half a millimetre after,
    inside the run between shoulders and gaps.
    """
    slopes = np.zeros(len(profile.z_mm))
    for piece in profile.pieces():
        z, r = profile.z_mm[piece], profile.diameter_mm[piece] / 2.0
        cuts = [0, *(np.nonzero(np.diff(z) == 0.0)[0] + 1).tolist(), len(z)]
        for a, b in pairwise(cuts):
            if b - a < 2:
                continue
            low = np.maximum(z[a:b] - HALF_CHORD_MM, z[a])
            high = np.minimum(z[a:b] + HALF_CHORD_MM, z[b - 1])
            rise = np.interp(high, z[a:b], r[a:b]) - np.interp(low, z[a:b], r[a:b])
            slopes[piece.start + a : piece.start + b] = np.abs(rise) / (high - low)
    return slopes


def _peaks(heights: FloatArray) -> list[tuple[int, float]]:
    """Return (index, prominence) of the local maxima of (n,) heights, plateaus at their middle.

    The prominence is the height over the higher of two low points, one to each side, each the
    lowest before higher ground or the end. What reaches to an end is no peak.
    """
    edges = np.nonzero(np.diff(heights))[0] + 1
    starts = np.concatenate([[0], edges])
    ends = np.concatenate([edges, [len(heights)]]) - 1
    level = heights[starts]
    padded = np.concatenate([[-np.inf], level, [-np.inf]])
    tops = np.nonzero((padded[1:-1] > padded[:-2]) & (padded[1:-1] > padded[2:]))[0]
    peaks = []
    for top in tops.tolist():
        lows = []
        for side in (level[:top][::-1], level[top + 1 :]):
            higher = np.nonzero(side > level[top])[0]
            ground = side[: higher[0]] if len(higher) else side
            if len(ground):
                lows.append(float(ground.min()))
        if len(lows) == 2:
            middle = int((starts[top] + ends[top]) // 2)
            peaks.append((middle, float(level[top]) - max(lows)))
    return peaks


def _landmark(
    profile: Profile, row: int, kind: str, other: float | None, prominence: float
) -> Landmark:
    return Landmark(
        kind=kind,
        z_mm=float(profile.z_mm[row]),
        diameter_mm=float(profile.diameter_mm[row]),
        u95_mm=float(profile.u95_mm[row]),
        other_mm=other,
        prominence_mm=prominence,
        vague=bool(too_vague(profile.diameter_mm, profile.u95_mm)[row]),
    )
