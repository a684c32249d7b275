"""From two sides of an outline to a profile: rows, square shoulders, uncertainties, gaps."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.pinholes import closed_by_the_other, pinholes
from measure.profile import GRID_MM, LONGEST_BRIDGE_MM, Profile
from measure.sides import SideCurve, jitter
from measure.stepdoubt import steps_within
from measure.touching import TouchedRows, rows_touched_by_both

__all__ = ["Assembled", "Missing", "Shoulder", "assemble", "find_shoulders", "rows_to"]

FloatArray = NDArray[np.float64]

STEP_MM = 0.45
"""Least rise of r that is looked at as a square shoulder."""
STEEP = 4.0
LOCAL_FLOOR_PX = 0.10
"""What a rim is off locally beside its noise: grain, shading that changes along the piece."""
DISAGREE_MM = 1.2
STEP_SDS = 1.645
"""Within so many standard deviations of z of a step, a row may be of its other side: beyond it,
one in twenty lies."""
EDGE_BREAK_MM = 0.3
"""Edges are broken by so much with a touch of abrasive (common practice, no source): too little to
be seen, and the diameter right at an end is that much less on each side."""
SLIVER_MM = 1.5
SHORT_MM = 0.8
JITTER_REACH = 8
ONE_SEEN_SHARE = (0.4, 0.8)
"""One side is not followed where less of it is seen than the first, and is where more than the
second."""
ONE_SIDED_MM, ONE_SIDED_SHARE, BESIDE_MM = 3.0, 0.5, 4.0
"""A crank, a knob or a flat is so long at least, over such a share of which both sides are seen;
how far beside it the piece says what it would be without."""


@dataclass(frozen=True, slots=True)
class Shoulder:
    """A square step of one side or of both: z, and r on the side nearer to z = 0 and beyond."""

    z_mm: float
    before_mm: float
    after_mm: float
    half_width_mm: float


@dataclass(frozen=True, slots=True)
class Missing:
    """A stretch that is missing from a profile, mm.

    Attributes
    ----------
    one_sided_mm : both sides were seen, and one is prouder than what lies beside the stretch by
        so much, or shyer if negative; None where it is the seeing that lacks.
    one_side_seen : whether one side alone was followed all along it.
    """

    z_from_mm: float
    z_to_mm: float
    one_sided_mm: float | None = None
    one_side_seen: bool = False


@dataclass(frozen=True, slots=True)
class Assembled:
    """The profile and the stretches that are missing from it."""

    profile: Profile
    missing: tuple[Missing, ...]


def find_shoulders(curve: SideCurve, corner_mm: float) -> list[Shoulder]:
    """Return the square steps of one side.

    Parameters
    ----------
    corner_mm : how far blur reaches from a corner; values are taken beyond it.
    """
    z, r = curve.z_mm, curve.r_mm
    found: list[Shoulder] = []
    i, n = 0, len(z)
    while i < n - 1:
        j = i
        while j < n - 1 and _steep(z, r, i, j + 1):
            j += 1
        if j > i and abs(r[j] - r[i]) >= STEP_MM:
            before = _beyond(z, r, z[i] - corner_mm, -1)
            after = _beyond(z, r, z[j] + corner_mm, 1)
            if before is not None and after is not None and abs(after - before) > 0.6 * STEP_MM:
                middle = 0.5 * (r[i] + r[j])
                k = i + int(np.argmin(np.abs(r[i : j + 1] - middle)))
                lo, hi = max(i, k - 3), min(j, k + 3) + 1
                z_step = float(np.median(z[lo:hi]))
                found.append(Shoulder(z_step, before, after, 0.5 * (z[j] - z[i]) + corner_mm))
            i = j
        else:
            i += 1
    return found


def _steep(z: FloatArray, r: FloatArray, i: int, j: int) -> bool:
    rise, run = r[j] - r[j - 1], z[j] - z[j - 1]
    whole = r[j] - r[i]
    steep = abs(rise) > STEEP * run and (whole == 0.0 or rise * whole > 0)
    return bool(steep and z[j] - z[i] < 0.6)


def _beyond(z: FloatArray, r: FloatArray, at: float, way: int) -> float | None:
    away = way * (z - at)
    near = (away >= 0.0) & (away < 0.8)
    if near.sum() < 2:
        near = (away >= -0.1) & (away < 1.2)
    if near.sum() < 2:
        return None
    zz, rr = z[near], r[near]
    if np.ptp(zz) > 0.3 and len(zz) >= 4:
        slope, level = np.polyfit(zz - at, rr, 1)
        if abs(slope) < 1.0:
            return float(level)
    return float(np.median(rr))


def _joined(a: list[Shoulder], b: list[Shoulder]) -> list[Shoulder]:
    """Return the shoulders that both sides show, as their mean."""
    joined = []
    for one in a:
        mates = [s for s in b if abs(s.z_mm - one.z_mm) < 0.8]
        mates = [s for s in mates if (s.after_mm > s.before_mm) == (one.after_mm > one.before_mm)]
        if mates:
            mate = min(mates, key=lambda s: abs(s.z_mm - one.z_mm))
            joined.append(
                Shoulder(
                    0.5 * (one.z_mm + mate.z_mm),
                    0.5 * (one.before_mm + mate.before_mm),
                    0.5 * (one.after_mm + mate.after_mm),
                    max(one.half_width_mm, mate.half_width_mm),
                )
            )
    return joined


def _interp(curve: SideCurve, values: FloatArray, at: FloatArray, bridge: float) -> FloatArray:
    """Interpolate per-point values at z, NaN across holes wider than `bridge` and off the ends."""
    z = curve.z_mm + 1e-9 * np.arange(len(curve.z_mm))
    result = np.interp(at, z, values)
    k = np.clip(np.searchsorted(z, at), 1, len(z) - 1)
    # Points in between that were not clear are a groove, a splinter, a shadow: not bridged.
    apart, skipped = z[k] - z[k - 1], np.abs(curve.index[k] - curve.index[k - 1])
    hole = (apart > bridge) | (skipped > np.where(apart < SHORT_MM, 4, 2))
    outside = (at < z[0] - 0.5 * bridge) | (at > z[-1] + 0.5 * bridge)
    return np.where(hole | outside, np.nan, result)


def _smooth(curve: SideCurve, scale_mm: float) -> tuple[FloatArray, FloatArray]:
    """Return r evened out as far as it jitters, and the standard deviation that is left, (n,).

    Straight lines are fitted over more points the more the points scatter about each other;
    never across a shoulder.
    """
    r, z = curve.r_mm, curve.z_mm
    n = len(r)
    if n < 16:
        return r, np.full(n, 0.3 * scale_mm)
    scatter = jitter(r, JITTER_REACH)
    smooth, left = r.copy(), scatter / 1.5
    for reach, least in ((1, 0.0), (3, 0.25), (6, 0.6)):
        window = np.clip(np.arange(n)[:, None] + np.arange(-reach, reach + 1), 0, n - 1)
        rw, zw = r[window], z[window]
        even = np.ptp(rw, axis=1) < np.maximum(0.25, 6.0 * scatter)
        zc = zw - zw.mean(axis=1, keepdims=True)
        spread = np.maximum(np.sum(zc * zc, axis=1), 1e-9)
        slope = np.sum(zc * (rw - rw.mean(axis=1, keepdims=True)), axis=1) / spread
        line = rw.mean(axis=1) + slope * (z - zw.mean(axis=1))
        use = even & (scatter >= least * scale_mm) & (np.abs(slope) < 2.0)
        smooth = np.where(use, line, smooth)
        left = np.where(use, scatter / math.sqrt(2 * reach + 1), left)
    return smooth, left


def rows_to(last_mm: float) -> FloatArray:
    """Return the places (n,) of the rows of a piece that ends at `last_mm`."""
    return np.arange(0.0, last_mm + 1e-9, GRID_MM)


def assemble(
    curves: tuple[SideCurve, SideCurve],
    sd_mm: tuple[FloatArray, FloatArray],
    common: tuple[FloatArray, FloatArray],
    scale_mm: float,
    inflate: float,
    z_sd_mm: float,
    last_mm: float,
    stretch_sd: float = 0.0,
    touched: tuple[TouchedRows, TouchedRows] | None = None,
) -> Assembled:
    """Make the profile.

    Parameters
    ----------
    curves : both sides with z counted from the start end.
    sd_mm : per point of each side, standard deviation of r from its own noise.
    common : per point of each side, (n, p) change of r at fixed z for one standard deviation of
        each of p independent unknowns.
    scale_mm : of a pixel at the piece.
    inflate : how much more the sides scatter than stated, at least 1.
    z_sd_mm : standard deviation of the origin of z.
    last_mm : where the piece ends; rows beyond are not made.
    stretch_sd : standard deviation of z by its scale, a share of z.
    touched : of both sides, for rows where the curves show nothing.
    """
    spacing = 3.0 * scale_mm
    bridge = max(LONGEST_BRIDGE_MM, 2.5 * spacing)
    rows = rows_to(last_mm)
    evened = [_smooth(c, scale_mm) for c in curves]
    r = np.stack([_interp(c, e[0], rows, bridge) for c, e in zip(curves, evened, strict=True)])
    # What the points scatter is as good a witness of their noise as what each one states.
    own = [np.maximum(e[1], 0.4 * s) for e, s in zip(evened, sd_mm, strict=True)]
    noise = np.stack([_interp(c, s, rows, bridge) for c, s in zip(curves, own, strict=True)])
    filled = np.zeros_like(r, dtype=bool)
    if touched is not None:
        filled = np.isnan(r) & rows_touched_by_both(touched)
        r = np.where(filled, np.stack([t.r_mm for t in touched]), r)
        noise = np.where(filled, np.stack([t.sd_mm for t in touched]), noise)
    holes = pinholes(r)
    r, noise = closed_by_the_other(r, noise, holes)
    shared = _shared(curves, common, rows, bridge, holes | filled)

    shoulders = _joined(*[find_shoulders(c, 2.0 * scale_mm) for c in curves])
    for step in shoulders:
        near = np.abs(rows - step.z_mm) < max(step.half_width_mm, 0.3)
        for side in range(2):
            low, high = near & (rows < step.z_mm), near & (rows >= step.z_mm)
            r[side, low], r[side, high] = step.before_mm, step.after_mm
            noise[side, near] = np.where(
                np.isnan(noise[side, near]), scale_mm * 0.3, noise[side, near]
            )
    gap = r[0] - r[1]
    local = np.sqrt(np.sum(noise**2 + (LOCAL_FLOOR_PX * scale_mm) ** 2, axis=0)) * max(inflate, 1.0)
    diameter = r[0] + r[1]
    slope = np.gradient(diameter, GRID_MM) if len(rows) > 1 else np.zeros_like(diameter)
    slope = np.nan_to_num(np.clip(slope, -4.0, 4.0))
    beyond = np.maximum(np.abs(gap) - 2.0 * local, 0.0)
    variance = local**2 + beyond**2
    seen = np.isfinite(diameter) & np.isfinite(shared)
    known = seen & (np.abs(gap) < DISAGREE_MM) & (beyond < 6.0 * local)
    known = _without_slivers(_without_brinks(known))
    total = np.hypot(1.96 * np.sqrt(variance + shared**2), _edge_break(rows, last_mm))
    reach = STEP_SDS * np.hypot(z_sd_mm, stretch_sd * rows)
    steps = steps_within(np.where(known, diameter, np.nan), reach, GRID_MM)
    steps = np.maximum(steps, 1.96 * np.abs(slope) * z_sd_mm)
    table = [rows[known], diameter[known], total[known], 1.96 * shared[known], steps[known]]
    profile = _with_shoulders(table, shoulders)
    missing = [
        Missing(a, b, _one_sided(rows, r, seen & ~known, (a, b)), _one_seen(rows, r, (a, b)))
        for a, b in _missing(profile, last_mm)
    ]
    return Assembled(profile, tuple(missing))


def _edge_break(rows: FloatArray, last_mm: float) -> FloatArray:
    """Return the doubt (n,) of a diameter so near an end that a broken edge may be there."""
    inside = np.minimum(rows, last_mm - rows)
    return np.asarray(2.0 * EDGE_BREAK_MM * np.clip(1.0 - inside / EDGE_BREAK_MM, 0.0, 1.0))


def _one_seen(rows: FloatArray, r: FloatArray, stretch: tuple[float, float]) -> bool:
    """Return whether one side (2, n) was followed in a stretch, and the other one was not."""
    inside = (rows > stretch[0]) & (rows < stretch[1])
    if stretch[1] - stretch[0] < ONE_SIDED_MM or not inside.any():
        return False
    share = np.sort(np.isfinite(r[:, inside]).mean(axis=1))
    return bool(share[1] > ONE_SEEN_SHARE[1] and share[0] < ONE_SEEN_SHARE[0])


def _one_sided(
    rows: FloatArray, r: FloatArray, differ: NDArray[np.bool_], stretch: tuple[float, float]
) -> float | None:
    """Return by how much one side stands proud in a stretch where both are seen and differ.

    Parameters
    ----------
    rows : (n,) places. `r` : (2, n) radii of both sides there, NaN where not seen.
    differ : (n,) rows that were seen and left out, since the sides differ.
    stretch : from and to; a profile lies on both sides of it.
    """
    inside = (rows > stretch[0]) & (rows < stretch[1])
    length = stretch[1] - stretch[0]
    if length < ONE_SIDED_MM or np.mean(differ[inside]) < ONE_SIDED_SHARE:
        return None
    beside = np.isfinite(r).all(axis=0) & ~inside & (np.abs(r[0] - r[1]) < DISAGREE_MM)
    beside &= (rows > stretch[0] - BESIDE_MM) & (rows < stretch[1] + BESIDE_MM)
    before, after = beside & (rows <= stretch[0]), beside & (rows >= stretch[1])
    if not before.any() or not after.any():
        return None
    usual = np.interp(rows[inside], rows[beside], r[:, beside].mean(axis=0))
    off = np.nanmedian(r[:, inside] - usual, axis=1)
    most = int(np.argmax(np.abs(off)))
    # The other side goes on as if nothing were there: else it is a shoulder seen askew.
    alone = abs(off[most]) > DISAGREE_MM and abs(off[1 - most]) < 0.3 * abs(off[most])
    return float(off[most]) if alone else None


def _without_brinks(known: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which rows to keep: a row beside a hidden stretch is half hidden itself."""
    padded = np.concatenate([[True, True], known, [True, True]])
    hidden = ~padded[1:-1] & (~padded[2:] | ~padded[:-2])
    beside = hidden[2:] | hidden[:-2]
    return np.asarray(known & ~beside)


def _without_slivers(known: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which rows to keep: runs shorter than `SLIVER_MM` between gaps tell nothing."""
    kept = known.copy()
    edges = np.flatnonzero(np.diff(np.concatenate([[0], known.astype(int), [0]])))
    for start, stop in edges.reshape(-1, 2):
        if (stop - start) * GRID_MM < SLIVER_MM:
            kept[start:stop] = False
    return kept


def _shared(
    curves: tuple[SideCurve, SideCurve],
    common: tuple[FloatArray, FloatArray],
    rows: FloatArray,
    bridge: float,
    holes: NDArray[np.bool_],
) -> FloatArray:
    """Return the shared standard deviation of the diameter per row.

    What is shared changes slowly along the piece: it goes straight on across holes, (2, n).
    """
    total = np.zeros(len(rows))
    for p in range(common[0].shape[1]):
        change = np.zeros(len(rows))
        for c, d, hole in zip(curves, common, holes, strict=True):
            own = _interp(c, d[:, p], rows, bridge)
            own[hole] = np.interp(rows[hole], c.z_mm, d[:, p])
            change += own
        total += change**2
    return np.sqrt(total)


def _with_shoulders(table: list[FloatArray], shoulders: list[Shoulder]) -> Profile:
    z, d, u, c, q = table
    for step in shoulders:
        at = int(np.searchsorted(z, step.z_mm))
        if at == 0 or at >= len(z):
            continue
        if z[at] - z[at - 1] > 2 * GRID_MM + LONGEST_BRIDGE_MM:
            continue
        pair = np.array([step.z_mm, step.z_mm])
        # A grid row that falls on the shoulder itself would make three rows of one z.
        keep = np.abs(z - step.z_mm) > 1e-6
        z, d, u, c, q = z[keep], d[keep], u[keep], c[keep], q[keep]
        at = int(np.searchsorted(z, step.z_mm))
        z = np.insert(z, at, pair)
        d = np.insert(d, at, [2 * step.before_mm, 2 * step.after_mm])
        u = np.insert(u, at, [u[max(at - 1, 0)], u[min(at, len(u) - 1)]])
        c = np.insert(c, at, [c[max(at - 1, 0)], c[min(at, len(c) - 1)]])
        q = np.insert(q, at, [q[max(at - 1, 0)], q[min(at, len(q) - 1)]])
    return Profile(z, d, u, c, q)


def _missing(profile: Profile, last_mm: float) -> tuple[tuple[float, float], ...]:
    z = np.concatenate([[0.0], profile.z_mm, [last_mm]])
    wide = np.flatnonzero(np.diff(z) > LONGEST_BRIDGE_MM + 1e-9)
    return tuple((float(z[k]), float(z[k + 1])) for k in wide)
