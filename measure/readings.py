"""The fewest caliper readings that settle what is too close to call."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from measure.caliper import CALIPER_SD_MM, error_covariance, observe
from measure.judge import UNSURE, Deviations, verdicts
from measure.profile import GRID_MM

__all__ = ["BY_EACH", "BY_LIMIT", "BY_PLACE", "BY_PLAN", "Advice", "Reading", "advise", "row_mm"]

FloatArray = NDArray[np.float64]

BY_LIMIT, BY_PLAN, BY_PLACE, BY_EACH = "limit", "plan", "place", "each"
"""Why calipers would settle little: it lies as near to the limit as calipers are sure; the plan's
own uncertainty; where on the plan a slope lies; or every place would need a reading of its own."""
_MOST_READINGS = 4
_APART_MM = 10.0
"""Nearer than this a second reading says little that the first did not."""
_WHOLE_MM = 0.13
_JAW_MM = 1.5
"""Half the width of the flat that calipers want."""
_FLAT = 0.15
"""Slope up to which calipers seat well: 1 mm along changes the diameter by 0.3 mm at most."""
_LEAST_GAIN = 0.05
"""A further reading must settle this part of what is open."""
_DRAWS = 200
_CAUTIOUS = 0.2


@dataclass(frozen=True, slots=True)
class Reading:
    """One place to put the calipers; mm.

    Attributes
    ----------
    z_mm : along the plan. `piece_z_mm` : along the piece, as `--known` wants it.
    diameter_mm : what the photo says there, `u95_mm` how well.
    plan_diameter_mm : planned there; `least_mm`, `most_mm` : its limits.
    """

    z_mm: float
    piece_z_mm: float
    diameter_mm: float
    u95_mm: float
    plan_diameter_mm: float
    least_mm: float
    most_mm: float


@dataclass(frozen=True, slots=True)
class Advice:
    """Readings in order of worth, and what they do for the rows that are too close to call.

    Attributes
    ----------
    readings : none if nothing is open, or if calipers would settle too little of it.
    open_mm : length of the piece that is too close to call.
    settles_mm : at least this much of it is settled in four cases of five.
    likely_mm : settled on average.
    why_none : what leaves most of it open where there are no readings, see `BY_LIMIT` and its
        like; None where there are some, or nothing is open.
    """

    readings: tuple[Reading, ...]
    open_mm: float
    settles_mm: float
    likely_mm: float
    why_none: str | None = None


def advise(
    rows: Deviations,
    caliper_sd_mm: float = CALIPER_SD_MM,
    known_mm: tuple[float, ...] = (),
) -> Advice:
    """Choose greedily: each reading is that which settles most, the earlier ones given.

    A reading narrows the error that all rows share and the errors of its neighbours; the plan's
    own uncertainty and the placement's stay. How many rows settle depends on what the calipers
    say, which is drawn from what the photo leaves open. Where readings were taken already, at
    `known_mm` along the piece, none is asked for again.
    """
    open_mm = float(np.sum(row_mm(rows)[rows.verdict == UNSURE]))
    if open_mm == 0.0:
        return Advice((), 0.0, 0.0, 0.0)
    rows = _thinned(rows)
    unsure = rows.verdict == UNSURE
    spacing = row_mm(rows)
    candidates = _candidates(rows)
    for z in known_mm:
        candidates = candidates[np.abs(rows.piece_z_mm[candidates] - z) >= _APART_MM]
    if len(candidates) == 0:
        return Advice((), open_mm, 0.0, 0.0, _why_none(rows))
    covariance = error_covariance(
        rows.piece_z_mm, rows.own_u95_mm, rows.own_common_mm, rows.own_directions
    )
    start = np.diag(covariance).copy()
    # The reading is of a place, which the photo knows as well as it knows where z = 0 lies.
    sd = np.hypot(caliper_sd_mm, rows.place_u95_mm / 1.96)
    rest = np.maximum(rows.u95_mm**2 / 1.96**2 - start, 0.0)
    chosen: list[int] = []
    steps: list[FloatArray] = []
    reached = 0.0
    while len(chosen) < _MOST_READINGS:
        worth = _worth(rows, unsure, spacing, covariance, start, rest, candidates, sd[candidates])
        taken = (
            np.abs(rows.z_mm[candidates][:, None] - rows.z_mm[np.array(chosen, dtype=int)][None, :])
            < _APART_MM
        )
        worth[np.any(taken, axis=1)] = 0.0
        best = int(np.argmax(worth))
        if worth[best] - reached < max(_LEAST_GAIN * open_mm, 0.5):
            break
        row = int(candidates[best])
        reached = float(worth[best])
        chosen.append(row)
        spread = float(np.sqrt(covariance[row, row] + sd[row] ** 2))
        covariance, gain = observe(covariance, row, float(sd[row]))
        steps.append(gain * spread)
    if not chosen:
        return Advice((), open_mm, 0.0, 0.0, _why_none(rows))
    settled = _drawn(rows, unsure, spacing, np.diag(covariance) + rest, np.array(steps))
    return Advice(
        tuple(_reading(rows, row) for row in chosen),
        open_mm,
        float(np.quantile(settled, _CAUTIOUS)),
        float(np.mean(settled)),
    )


def _why_none(rows: Deviations) -> str:
    """Return what leaves open most of the length that is too close to call."""
    unsure = rows.verdict == UNSURE
    to_limit = np.minimum(
        np.abs(rows.proud_mm - rows.deviation_mm), np.abs(rows.shy_mm + rows.deviation_mm)
    )
    # What is left were the piece itself known exactly: its plan, and its place on it.
    rest = np.sqrt(np.maximum(rows.u95_mm**2 - rows.own_u95_mm**2, 0.0))
    near = to_limit <= 1.96 * CALIPER_SD_MM
    planned = rows.plan_u95_mm**2 > 0.5 * rest**2
    weight = row_mm(rows)
    shares = {
        BY_LIMIT: near,
        BY_PLAN: ~near & (rest >= to_limit) & planned,
        BY_PLACE: ~near & (rest >= to_limit) & ~planned,
        BY_EACH: ~near & (rest < to_limit),
    }
    return max(shares, key=lambda reason: float(np.sum(weight[shares[reason] & unsure])))


def _thinned(rows: Deviations) -> Deviations:
    """Return every other row, and those at whole millimetres: as good, in a quarter of the time."""
    keep = np.abs(rows.piece_z_mm - np.round(rows.piece_z_mm)) < _WHOLE_MM
    keep[::2] = True
    return rows.at(keep)


def row_mm(rows: Deviations) -> FloatArray:
    """Return the length of piece that each row stands for, mm; half a gap counts 0.125 at most."""
    half = (
        np.minimum(np.diff(rows.z_mm, prepend=rows.z_mm[:1], append=rows.z_mm[-1:]), GRID_MM) / 2.0
    )
    return np.asarray(half[:-1] + half[1:])


def _candidates(rows: Deviations) -> NDArray[np.int64]:
    """Return rows where calipers seat well: whole millimetres in the middle of a flat."""
    thick = ~rows.normal & (rows.diameter_mm > 2.0)
    whole = np.abs(rows.piece_z_mm - np.round(rows.piece_z_mm)) < _WHOLE_MM
    flat = thick & (rows.slope <= _FLAT)
    wide = flat & _unbroken(rows.z_mm, flat)
    for choice in (wide, flat, thick):
        found = np.nonzero(choice & whole)[0]
        if len(found):
            return np.asarray(found)
    return np.nonzero(thick)[0]


def _unbroken(z: FloatArray, flat: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return whether all rows within a jaw's width, and rows on both sides of it, are flat."""
    rough = z[~flat]
    near = np.searchsorted(rough, z - _JAW_MM) != np.searchsorted(rough, z + _JAW_MM)
    inside = (z - z[0] >= _JAW_MM) & (z[-1] - z >= _JAW_MM)
    return np.asarray(~near & inside)


def _worth(
    rows: Deviations,
    unsure: NDArray[np.bool_],
    spacing: FloatArray,
    covariance: FloatArray,
    start: FloatArray,
    rest: FloatArray,
    candidates: NDArray[np.int64],
    sd_mm: FloatArray,
) -> FloatArray:
    """Return the length, mm, expected to be settled once each candidate is read as well, (k,)."""
    columns = covariance[:, candidates][unsure]
    spread2 = covariance[candidates, candidates] + sd_mm**2
    after = np.maximum(np.diag(covariance)[unsure][:, None] - columns**2 / spread2, 0.0)
    shift = np.sqrt(np.maximum(start[unsure][:, None] - after, 1e-12))
    guard = 1.96 * np.sqrt(after + rest[unsure][:, None])
    d = rows.deviation_mm[unsure][:, None]
    proud, shy = rows.proud_mm[unsure][:, None], rows.shy_mm[unsure][:, None]
    inside = ndtr((proud - guard - d) / shift) - ndtr((-shy + guard - d) / shift)
    above = ndtr((d - proud - guard) / shift)
    below = ndtr((-shy - guard - d) / shift)
    chance = np.maximum(inside, 0.0) + above + below
    return np.asarray(spacing[unsure] @ chance)


def _drawn(
    rows: Deviations,
    unsure: NDArray[np.bool_],
    spacing: FloatArray,
    variance: FloatArray,
    steps: FloatArray,
) -> FloatArray:
    """Return the length settled in each of many draws of what the calipers may say, mm."""
    # A fixed seed: the same photo must give the same advice.
    draws = np.random.default_rng(20240229).standard_normal((_DRAWS, len(steps)))
    d = rows.deviation_mm[unsure][None, :] + draws @ steps[:, unsure]
    guard = 1.96 * np.sqrt(np.maximum(variance[unsure], 0.0))[None, :]
    verdict = verdicts(d, guard, rows.proud_mm[unsure][None, :], rows.shy_mm[unsure][None, :])
    return np.asarray((verdict != UNSURE) @ spacing[unsure])


def _reading(rows: Deviations, row: int) -> Reading:
    planned = float(rows.plan_diameter_mm[row])
    return Reading(
        z_mm=float(rows.z_mm[row]),
        piece_z_mm=float(rows.piece_z_mm[row]),
        diameter_mm=float(rows.diameter_mm[row]),
        u95_mm=float(rows.u95_mm[row]),
        plan_diameter_mm=planned,
        least_mm=planned - float(rows.shy_mm[row]),
        most_mm=planned + float(rows.proud_mm[row]),
    )
