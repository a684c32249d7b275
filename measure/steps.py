"""A stepped tool's profile cut into steps: cylinders, tapers and points, and their shoulders.

Everything is diameters over z in millimetres. A shoulder is where a step leaves the smaller
diameter beside it, so that a chamfer belongs to the step whose edge it breaks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.refusal import RefusalError
from measure.lineruns import LineRun, fit_line, line_runs, scatter
from measure.profile import LONGEST_BRIDGE_MM, Profile

__all__ = ["Step", "find_steps"]

FloatArray = NDArray[np.float64]

STEEP = 0.12
"""Change of radius per length above which a stretch is no cylinder or taper but an end face, a
chamfer or a point: 14 degrees included; tapered shanks lie far below it."""
SHORTEST_STEP_MM = 1.0
SHORTEST_POINT_MM = 2.0
SAME_DIAMETER_MM = 0.12
"""Neighbours closer than this, or than their own uncertainty, are one step."""
LEAST_TAPER_MM = 0.15
"""A taper smaller than this over the whole step is not told from none."""
SHOULDER_LEVEL = 0.3
"""A shoulder is placed where this share of the change of diameter is reached: above a fillet
in its corner, below a chamfer on its edge."""
POSITION_U95_MM = 0.1
HIDDEN_POSITION_U95_MM = 0.25
"""Of a shoulder whose foot is hidden: half a row of the profile either way is all that is known."""
EDGE_MM = 0.5
"""Rows so near to the ends of a step are left out of its diameter, if enough others are left."""
LEAST_NOISE_MM = 0.03


CYLINDER_DEG, CHORDS_LEAST, CHORDS_SHARE = 2.0, 4, 0.5
"""What tapers by a larger included angle is no cylinder; of a tool no four steps and half of its
length do (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step, mm.

    Attributes
    ----------
    from_mm, to_mm : where it begins and ends along the axis.
    from_u95_mm, to_u95_mm : 95 % half-widths of these.
    diameter_mm : its diameter; of a taper or point that of the larger end.
    u95_mm, u95_common_mm : of the diameter, as in a profile.
    start_mm, end_mm : diameters at its two ends; equal unless it tapers.
    is_point : whether it runs out steeply, as the point of a drill does.
    """

    from_mm: float
    to_mm: float
    from_u95_mm: float
    to_u95_mm: float
    diameter_mm: float
    u95_mm: float
    u95_common_mm: float
    start_mm: float
    end_mm: float
    is_point: bool = False

    @property
    def length_mm(self) -> float:
        """Length along the axis."""
        return self.to_mm - self.from_mm

    @property
    def taper_deg(self) -> float:
        """Included angle of the cone, degrees; 0 for a cylinder."""
        if self.length_mm <= 0.0:
            return 0.0
        half = 0.5 * abs(self.end_mm - self.start_mm) / self.length_mm
        return math.degrees(2.0 * math.atan(half))


@dataclass(frozen=True, slots=True)
class _Body:
    """Rows first to last of the profile that belong to one step, and the line they lie on."""

    first: int
    last: int
    value: float
    slope: float
    middle: float
    u95: float
    common: float
    is_point: bool

    def at(self, z: float) -> float:
        return self.value + self.slope * (z - self.middle)


def find_steps(profile: Profile) -> tuple[Step, ...]:
    """Return the steps of a profile, in order along the axis.

    Raises
    ------
    RefusalError
        `no-steps` if no stretch of it is a cylinder, a taper or a point.
    """
    z, d = profile.z_mm, profile.diameter_mm
    if len(z) < 4:
        raise _no_steps()
    noise = max(scatter(d), LEAST_NOISE_MM)
    breaks = np.nonzero((np.diff(z) > LONGEST_BRIDGE_MM + 1e-9) | (np.diff(z) < 1e-9))[0] + 1
    runs = line_runs(z, d, noise, breaks)
    bodies = [
        _body(profile, run.start, run.stop - 1, noise, point)
        for run in runs
        for point in _kinds(z, run)
    ]
    bodies = _joined(profile, bodies, noise)
    if not bodies:
        raise _no_steps()
    steps = _steps(profile, bodies)
    if _is_curved(steps):
        raise RefusalError(
            "no-steps",
            "Its sides curve nearly all along: that is no boring tool.",
            "For a turned piece there is measure trace.",
        )
    return steps


def _is_curved(steps: tuple[Step, ...]) -> bool:
    """Return whether steps are short chords of a curve, as those of a turned piece are."""
    sides = [step for step in steps if not step.is_point]
    cones = [step for step in sides if step.taper_deg > CYLINDER_DEG]
    tapering = sum(step.length_mm for step in cones)
    whole = sum(step.length_mm for step in sides)
    return len(cones) >= CHORDS_LEAST and tapering > CHORDS_SHARE * whole


def _no_steps() -> RefusalError:
    return RefusalError(
        "no-steps",
        "No step of a tool is seen: no stretch is straight over a millimetre.",
        "Lay the tool flat beside the card with its whole length in the picture.",
    )


def _kinds(z: FloatArray, run: LineRun) -> list[bool]:
    """Return [False] for a cylinder or taper, [True] for a point, [] for what joins steps."""
    length = float(z[run.stop - 1] - z[run.start])
    if abs(run.slope) / 2.0 <= STEEP:
        return [False] if length >= SHORTEST_STEP_MM - 1e-9 else []
    return [True] if length >= SHORTEST_POINT_MM - 1e-9 else []


def _body(profile: Profile, first: int, last: int, noise: float, is_point: bool) -> _Body:
    z, d = profile.z_mm, profile.diameter_mm
    rows = np.arange(first, last + 1)
    inner = rows[(z[rows] >= z[first] + EDGE_MM) & (z[rows] <= z[last] - EDGE_MM)]
    if len(inner) >= 3:
        rows = inner
    value, slope, _ = fit_line(z[rows], d[rows], noise)
    u95, common = profile.u95_mm[rows], profile.u95_common_mm[rows]
    local = np.sqrt(np.maximum(u95**2 - common**2, 0.0))
    whole = math.hypot(float(np.median(local)), float(np.median(common)))
    middle = float(z[rows].mean())
    return _Body(first, last, value, slope, middle, whole, float(np.median(common)), is_point)


def _joined(profile: Profile, bodies: list[_Body], noise: float) -> list[_Body]:
    """Join neighbours that the noise does not tell apart, the most alike first.

    Noise that waves slowly along the axis is cut into runs by the price of white noise.
    """
    bodies = list(bodies)
    while len(bodies) > 1:
        pairs = [_union(profile, a, b, noise) for a, b in pairwise(bodies)]
        best = min(range(len(pairs)), key=lambda k: pairs[k][0])
        if not np.isfinite(pairs[best][0]):
            break
        bodies[best : best + 2] = [pairs[best][1]]
    return bodies


def _union(profile: Profile, a: _Body, b: _Body, noise: float) -> tuple[float, _Body]:
    """Return how far two neighbours lie from one line, mm, and the step they would be.

    Infinite if they are not one step.
    """
    z = profile.z_mm
    if a.is_point != b.is_point or z[b.first] - z[a.last] > 2.0 * SHORTEST_STEP_MM:
        return math.inf, a
    limit = max(SAME_DIAMETER_MM, math.hypot(_local(a), _local(b)))
    joint = 0.5 * float(z[a.last] + z[b.first])
    short = [part for part in (a, b) if z[part.last] - z[part.first] < SHORTEST_POINT_MM]
    if not short and abs(a.at(joint) - b.at(joint)) > limit:
        return math.inf, a
    whole = _body(profile, a.first, b.last, noise, a.is_point)
    # The slope of a few rows is noise: of a short part only its middle counts.
    places = [
        (part, place)
        for part in (a, b)
        for place in (
            [part.middle] if part in short else [float(z[part.first]), float(z[part.last])]
        )
    ]
    away = max(abs(part.at(place) - whole.at(place)) for part, place in places)
    return (away, whole) if away <= limit else (math.inf, a)


def _steps(profile: Profile, bodies: list[_Body]) -> tuple[Step, ...]:
    z = profile.z_mm
    marks = [(float(z[0]), POSITION_U95_MM)]
    marks += [_shoulder(profile, a, b) for a, b in pairwise(bodies)]
    marks.append((float(z[-1]), POSITION_U95_MM))
    steps = []
    for body, begin, end in zip(bodies, marks[:-1], marks[1:], strict=True):
        start_mm, end_mm = body.at(begin[0]), body.at(end[0])
        tapers = abs(end_mm - start_mm) > max(LEAST_TAPER_MM, _local(body))
        if not (tapers or body.is_point):
            start_mm = end_mm = body.value
        steps.append(
            Step(
                from_mm=begin[0],
                to_mm=end[0],
                from_u95_mm=begin[1],
                to_u95_mm=end[1],
                diameter_mm=max(start_mm, end_mm),
                u95_mm=body.u95,
                u95_common_mm=body.common,
                start_mm=max(start_mm, 0.0),
                end_mm=max(end_mm, 0.0),
                is_point=body.is_point,
            )
        )
    return tuple(steps)


def _local(body: _Body) -> float:
    return math.sqrt(max(0.0, body.u95**2 - body.common**2))


def _shoulder(profile: Profile, a: _Body, b: _Body) -> tuple[float, float]:
    """Return where two neighbouring steps meet and its 95 % half-width, mm."""
    rows = slice(a.last, b.first + 1)
    z, d = profile.z_mm[rows], profile.diameter_mm[rows]
    near, far = a.at(float(z[0])), b.at(float(z[-1]))
    if np.any(np.diff(z) > LONGEST_BRIDGE_MM + 1e-9):
        # What hides the foot of a shoulder is the larger step, seen up to its very edge.
        edge = float(z[0]) if near >= far else float(z[-1])
        return edge, HIDDEN_POSITION_U95_MM
    share = (d - near) / (far - near) if far != near else np.linspace(0.0, 1.0, len(d))
    level = SHOULDER_LEVEL if far > near else 1.0 - SHOULDER_LEVEL
    after = int(np.argmax(share >= level)) if np.any(share >= level) else len(z) - 1
    if after == 0:
        return float(z[0]), POSITION_U95_MM
    before = after - 1
    rise = share[after] - share[before]
    if rise > 0.8:
        # The whole shoulder lies between two rows; nothing tells where.
        level = 0.5 * (share[after] + share[before])
    t = (level - share[before]) / rise if rise > 0.0 else 0.5
    return float(z[before] + np.clip(t, 0.0, 1.0) * (z[after] - z[before])), POSITION_U95_MM
