"""Which line of a sheet is the outline, and what it is turned about."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.refusal import RefusalError
from measure.drawingaxis import AxisGuess, axis_guesses, robust_line
from measure.drawingink import Ink
from measure.drawingpath import FULL, HALF, Path, Reading, best_readings, side_path

__all__ = ["axis_through", "find_outline"]

FloatArray = NDArray[np.float64]

TRIED = 4
"""Rival readings that are settled before the best is taken."""
INKED_LEAST = 0.7
BOLD_LEAST = 0.5
"""Less ink than this along the outline, a bold line without gaps having 1, is no drawn line but
grain of wood, print or cloth."""
BOLD = 0.6
CENTRE_SHARE = 0.7
"""A centre line is at least this long, as a share of what is drawn boldly."""
RIVAL_SHARE = 0.93
"""A second reading this good, about another line, leaves it open which one is meant."""
APART_MM = 2.0


def find_outline(ink: Ink, profile: str | None) -> tuple[Reading, tuple[Path, ...]]:
    """Return how the drawing reads, and its outline: one path, or those of both sides.

    Parameters
    ----------
    ink : of the sheet.
    profile : `FULL` or `HALF` if the turner says which, else None.

    Raises
    ------
    RefusalError
        `no-outline`, `no-centre-line`, `centre-line-unclear`.
    """
    guesses = axis_guesses(ink)
    readings = best_readings(ink, guesses, profile)[:TRIED]
    settled = [_settled(ink, reading) for reading in readings]
    settled = [reading for reading in settled if _is_drawn(reading)]
    settled.sort(key=lambda reading: -reading.worth)
    if not settled:
        raise _nothing(ink, guesses, profile)
    best = settled[0]
    for other in settled[1:]:
        if other.worth > RIVAL_SHARE * best.worth and _is_another(best, other):
            raise _unclear(_same_line(best, other), profile)
    return best, _paths(ink, best)


def _unclear(same_line: bool, profile: str | None) -> RefusalError:
    """Return the refusal where two readings are about as good; `profile` is what was said."""
    what = "Two lines of the drawing could be its centre line."
    if same_line:
        what = "Either side of the centre line could be the profile."
    advice = {
        None: "Draw the centre line dash-dot and past both ends, or say --profile full or half.",
        HALF: "If both sides are drawn, say --profile full; else leave all but the half profile "
        "and its dash-dot centre line out with --box X,Y,W,H.",
        FULL: "Draw the centre line dash-dot and past both ends, or leave what else is on the "
        "sheet out with --box X,Y,W,H.",
    }
    return RefusalError("centre-line-unclear", what, advice[profile])


def _nothing(ink: Ink, guesses: list[AxisGuess], profile: str | None) -> RefusalError:
    extent = _extent_mm(ink)
    long = any(g.drawn and g.to_mm - g.from_mm > CENTRE_SHARE * extent for g in guesses)
    if profile != FULL and not long:
        return RefusalError(
            "no-centre-line",
            "The drawing has no centre line, and its two sides are not mirror images.",
            "Draw the centre line, dash-dot, past both ends of the profile; photograph it again.",
        )
    return RefusalError(
        "no-outline",
        "No line of the drawing can be followed as the outline of a turned piece.",
        "Draw the outline with a firm, unbroken line, darker than all others, clear of the card.",
    )


def _is_drawn(reading: Reading) -> bool:
    path = reading.path
    boldness = path.worth / max(float(path.z_mm[-1] - path.z_mm[0]), 1e-6)
    return path.inked >= INKED_LEAST and boldness >= BOLD_LEAST


def _extent_mm(ink: Ink) -> float:
    """Return how far the bold ink reaches, mm."""
    y, x = np.nonzero(ink.amount > BOLD)
    if len(x) == 0:
        return 0.0
    return float(np.hypot(np.ptp(x), np.ptp(y))) / ink.sheet.px_per_mm


def _is_another(a: Reading, b: Reading) -> bool:
    return not _same_line(a, b) or (a.profile == b.profile == HALF and a.side != b.side)


def _same_line(a: Reading, b: Reading) -> bool:
    ends = a.axis.point_mm + a.path.z_mm[[0, -1], None] * a.axis.direction
    return float(np.abs((ends - b.axis.point_mm) @ b.axis.normal).max()) <= APART_MM


def _settled(ink: Ink, reading: Reading) -> Reading:
    """Return a full reading about the middle of its two sides, others as they are."""
    if reading.profile == HALF:
        return reading
    for _ in range(2):
        sides = _paths(ink, reading)
        if len(sides) < 2:
            return reading
        middle = _middle(reading.axis, sides)
        again = best_readings(ink, [middle], FULL)
        if not again or again[0].worth < reading.worth:
            return reading
        reading = again[0]
    return reading


def _middle(axis: AxisGuess, sides: tuple[Path, ...]) -> AxisGuess:
    up, down = sides
    z = np.arange(max(up.z_mm[0], down.z_mm[0]), min(up.z_mm[-1], down.z_mm[-1]), 0.5)
    offset = 0.5 * (np.interp(z, up.z_mm, up.r_mm) - np.interp(z, down.z_mm, down.r_mm))
    return axis_through(axis, *robust_line(z, offset, 0.05))


def axis_through(axis: AxisGuess, slope: float, shift_mm: float) -> AxisGuess:
    """Return an axis moved to its left by shift + slope z."""
    direction = axis.direction + slope * axis.normal
    direction = direction / np.linalg.norm(direction)
    return replace(axis, point_mm=axis.point_mm + shift_mm * axis.normal, direction=direction)


def _paths(ink: Ink, reading: Reading) -> tuple[Path, ...]:
    if reading.profile == HALF:
        return (reading.path,)
    sides = [side_path(ink, reading.axis, side, reading.path) for side in (1, -1)]
    return tuple(side for side in sides if side is not None)
