"""The outline of a drawing over an axis: the heaviest line that leaves the axis and comes back.

The ink is looked at in the axis' own frame. One path over all places along the axis is sought by
dynamic programming [Bellman1957]: it gains where it runs on ink, and a step across pays for the
ink that is not there, so a drawn shoulder costs nothing and a leap to a dimension line much.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.drawingaxis import AxisGuess
from measure.drawingink import Ink

__all__ = ["FULL", "HALF", "STEP_MM", "Path", "Reading", "best_readings", "side_path"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

FULL, HALF = "full", "half"

STEP_MM = 0.2
"""Samples of the band, along and across."""
LEAST_RADIUS_MM = 1.2
"""Nearer to the axis the centre line itself is drawn."""
BARE = 0.35
"""What a place without ink costs; a line must hold more of a bold line's ink than this."""
LEAP, GLIDE = 0.8, 0.05
"""Cost of a millimetre across, without ink and on ink."""
SLACK_MM = 0.6
"""The two sides of a hand-drawn full profile may differ by so much and still be one outline."""
STRAY_MM = 2.0
DASHED_WORTH, PLAIN_WORTH = 1.0, 0.85
"""A half profile about a dash-dot line is likelier than one about a plain line."""
DRAWN_BONUS = 1.1
"""A full profile about a drawn line is likelier than one about none."""
SHORTEST_MM = 15.0


@dataclass(frozen=True, slots=True)
class Path:
    """An outline on one side of an axis.

    Attributes
    ----------
    z_mm, r_mm : (n,) equally spaced along the axis, and the distance from it.
    worth : how much ink it follows, less what it lacks, mm of bold line.
    inked : share of its places that lie on ink.
    """

    z_mm: FloatArray
    r_mm: FloatArray
    worth: float
    inked: float


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to read a drawing.

    Attributes
    ----------
    axis : the line that it is turned about.
    profile : `FULL` or `HALF`.
    side : +1 when a half profile lies to the left of the axis' direction, else -1; 0 for full.
    path : its outline.
    worth : of the whole reading, to be compared with others.
    """

    axis: AxisGuess
    profile: str
    side: int
    path: Path
    worth: float


@dataclass(frozen=True, slots=True)
class _Band:
    """Ink in an axis' frame: `up` and `down`, each (places, radii), radii counted from 0."""

    z_mm: FloatArray
    up: Float32Array
    down: Float32Array


def best_readings(ink: Ink, guesses: list[AxisGuess], profile: str | None) -> list[Reading]:
    """Return ways to read the drawing, the most likely first.

    Parameters
    ----------
    ink : of the sheet.
    guesses : lines that may be the axis.
    profile : `FULL` or `HALF` if the turner says which, else None.
    """
    readings: list[Reading] = []
    for guess in guesses:
        band = _band(ink, guess)
        if profile != HALF:
            readings += _full_reading(guess, band)
        if profile != FULL and guess.drawn:
            readings += _half_reading(guess, 1, band.z_mm, band.up)
            readings += _half_reading(guess, -1, band.z_mm, band.down)
    readings.sort(key=lambda reading: -reading.worth)
    return readings


def side_path(ink: Ink, axis: AxisGuess, side: int, near: Path | None) -> Path | None:
    """Return the outline on one side of the axis, kept near a path that is known already."""
    band = _band(ink, axis)
    amount = band.up if side > 0 else band.down
    amount = np.minimum(amount, 1.2)
    if near is not None:
        amount = np.where(_near(band.z_mm, amount.shape[1], near), amount, -1.0).astype(np.float32)
    return _trace(band.z_mm, amount)


def _near(z: FloatArray, radii: int, path: Path) -> NDArray[np.bool_]:
    size = 2 * int(STRAY_MM / STEP_MM) + 1
    r = np.interp(z, path.z_mm, path.r_mm)
    outside = (z < path.z_mm[0] - STRAY_MM) | (z > path.z_mm[-1] + STRAY_MM)
    kernel = np.ones((1, size), np.uint8)
    low = np.asarray(cv2.erode(r[None, :], kernel))[0] - STRAY_MM
    high = np.asarray(cv2.dilate(r[None, :], kernel))[0] + STRAY_MM
    ends = (z < path.z_mm[0] + STRAY_MM) | (z > path.z_mm[-1] - STRAY_MM)
    low = np.where(ends, 0.0, low)
    radius = STEP_MM * np.arange(radii)
    allowed = (radius >= low[:, None]) & (radius <= high[:, None])
    allowed[outside] = False
    return np.asarray(allowed)


def _band(ink: Ink, axis: AxisGuess) -> _Band:
    height, width = ink.amount.shape
    corners = ink.sheet.to_mm(
        np.array([[0.0, 0.0], [width - 1.0, 0.0], [0.0, height - 1.0], [width - 1.0, height - 1.0]])
    )
    along = (corners - axis.point_mm) @ axis.direction
    across = np.abs((corners - axis.point_mm) @ axis.normal)
    places = int((along.max() - along.min()) / STEP_MM) + 1
    radii = int(across.max() / STEP_MM) + 1
    first = float(along.min())
    sides: list[Float32Array] = []
    for sign in (1.0, -1.0):
        origin = ink.sheet.to_px(axis.point_mm + first * axis.direction)
        step_z = STEP_MM * ink.sheet.px_per_mm * axis.direction * (1.0, -1.0)
        step_r = STEP_MM * ink.sheet.px_per_mm * sign * axis.normal * (1.0, -1.0)
        matrix = np.array([[step_r[0], step_z[0], origin[0]], [step_r[1], step_z[1], origin[1]]])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        side = cv2.warpAffine(ink.amount, matrix, (radii, places), flags=flags)
        sides.append(np.asarray(side, dtype=np.float32))
    z = first + STEP_MM * np.arange(places, dtype=np.float64)
    return _Band(z, sides[0], sides[1])


def _full_reading(axis: AxisGuess, band: _Band) -> list[Reading]:
    slack = 2 * round(SLACK_MM / STEP_MM) + 1
    kernel = np.ones((3, slack), np.uint8)
    up, down = np.minimum(band.up, 1.2), np.minimum(band.down, 1.2)
    wide_up, wide_down = cv2.dilate(up, kernel), cv2.dilate(down, kernel)
    both = np.sqrt(np.maximum(np.maximum(up * wide_down, down * wide_up), 0.0))
    path = _trace(band.z_mm, both.astype(np.float32))
    if path is None:
        return []
    worth = 2.0 * path.worth * (DRAWN_BONUS if axis.drawn else 1.0)
    return [Reading(axis, FULL, 0, path, worth)]


def _half_reading(axis: AxisGuess, side: int, z: FloatArray, amount: Float32Array) -> list[Reading]:
    amount = np.minimum(amount, 1.2).astype(np.float32)
    path = _trace(z, amount)
    if path is None:
        return []
    if _is_straight(path):
        # One straight line over the whole length is a dimension line if an outline lies inside.
        inner = amount.copy()
        inner[:, max(int((np.median(path.r_mm) - 1.0) / STEP_MM), 0) :] = 0.0
        within = _trace(z, inner)
        if within is not None and within.worth > 0.5 * path.worth:
            path = within
    # The centre line of a half profile is drawn along all of it.
    low, high = path.z_mm[0], path.z_mm[-1]
    covered = min(high, axis.to_mm) - max(low, axis.from_mm)
    if covered < 0.9 * (high - low):
        return []
    worth = path.worth * (DASHED_WORTH if axis.dashed else PLAIN_WORTH)
    return [Reading(axis, HALF, side, path, worth)]


def _is_straight(path: Path) -> bool:
    inner = path.r_mm[len(path.r_mm) // 20 : -len(path.r_mm) // 20]
    middle = float(np.median(inner))
    return bool(np.mean(np.abs(inner - middle) < 0.5) > 0.9)


def _trace(z: FloatArray, amount: Float32Array) -> Path | None:
    """Return the best path over a band of ink (places, radii); negative ink is out of bounds."""
    gain = (amount - BARE) * STEP_MM
    gain[:, : int(LEAST_RADIUS_MM / STEP_MM)] = -BARE * STEP_MM
    gain[amount < 0.0] = -10.0
    lined = cv2.dilate(amount, np.ones((3, 1), np.uint8))
    lined[:, : int(LEAST_RADIUS_MM / STEP_MM)] = 1.0
    price = GLIDE + LEAP * np.clip(1.0 - lined / 0.7, 0.0, 1.0)
    way = np.cumsum(price, axis=1) * STEP_MM
    way = np.concatenate([np.zeros_like(way[:, :1]), way[:, :-1]], axis=1)
    places, radii = amount.shape
    totals = np.empty((places, radii), dtype=np.float32)
    best_end, end_at = 0.0, -1
    before = np.full(radii, -np.inf, dtype=np.float32)
    for i in range(places):
        c = way[i]
        up = np.maximum.accumulate(before + c) - c
        down = np.maximum.accumulate((before - c)[::-1])[::-1] + c
        start = -c  # from the axis, at any place
        before = np.maximum(np.maximum(up, down), start) + gain[i]
        totals[i] = before
        finish = float(np.max(before - c))
        if finish > best_end:
            best_end, end_at = finish, i
    if end_at < 0:
        return None
    r = [int(np.argmax(totals[end_at] - way[end_at]))]
    i = end_at
    while i > 0:
        c = way[i]
        want = totals[i - 1] - np.abs(c - c[r[-1]])
        k = int(np.argmax(want))
        if want[k] <= -c[r[-1]]:
            break
        r.append(k)
        i -= 1
    index = np.array(r[::-1])
    rows = np.arange(i, end_at + 1)
    if len(rows) * STEP_MM < SHORTEST_MM:
        return None
    inked = float(np.mean(amount[rows, index] > BARE))
    return Path(z[rows], STEP_MM * index.astype(np.float64), best_end, inked)
