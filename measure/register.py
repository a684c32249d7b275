"""Registration: where along the plan the piece lies, and which way round."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.refusal import Notice, RefusalError
from measure.aligning import Curve, mismatch, search
from measure.likeness import refuse_other_piece, refuse_other_units
from measure.measured import Measured
from measure.plan import STEEP, Plan
from measure.profile import relative_scale

__all__ = ["Placement", "register"]

FloatArray = NDArray[np.float64]

_LARGEST_SCALE_MM, _LEAST_SCALE_MM = 2.0, 0.2
_UNCLEAR_FLIP = 0.02
"""Costs of both ways round nearer than this (part of the length) do not tell them apart."""
_WRONG_WAY = 0.25
"""Where so much more of the piece's length fits the other way round, the way said is not it."""
_CORRELATION_MM = 2.0
"""Errors of rows nearer than this are taken as one when the offset's uncertainty is reckoned."""
_PAST_MM = 5.0
_END_SD_MM = 0.15
"""How well an end found in a photo fixes the offset when nothing else does, mm."""


@dataclass(frozen=True, slots=True)
class Placement:
    """z of the plan = offset + z of the piece, or offset - z if the piece lies the other way.

    Attributes
    ----------
    offset_mm : see above.
    flipped : whether the piece lies the other way round.
    u95_mm : half-width of the 95 % interval of the offset.
    datum : "start", "end", "best", or the z of a shoulder.
    scale_mm : scale of the robust loss; `cost` : its value, 0 perfect; `other_cost` : that of
        the other way round, infinite if it was not tried.
    """

    offset_mm: float
    flipped: bool
    u95_mm: float
    datum: str | float
    scale_mm: float
    cost: float
    other_cost: float

    def to_plan(self, z_mm: FloatArray) -> FloatArray:
        """Return z along the plan of z along the piece."""
        return np.asarray(self.offset_mm + (-z_mm if self.flipped else z_mm))

    def to_piece(self, z_mm: FloatArray) -> FloatArray:
        """Return z along the piece of z along the plan."""
        shifted = np.asarray(z_mm) - self.offset_mm
        return np.asarray(-shifted if self.flipped else shifted)


def register(
    piece: Measured, plan: Plan, datum: str | float = "best", flip: str = "auto"
) -> tuple[Placement, tuple[Notice, ...]]:
    """Return where the piece lies on the plan, and what the turner should know about it.

    Parameters
    ----------
    piece, plan : what to lay on what.
    datum : "start" or "end" brings those ends together, a number the shoulder that the plan has
        there, "best" all of the profile as well as can be.
    flip : "auto", "yes" or "no".

    Raises
    ------
    RefusalError
        The plan is of another piece altogether or in other units, the datum end is cut, or
        there is no such shoulder.
    """
    if flip not in ("auto", "yes", "no"):
        raise ValueError(f"flip is {flip!r}; need auto, yes or no")
    if len(piece.profile.z_mm) < 2 or piece.profile.z_mm[-1] - piece.profile.z_mm[0] < 1.0:
        raise RefusalError(
            "profile-short", "Less than 1 mm of the piece was measured.", "Take the photo again."
        )
    refuse_other_units(piece, plan)
    best, notices = _best(piece, plan, flip)
    refuse_other_piece(piece, plan, best.to_plan, explicit_datum=datum != "best")
    if datum == "best":
        return best, notices
    if isinstance(datum, str):
        return _by_end(piece, plan, datum, best), notices
    return _by_shoulder(piece, plan, datum, best), notices


def _best(piece: Measured, plan: Plan, flip: str) -> tuple[Placement, tuple[Notice, ...]]:
    both = (False, True)
    ways = {"auto": both, "yes": (True,), "no": (False,)}[flip]
    rough = {way: search(plan, piece.profile, way, _LARGEST_SCALE_MM) for way in both}
    first = min(ways, key=lambda way: rough[way][1])
    if rough[first][1] - rough[not first][1] > _WRONG_WAY:
        (offset, cost), other = rough[first], rough[not first][1]
        told = Placement(offset, first, 0.0, "best", _LARGEST_SCALE_MM, cost, other)
        raise _wrong_way(piece, plan, told)
    scale = _scale(piece, plan, first, rough[first][0])
    found = {way: search(plan, piece.profile, way, scale) for way in ways}
    way = min(ways, key=lambda w: found[w][1])
    others = [found[w][1] for w in ways if w != way]
    other = min(others) if others else np.inf
    notices: tuple[Notice, ...] = ()
    if other - found[way][1] < _UNCLEAR_FLIP:
        way, other = False, found[True][1]
        notices = (
            Notice(
                "flip-unclear",
                "Either way round the piece fits the plan about as well; it was not turned round.",
                "If it lies the other way, say --flip yes.",
            ),
        )
    offset, cost = found[way]
    u95 = _offset_u95(piece, plan, way, offset, scale)
    return Placement(offset, way, u95, "best", scale, cost, float(other)), notices


def _wrong_way(piece: Measured, plan: Plan, told: Placement) -> RefusalError:
    """Return the refusal of a piece that was said to lie one way and fits the other."""
    ends = np.sort(told.to_plan(np.array([0.0, piece.far_mm])))
    past = max(plan.start_mm - ends[0], 0.0) + max(ends[1] - plan.end_mm, 0.0)
    there = f", and {past:.0f} mm of it would lie past the plan" if past > _PAST_MM else ""
    return RefusalError(
        "other-piece",
        f"This is not the planned piece this way round: {100.0 * (told.cost - told.other_cost):.0f}"
        f" % more of its length fits the other way{there}.",
        "Leave --flip out, or turn the plan.",
    )


def _scale(piece: Measured, plan: Plan, flipped: bool, offset: float) -> float:
    """Return the robust scale: three times the spread of what is left at the rough placement."""
    curve = Curve.of_profile(piece.profile, 0.25, flipped)
    e = curve.diameter_mm - plan.at(offset + curve.z_mm)
    e = e[np.isfinite(e)]
    if len(e) == 0:
        return _LARGEST_SCALE_MM
    spread = 1.4826 * float(np.median(np.abs(e - np.median(e))))
    return float(np.clip(3.0 * spread, _LEAST_SCALE_MM, _LARGEST_SCALE_MM))


def _offset_u95(piece: Measured, plan: Plan, flipped: bool, offset: float, scale: float) -> float:
    """Return what the local errors of the rows, and the ends, leave open about the offset."""
    profile = piece.profile
    z = offset + (-profile.z_mm if flipped else profile.z_mm)
    half = 0.25
    before, here, after = plan.at(z - half), plan.at(z), plan.at(z + half)
    gradient = (after - before) / (2.0 * half)
    plan_u, plan_common = plan.u95_at(z)
    variance = profile.u95_mm**2 - profile.u95_common_mm**2 + plan_u**2 - plan_common**2
    sd = np.maximum(np.sqrt(np.maximum(variance, 0.0)) / 1.96, 0.005)
    e = profile.diameter_mm - here
    good = np.isfinite(gradient) & np.isfinite(e)
    good &= np.abs(e - np.median(e[good])) < 3.0 * scale if np.any(good) else False
    spacing = float(np.median(np.diff(profile.z_mm)))
    rows = max(_CORRELATION_MM / max(spacing, 1e-3), 1.0)
    information = float(np.sum((gradient[good] / sd[good]) ** 2)) / rows
    # All of a length's doubt, but for the scale's, may be one end's: a knob hides its tip.
    by_scale = relative_scale(profile.diameter_mm, profile.u95_common_mm) * piece.far_mm
    hidden2 = max((piece.length_u95_mm or 0.0) ** 2 - by_scale**2, 0.0) + plan.length_u95_mm**2
    end_sd = float(np.hypot(_END_SD_MM, np.sqrt(hidden2) / 1.96))
    information += sum(1.0 / end_sd**2 for cut in (piece.start_cut, piece.end_cut) if not cut)
    sd_offset = 1.0 / np.sqrt(information) if information > 0.0 else 1.0
    return float(1.96 * np.hypot(sd_offset, 0.02))  # 0.02 mm: the step of the search


def _by_end(piece: Measured, plan: Plan, datum: str, best: Placement) -> Placement:
    at_piece_start = (datum == "start") != best.flipped
    if piece.start_cut if at_piece_start else piece.end_cut:
        raise RefusalError(
            "datum-cut",
            f"The {datum} end is cut off in the photo, so it cannot be the datum.",
            "Use --datum best, or name a shoulder that is seen.",
        )
    if plan.start_cut if datum == "start" else plan.end_cut:
        raise RefusalError(
            "datum-cut",
            f"The {datum} end of the plan is cut off in its photo, so it cannot be the datum.",
            "Use --datum best, or name a shoulder that is seen.",
        )
    end_plan = plan.start_mm if datum == "start" else plan.end_mm
    end_piece = 0.0 if at_piece_start else piece.far_mm
    offset = end_plan + end_piece if best.flipped else end_plan - end_piece
    known = piece.length_u95_mm
    # All of the length's doubt may be this end's: a knob hides its tip, a foot does not.
    u95 = 1.96 * _END_SD_MM if known is None else known
    u95 = np.hypot(u95, plan.length_u95_mm / np.sqrt(2.0))
    return _moved(piece, plan, best, float(offset), float(u95), datum)


def _moved(
    piece: Measured, plan: Plan, best: Placement, offset: float, u95: float, datum: str | float
) -> Placement:
    curve = Curve.of_profile(piece.profile, 0.25, best.flipped)
    cost = float(mismatch(plan, curve, np.array([offset]), best.scale_mm)[0])
    return Placement(offset, best.flipped, u95, datum, best.scale_mm, cost, best.other_cost)


_SHOULDER_REACH_MM = 2.0
_LEAST_STEP_MM = 0.5


def _by_shoulder(piece: Measured, plan: Plan, z: float, best: Placement) -> Placement:
    """Bring the plan's shoulder at z and the piece's nearest one of the same height together."""
    starts, ends, slopes = plan.segments()
    steep = slopes > STEEP
    middles = (starts[:, 0] + ends[:, 0]) / 2.0
    near = steep & (np.abs(middles - z) < _SHOULDER_REACH_MM)
    step = np.abs(np.sum((ends - starts)[near, 1])) * 2.0
    if not np.any(near) or step < _LEAST_STEP_MM:
        raise RefusalError(
            "no-shoulder",
            f"The plan has no shoulder within {_SHOULDER_REACH_MM:g} mm of z = {z:g}.",
            "Name one of its shoulders, or use --datum best.",
        )
    low_z, high_z = np.min(starts[near, 0]), np.max(ends[near, 0])
    before, after = float(plan.at(low_z, False)), float(plan.at(high_z, True))
    level = (before + after) / 2.0
    planned = _crossing(plan.z_mm, plan.diameter_mm, level, (low_z + high_z) / 2.0, after > before)
    zp = best.to_plan(piece.profile.z_mm)
    order = slice(None, None, -1) if best.flipped else slice(None)
    found = _crossing(zp[order], piece.profile.diameter_mm[order], level, planned, after > before)
    reach = max(_SHOULDER_REACH_MM * 2.5, 0.03 * plan.length_mm)
    if not np.isfinite(found) or abs(found - planned) > reach:
        raise RefusalError(
            "no-shoulder",
            f"The shoulder at z = {z:g} of the plan was not found on the piece.",
            "Name a shoulder that is seen, or use --datum best.",
        )
    u95 = float(np.hypot(np.median(piece.profile.u95_mm) / 2.0, 0.05))
    return _moved(piece, plan, best, best.offset_mm + float(planned - found), u95, z)


def _crossing(
    z: FloatArray, diameter: FloatArray, level: float, near: float, rising: bool
) -> float:
    """Return where the diameter passes `level` that way, nearest to `near`; NaN if nowhere."""
    a, b = diameter[:-1], diameter[1:]
    passes = (a < level) & (b >= level) if rising else (a > level) & (b <= level)
    where = np.nonzero(passes)[0]
    if len(where) == 0:
        return float("nan")
    t = (level - a[where]) / (b[where] - a[where])
    at = z[where] + t * (z[where + 1] - z[where])
    return float(at[np.argmin(np.abs(at - near))])
