"""Deviations from the plan, each with its uncertainty and its verdict."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from measure.deviationu95 import deviation_uncertainty, own_uncertainty, plan_uncertainty
from measure.finedetail import bottom_hidden, too_fine
from measure.plan import STEEP, Plan
from measure.profile import LONGEST_BRIDGE_MM, Profile
from measure.register import Placement
from measure.sharederror import directions

__all__ = [
    "DIAMETER",
    "NORMAL",
    "OUTSIDE",
    "UNSURE",
    "WITHIN",
    "Deviations",
    "agreed",
    "judge",
    "verdicts",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
TextArray = NDArray[np.str_]

WITHIN, OUTSIDE, UNSURE = "within", "outside", "unsure"
DIAMETER, NORMAL = "diameter", "normal"

_AGREE_ROWS = 3
"""Rows in a row that must be outside on one side before any of them is called so."""
_ALIKE_MM = 2.0
"""Rows nearer than this err alike (grain, shading): a shorter run is one witness, however many
rows it has."""
_FALSE_ALARMS = 0.05
"""How often a piece without fault may have a place called outside."""
_TOUCH_MM = 1e-9
"""What adding an offset may round away: nearer than this a row stands on a segment's end."""
_FAR_FROM_PLAN_MM = 10.0
"""Rows that are farther off than this are judged by diameter: no shoulder is meant."""


@dataclass(frozen=True, slots=True)
class Deviations:
    """Judged rows in order along the plan; all arrays have shape (n,), mm.

    Attributes
    ----------
    z_mm : along the plan. `piece_z_mm` : the same place along the piece.
    plan_diameter_mm, diameter_mm : planned and measured.
    deviation_mm : positive is proud. Difference of the diameters where `normal` is False; twice
        the distance square to the planned curve where it is True.
    u95_mm : half-width of its 95 % interval; `u95_common_mm` : the part all rows share.
    own_u95_mm, own_common_mm : what the piece's own measuring has in these two, which caliper
        readings of the piece can lessen; `own_directions` : (n, 2) which way the common part errs,
        see `measure.sharederror`. `place_u95_mm` : how far a reading taken there may be
        off because the place along the piece is.
    plan_u95_mm : what the plan has in u95_mm.
    proud_mm, shy_mm : limits, both positive.
    slope : |dr/dz| of the plan there.
    verdict : `WITHIN`, `OUTSIDE` or `UNSURE`.
    """

    z_mm: FloatArray
    piece_z_mm: FloatArray
    plan_diameter_mm: FloatArray
    diameter_mm: FloatArray
    deviation_mm: FloatArray
    u95_mm: FloatArray
    u95_common_mm: FloatArray
    own_u95_mm: FloatArray
    own_common_mm: FloatArray
    own_directions: FloatArray
    plan_u95_mm: FloatArray
    place_u95_mm: FloatArray
    proud_mm: FloatArray
    shy_mm: FloatArray
    slope: FloatArray
    normal: BoolArray
    verdict: TextArray

    def __len__(self) -> int:
        """Return the number of rows."""
        return len(self.z_mm)

    def at(self, index: BoolArray | NDArray[np.int64]) -> Deviations:
        """Return some of the rows, in the order of `index`."""
        return replace(self, **{f.name: getattr(self, f.name)[index] for f in fields(self)})

    @property
    def judged(self) -> TextArray:
        """`DIAMETER` or `NORMAL`, (n,)."""
        return np.where(self.normal, NORMAL, DIAMETER)


def verdicts(
    deviation_mm: FloatArray, u95_mm: FloatArray, proud_mm: FloatArray, shy_mm: FloatArray
) -> TextArray:
    """Return the verdict of each row, by the decision rule of [ISO14253-1], edition 2013.

    Within: the whole 95 % interval lies inside the limits. Outside: all of it lies beyond one of
    them. Otherwise too close to call. The guard band is the full U95 on both sides; the edition
    of 2017 would by default be content with 1.65 standard uncertainties (from memory).

    References
    ----------
    [ISO14253-1]
    """
    d, u = np.asarray(deviation_mm), np.asarray(u95_mm)
    within = (d + u <= proud_mm) & (d - u >= -np.asarray(shy_mm))
    outside = (d - u > proud_mm) | (d + u < -np.asarray(shy_mm))
    return np.asarray(np.where(within, WITHIN, np.where(outside, OUTSIDE, UNSURE)))


def agreed(
    verdict: TextArray,
    deviation_mm: FloatArray,
    z_mm: FloatArray,
    beyond_u95: FloatArray | None = None,
) -> TextArray:
    """Call what may be chance unsure: among many places, some lie beyond their U95.

    A row stays outside if, with its neighbours on the same side, it makes a run of three that is
    longer than rows err alike. A shorter one is a single witness, picked as the worst of as many
    as the piece has lengths of that kind: it must lie farther beyond its limit, as far as keeps
    the false alarms of a whole piece at one in twenty [Bonferroni1936]. In a list of stations
    farther apart than a gap no row has neighbours, and each stands for itself.

    Parameters
    ----------
    verdict, deviation_mm, z_mm : (n,) rows in order along the plan.
    beyond_u95 : (n,) how far beyond its limit each is, in its U95s: more than 1 if outside.

    References
    ----------
    [Bonferroni1936]
    """
    result = np.array(verdict, dtype="U8")
    lonely = len(z_mm) < _AGREE_ROWS or float(np.median(np.diff(z_mm))) > LONGEST_BRIDGE_MM
    need = 1 if lonely else _AGREE_ROWS
    breaks = np.nonzero(np.diff(z_mm) > LONGEST_BRIDGE_MM + 1e-9)[0] + 1
    pieces = np.split(np.arange(len(z_mm)), breaks)
    witnesses = sum(float(np.ptp(z_mm[p])) / _ALIKE_MM + 1.0 for p in pieces if len(p))
    clear = float(-ndtri(_FALSE_ALARMS / 2.0 / max(witnesses, 1.0))) / 1.96
    far = np.full(len(z_mm), np.inf) if beyond_u95 is None else beyond_u95
    for piece in pieces:
        side = np.where(verdict[piece] == OUTSIDE, np.sign(deviation_mm[piece]), 0.0)
        spans = _spans(z_mm[piece], side)
        changes = np.nonzero(np.diff(side) != 0.0)[0] + 1
        for run in np.split(np.arange(len(piece)), changes):
            if not len(run) or side[run[0]] == 0.0:
                continue
            rows = piece[run]
            short = not lonely and spans[run[0]] < _ALIKE_MM
            if len(run) < need or (short and float(np.median(far[rows])) < clear):
                result[rows] = UNSURE
    return result


def _spans(z_mm: FloatArray, side: FloatArray) -> FloatArray:
    """Return how long the stretch is that each row, (n,), shares with its like.

    A row or two that are just not outside do not end it.
    """
    spans = np.zeros(len(z_mm))
    for sign in (1.0, -1.0):
        rows = np.nonzero(side == sign)[0]
        breaks = np.nonzero(np.diff(z_mm[rows]) > _ALIKE_MM / 2.0)[0] + 1
        for stretch in np.split(rows, breaks):
            if len(stretch):
                spans[stretch] = np.ptp(z_mm[stretch])
    return spans


def judge(
    profile: Profile,
    plan: Plan,
    placement: Placement,
    general: str | tuple[float, float] | None = None,
    *,
    same_photo: bool = False,
) -> Deviations:
    """Return every measured row on the plan, judged.

    Parameters
    ----------
    profile : of the piece.
    plan : what it is judged by.
    placement : from `measure.register.register`.
    general : tolerance that the turner asks for, see `Plan.tolerance_at`.
    same_photo : both come from one photo, whose common errors cancel in a difference.

    References
    ----------
    [ISO1101], profile of a line: the zone between curves that envelop circles centred on the
    planned curve, so that the deviation is the distance square to it.
    """
    rows = _rows_on_plan(profile, plan, placement)
    z_plan = placement.to_plan(profile.z_mm[rows])
    measured = profile.diameter_mm[rows]
    planned = plan.at(z_plan)
    starts, ends, slopes = plan.segments()
    deviation, normal, slope, planned = _deviations(z_plan, measured, planned, starts, ends, slopes)
    own = own_uncertainty(profile, rows, same_photo)
    u95, common = deviation_uncertainty(
        own, measured, plan, placement, z_plan, slope, normal, same_photo
    )
    cosine = np.where(normal, 1.0 / np.hypot(1.0, np.minimum(slope, 1e6)), 1.0)
    step = profile.u95_step_mm
    proud, shy = plan.tolerance_at(z_plan, general)
    every = Deviations(
        z_mm=z_plan,
        piece_z_mm=profile.z_mm[rows],
        plan_diameter_mm=planned,
        diameter_mm=measured,
        deviation_mm=deviation,
        u95_mm=u95,
        u95_common_mm=common,
        own_u95_mm=own[0] * cosine,
        own_common_mm=own[1] * cosine,
        own_directions=directions(profile)[rows],
        plan_u95_mm=plan_uncertainty(plan, z_plan, same_photo)[0] * cosine,
        place_u95_mm=np.zeros(len(rows)) if step is None else step[rows],
        proud_mm=proud,
        shy_mm=shy,
        slope=slope,
        normal=normal,
        verdict=verdicts(deviation, u95, proud, shy),
    )
    told = every.at(_told(every, plan))
    return replace(
        told, verdict=agreed(told.verdict, told.deviation_mm, told.z_mm, _beyond_u95(told))
    )


def _told(rows: Deviations, plan: Plan) -> BoolArray:
    """Return which rows, (n,), can have a verdict: not those of a cut whose bottom may be hidden.

    There the measured diameter is the most it can be: only that it is shy can be told, and not
    even that where the plan was traced and is no more than the most itself.
    """
    hidden = bottom_hidden(plan, rows.z_mm)
    if plan.source == "trace":
        return ~hidden
    shy = (rows.verdict == OUTSIDE) & (rows.deviation_mm < 0.0)
    return np.asarray(~hidden | shy)


def _beyond_u95(rows: Deviations) -> FloatArray:
    """Return how far beyond its limit each row is, in its U95s."""
    limit = np.where(rows.deviation_mm > 0.0, rows.proud_mm, rows.shy_mm)
    return np.asarray((np.abs(rows.deviation_mm) - limit) / np.maximum(rows.u95_mm, 1e-9))


def _rows_on_plan(profile: Profile, plan: Plan, placement: Placement) -> NDArray[np.int64]:
    """Return the rows that have a plan to be judged by, in order along the plan.

    A lone row of the plan with a gap on either side is no curve, and a row whose uncertainty is
    not known can have no verdict: neither is judged. Nor is a cut too fine for the photo.
    """
    z = placement.to_plan(profile.z_mm)
    starts, ends, _ = plan.segments()
    on_plan = np.isfinite(plan.at(z)) & plan.judged_at(z) & ~too_fine(plan, z)
    on_plan &= starts[_segment_at(z, ends), 0] <= z + _TOUCH_MM
    known = np.isfinite(profile.diameter_mm) & np.isfinite(profile.u95_mm)
    rows = np.nonzero(on_plan & known & np.isfinite(profile.u95_common_mm))[0]
    return np.asarray(rows[::-1] if placement.flipped else rows)


def _deviations(
    z: FloatArray,
    measured: FloatArray,
    planned: FloatArray,
    starts: FloatArray,
    ends: FloatArray,
    slopes: FloatArray,
) -> tuple[FloatArray, BoolArray, FloatArray, FloatArray]:
    """Return (deviation, judged normal?, slope, planned diameter of the nearer side)."""
    low, high, slope = _at_shoulders(z, starts, ends, slopes, planned)
    # On a shoulder's z everything between its two diameters lies on the planned curve.
    nearer = np.clip(measured, low, high)
    error = measured - nearer
    steep = np.nonzero(slopes > STEEP)[0]
    reach = np.minimum(np.abs(error) / 2.0, _FAR_FROM_PLAN_MM)
    normal = slope > STEEP
    if len(steep):
        gap = _distance_in_z(z, starts[steep, 0], ends[steep, 0])
        normal |= gap < reach
    deviation = error.copy()
    for row in np.nonzero(normal)[0]:
        radius = measured[row] / 2.0
        near = (starts[:, 0] <= z[row] + reach[row] + 1e-9) & (
            ends[:, 0] >= z[row] - reach[row] - 1e-9
        )
        distance, segment = _nearest(z[row], radius, starts[near], ends[near])
        hit = float(slopes[near][segment])
        if slope[row] <= STEEP and hit <= STEEP:
            normal[row] = False  # the nearest place of the curve is not steep after all
            continue
        deviation[row] = 2.0 * np.sign(error[row]) * distance
        slope[row] = max(slope[row], hit)
    return deviation, normal, slope, nearer


def _segment_at(z: FloatArray, ends: FloatArray) -> NDArray[np.int64]:
    """Return which segment each z lies on; beside a gap, it may stand a rounding inside it."""
    index = np.searchsorted(ends[:, 0], z - _TOUCH_MM, side="left")
    return np.asarray(np.clip(index, 0, len(ends) - 1))


def _at_shoulders(
    z: FloatArray, starts: FloatArray, ends: FloatArray, slopes: FloatArray, planned: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the least and largest planned diameter and the slope at each z."""
    low, high = planned.copy(), planned.copy()
    slope = slopes[_segment_at(z, ends)].copy()
    for k in np.nonzero(np.isinf(slopes))[0]:
        here = np.abs(z - starts[k, 0]) < 1e-6
        pair = 2.0 * np.array([starts[k, 1], ends[k, 1]])
        low[here] = np.minimum(low[here], pair.min())
        high[here] = np.maximum(high[here], pair.max())
        slope[here] = np.inf
    return low, high, slope


def _distance_in_z(z: FloatArray, begin: FloatArray, end: FloatArray) -> FloatArray:
    """Return how far along the axis the nearest of the stretches lies, (n,)."""
    apart = np.maximum(begin[None, :] - z[:, None], z[:, None] - end[None, :])
    return np.asarray(np.min(np.maximum(apart, 0.0), axis=1))


def _nearest(z: float, radius: float, starts: FloatArray, ends: FloatArray) -> tuple[float, int]:
    """Return the distance to the nearest segment and which it is; of equals the steepest."""
    point = np.array([z, radius])
    along = ends - starts
    length2 = np.maximum(np.sum(along**2, axis=1), 1e-18)
    t = np.clip(np.sum((point - starts) * along, axis=1) / length2, 0.0, 1.0)
    distance = np.hypot(*(starts + t[:, None] * along - point).T)
    least = float(np.min(distance))
    same = np.nonzero(distance <= least + 1e-9)[0]
    rise = np.abs(along[same, 1]) / np.sqrt(length2[same])
    return least, int(same[np.argmax(rise)])
