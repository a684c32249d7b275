"""The wood left between a mechanism's bores and the outline, at every depth."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.refusal import BadFileError, RefusalError
from measure.boredends import MOUTH_MM, end_rows
from measure.mechanism import BODY, CAP, FOOT, Bore, Mechanism
from measure.profile import LONGEST_BRIDGE_MM, Profile

__all__ = [
    "NECK_CLEARANCE_MM",
    "Bored",
    "Section",
    "ThinPlace",
    "Wall",
    "WoodPart",
    "section_of",
    "wood_parts",
]

FloatArray = NDArray[np.float64]

NECK_CLEARANCE_MM = 0.4
"""On the diameter, for a cap that turns by hand on its neck (common practice, no source)."""
JUST_MM = 1e-6
"""So little inside its ends the outline of a part is read."""
NECK_SHORT_MM = 1.0
"""The neck is this much shorter than its recess, so that the shoulder closes (no source)."""


@dataclass(frozen=True, slots=True)
class WoodPart:
    """One part of the piece, heights in mm above the foot.

    Attributes
    ----------
    name : `BODY` or `CAP`.
    low_mm, high_mm : its ends; the hidden neck of a body reaches above the cap's foot.
    neck_mm : (diameter, length) of the hidden neck, or None.
    """

    name: str
    low_mm: float
    high_mm: float
    neck_mm: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Bored:
    """One bore where it lies, heights in mm above the foot; `stop_mm` is None right through."""

    bore: Bore
    low_mm: float
    high_mm: float
    stop_mm: float | None


@dataclass(frozen=True, slots=True)
class Wall:
    """Wall at heights of one part; arrays (n,), mm.

    Attributes
    ----------
    height_mm : above the foot.
    outside_mm, bore_mm : diameters; bore 0 where solid.
    nominal_mm : half their difference; NaN where solid, and on the face of an end that a bore
        leaves through.
    worst_mm : the same with the outline shy by its U95, bores wide and deep by their tolerance.
    """

    part: str
    height_mm: FloatArray
    outside_mm: FloatArray
    bore_mm: FloatArray
    nominal_mm: FloatArray
    worst_mm: FloatArray


@dataclass(frozen=True, slots=True)
class ThinPlace:
    """A stretch with less wall than asked for; the least of it, mm."""

    part: str
    from_mm: float
    to_mm: float
    at_mm: float
    nominal_mm: float
    worst_mm: float


@dataclass(frozen=True, slots=True)
class Section:
    """The piece cut through its axis.

    Attributes
    ----------
    parts, bores, walls : bottom first; bores in the order to bore them.
    thin : places below `min_wall_mm`.
    opens : bores whose mouth is wider than the rounded end that they leave by.
    shaft_cut_mm : length to cut the mechanism's shaft to, None if its file does not say.
    """

    parts: tuple[WoodPart, ...]
    bores: tuple[Bored, ...]
    walls: tuple[Wall, ...]
    thin: tuple[ThinPlace, ...]
    opens: tuple[Bored, ...]
    min_wall_mm: float
    recess_mm: tuple[float, float] | None
    shaft_cut_mm: float | None


def wood_parts(
    length_mm: float, mechanism: Mechanism | None, split_mm: float | None, clearance_mm: float
) -> tuple[WoodPart, ...]:
    """Return the parts that a piece is made of.

    Parameters
    ----------
    length_mm : of the piece, from its foot.
    split_mm : height at which body and cap part, None for a piece in one.
    clearance_mm : of the hidden neck in the cap's recess, on the diameter.

    Raises
    ------
    BadFileError
        `split-outside` if the split is not inside the piece, `split-missing` if the mechanism
        has bores in a cap and no split is given.
    """
    if split_mm is None:
        if mechanism is not None and mechanism.bores_of(CAP):
            raise BadFileError(
                "split-missing",
                f"{mechanism.name} has bores in the cap, but where the cap begins is not said.",
                "Give --split with the height of the joint between body and cap.",
            )
        return (WoodPart(BODY, 0.0, length_mm),)
    if not 1.0 < split_mm < length_mm - 1.0:
        raise BadFileError(
            "split-outside",
            f"--split {split_mm:g} is not inside the piece, 0 to {length_mm:.1f} mm.",
            "Give the height of the joint between body and cap.",
        )
    recess = None if mechanism is None else recess_of(mechanism)
    neck = None
    if recess is not None and recess.depth_mm is not None:
        neck = (recess.diameter_mm - clearance_mm, max(recess.depth_mm - NECK_SHORT_MM, 0.5))
    top = split_mm + (neck[1] if neck else 0.0)
    return WoodPart(BODY, 0.0, top, neck), WoodPart(CAP, split_mm, length_mm)


def recess_of(mechanism: Mechanism) -> Bore | None:
    """Return the widest bore in the cap's foot that has a depth: it goes over the neck."""
    blind = [b for b in mechanism.bores_of(CAP) if b.from_end == FOOT and not b.through]
    return max(blind, key=lambda b: b.diameter_mm) if blind else None


def section_of(
    profile: Profile,
    mechanism: Mechanism,
    parts: tuple[WoodPart, ...],
    min_wall_mm: float,
) -> Section:
    """Return bores, walls and thin places; z of the profile counts from the foot.

    Raises
    ------
    RefusalError
        `bore-breaks-out` where a bore leaves no wood, `bore-too-deep` if it leaves its part.
    """
    bores: list[Bored] = []
    walls: list[Wall] = []
    thin: list[ThinPlace] = []
    opens: list[Bored] = []
    for part in parts:
        own = tuple(_placed(bore, part) for bore in _boring_order(mechanism.bores_of(part.name)))
        wall = _wall(profile, part, own)
        opens += _mouths(wall, own, part)
        wall = _without_ends(wall)
        bores += own
        walls.append(wall)
        thin += _thin_places(wall, min_wall_mm)
    recess = recess_of(mechanism)
    neck = parts[0].neck_mm
    return Section(
        parts,
        tuple(bores),
        tuple(walls),
        tuple(thin),
        tuple(opens),
        min_wall_mm,
        (recess.diameter_mm, neck[0]) if recess is not None and neck is not None else None,
        mechanism.shaft_cut_mm(parts[-1].high_mm),
    )


def _boring_order(bores: tuple[Bore, ...]) -> list[Bore]:
    """From the foot, then from the top; each time the widest first, what goes through last.

    A bit with a centre spur needs wood under its spur, so wide bores come before narrow ones.
    """
    return sorted(bores, key=lambda b: (b.from_end != FOOT, b.through, -b.diameter_mm))


def _placed(bore: Bore, part: WoodPart) -> Bored:
    length = part.high_mm - part.low_mm
    if bore.depth_mm is None:
        return Bored(bore, part.low_mm, part.high_mm, None)
    if bore.depth_mm >= length:
        raise RefusalError(
            "bore-too-deep",
            f'The bore "{bore.name}" is {bore.depth_mm:g} mm deep, the {part.name} is '
            f"{length:.1f} mm long.",
            "Check the depth and --split, or write through = true in the mechanism file.",
        )
    if bore.from_end == FOOT:
        return Bored(bore, part.low_mm, part.low_mm + bore.depth_mm, part.low_mm + bore.depth_mm)
    return Bored(bore, part.high_mm - bore.depth_mm, part.high_mm, part.high_mm - bore.depth_mm)


def _wall(profile: Profile, part: WoodPart, bores: tuple[Bored, ...]) -> Wall:
    outer_top = part.high_mm - (part.neck_mm[1] if part.neck_mm else 0.0)
    stops = [b.stop_mm for b in bores if b.stop_mm is not None]
    every = np.concatenate(
        [profile.z_mm, np.arange(part.low_mm, part.high_mm, 0.25), stops,
         np.array(stops) + 1e-3, np.array(stops) - 1e-3,
         [part.low_mm, outer_top, outer_top + 1e-3, part.high_mm]]
    )  # fmt: skip
    height = np.unique(every[(every >= part.low_mm) & (every <= part.high_mm)])
    # A shoulder where two parts meet belongs to each with its own side.
    own = np.clip(height, part.low_mm + JUST_MM, part.high_mm - JUST_MM)
    outside, u95 = outline_at(profile, own)
    if part.neck_mm:
        on_neck = height > outer_top
        outside[on_neck], u95[on_neck] = part.neck_mm[0], 0.0
    bore, wide = np.zeros(len(height)), np.zeros(len(height))
    for placed in bores:
        b, more = placed.bore, 0.0 if placed.stop_mm is None else placed.bore.depth_tolerance_mm
        low, high = placed.low_mm, placed.high_mm
        deep = (low, high + more) if b.from_end == FOOT else (low - more, high)
        bore = np.maximum(bore, np.where((height >= low) & (height <= high), b.diameter_mm, 0.0))
        reach = (height >= deep[0]) & (height <= deep[1])
        wide = np.maximum(wide, np.where(reach, b.diameter_mm + b.tolerance_mm, 0.0))
    nominal = np.where(bore > 0.0, 0.5 * (outside - bore), np.nan)
    worst = np.where(wide > 0.0, 0.5 * (outside - u95 - wide), np.nan)
    return Wall(part.name, height, outside, bore, nominal, worst)


def outline_at(profile: Profile, height: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the smaller diameter and the u95 at heights, NaN where the outline was not seen."""
    z, d = profile.z_mm, profile.diameter_mm
    right = np.clip(np.searchsorted(z, height, side="left"), 1, len(z) - 1)
    left = right - 1
    span = z[right] - z[left]
    t = np.divide(height - z[left], span, out=np.ones_like(height), where=span > 0.0)
    diameter = d[left] + t * (d[right] - d[left])
    u95 = np.maximum(profile.u95_mm[left], profile.u95_mm[right])
    for i in np.nonzero(np.diff(z) <= 0.0)[0]:
        on = np.abs(height - z[i]) < 1e-9
        diameter[on] = min(d[i], d[i + 1])
    inside = (t > 1e-9) & (t < 1.0 - 1e-9)
    unseen = (span > LONGEST_BRIDGE_MM + 1e-9) & inside
    unseen |= (height < z[0] - 1e-9) | (height > z[-1] + 1e-9)
    return np.where(unseen, np.nan, diameter), u95


def _mouths(wall: Wall, bores: tuple[Bored, ...], part: WoodPart) -> list[Bored]:
    """Return bores that open in a rounded end; refuse where a bore breaks out elsewhere."""
    gone = np.nan_to_num(wall.nominal_mm, nan=1.0) <= 0.0
    if not gone.any():
        return []
    h, outside = wall.height_mm, wall.outside_mm
    solid = np.nonzero(~gone)[0]
    first, last = (h[solid[0]], h[solid[-1]]) if len(solid) else (h[-1], h[0])
    middle = gone & (h > first) & (h < last)
    at_foot = first > h[0] and first - h[0] <= MOUTH_MM
    at_top = last < h[-1] and h[-1] - last <= MOUTH_MM
    wrong = middle | (gone & (h < first) & (not at_foot)) | (gone & (h > last) & (not at_top))
    if wrong.any():
        worst = int(np.nanargmin(np.where(wrong, wall.nominal_mm, np.nan)))
        raise _breaks_out(wall, worst, bores)
    wide = [b for b in bores if np.any(gone & _within(h, b) & (b.bore.diameter_mm >= outside))]
    return [
        b for b in wide
        if (at_foot and b.low_mm <= h[0]) or (at_top and b.high_mm >= h[-1])
    ]  # fmt: skip


def _without_ends(wall: Wall) -> Wall:
    """Leave the faces of ends out where a bore is meant to leave."""
    ends = end_rows(wall.height_mm, wall.outside_mm, wall.bore_mm)
    nominal, worst = (np.where(ends, np.nan, v) for v in (wall.nominal_mm, wall.worst_mm))
    return replace(wall, nominal_mm=nominal, worst_mm=worst)


def _within(height: FloatArray, bored: Bored) -> NDArray[np.bool_]:
    return np.asarray((height >= bored.low_mm) & (height <= bored.high_mm))


def _breaks_out(wall: Wall, i: int, bores: tuple[Bored, ...]) -> RefusalError:
    h = float(wall.height_mm[i])
    covering = [b for b in bores if b.low_mm <= h <= b.high_mm]
    name = max(covering, key=lambda b: b.bore.diameter_mm).bore.name
    return RefusalError(
        "bore-breaks-out",
        f'The bore "{name}" of {wall.bore_mm[i]:g} mm leaves no wood at {h:.1f} mm: the '
        f"{wall.part} is {wall.outside_mm[i]:.1f} mm there.",
        "Choose a smaller mechanism, a wider piece, or check which end is the foot (--foot).",
    )


def _thin_places(wall: Wall, least: float) -> list[ThinPlace]:
    low = np.fmin(wall.nominal_mm, wall.worst_mm)
    thin = np.nan_to_num(low, nan=np.inf) < least
    edges = np.flatnonzero(np.diff(np.concatenate([[0], thin.astype(np.int8), [0]])))
    places = []
    for a, b in edges.reshape(-1, 2):
        i = a + int(np.argmin(low[a:b]))
        nominal = 0.5 * (wall.outside_mm[i] - wall.bore_mm[i]) if wall.bore_mm[i] else low[i]
        places.append(
            ThinPlace(
                wall.part,
                float(wall.height_mm[a]),
                float(wall.height_mm[b - 1]),
                float(wall.height_mm[i]),
                max(float(nominal), 0.0),  # in the mouth of a bore no wood is left
                max(float(low[i]), 0.0),
            )
        )
    return places
