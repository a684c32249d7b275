"""From the lines of a drawing to the rows of a plan: axis, half or full outline, shoulders."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.refusal import BadFileError
from measure.planchains import JOIN_MM, Chain, distance, join_chains
from measure.planstretches import stretches_of

__all__ = ["Outline", "outline_rows"]

FloatArray = NDArray[np.float64]

_SAME_MM = 0.02
"""Coordinates nearer than this are equal."""
_OUTLINE = "outline"
_RIVAL = 0.25
"""A second line is a rival outline if it is this fraction of the longest one's length or more."""


@dataclass(frozen=True, slots=True)
class Outline:
    """Rows of a plan read from a drawing.

    Attributes
    ----------
    z_mm, diameter_mm : (n,) z begins at 0.
    kind : "half" or "full".
    asymmetry_mm : largest difference of the two radii of a full outline; 0 for a half one.
    gaps_mm : (from, to) of the stretches, if any, in which the drawing was left open.
    """

    z_mm: FloatArray
    diameter_mm: FloatArray
    kind: str
    asymmetry_mm: float
    gaps_mm: tuple[tuple[float, float], ...] = ()


def outline_rows(chains: Sequence[Chain], name: str, axis: str | None = None) -> Outline:
    """Return the one outline that a drawing holds.

    Parameters
    ----------
    chains : all lines of the drawing, mm; not yet joined.
    name : of the file, for messages.
    axis : "x" or "y" if the plan says along which the piece lies; None to find it: along the
        centre line if there is one, else along the longer side of the drawing.

    Returns
    -------
    The outline from its left (or lower) end.

    Raises
    ------
    BadFileError
        No usable outline, several of them, no way to tell the axis, or an undercut.
    """
    joined = join_chains(chains)
    centres = [chain for chain in joined if chain.centre_line]
    solids = [chain for chain in joined if not chain.centre_line]
    # A layer of that name says which of the lines is meant, bores and notes beside it.
    solids = [chain for chain in solids if chain.layer.lower() == _OUTLINE] or solids
    if not solids or solids[0].size_mm < 1.0:
        raise BadFileError(
            "plan-no-outline",
            f"{name} holds no usable outline.",
            "Draw the outline as lines, arcs, polylines or splines, half of it or all round.",
        )
    along = _axis_of(solids, centres) if axis is None else axis
    turned = [_turned(chain, along) for chain in solids]
    centre = float(np.mean(_turned(centres[0], along).points[:, 1])) if centres else None
    if centre is not None and all(chain.layer.lower() == _OUTLINE for chain in turned):
        stretches = stretches_of(turned, centre)
        if len(stretches) > 1:
            return _gapped([_rows_of(lines, centre, name) for lines in stretches])
    lines = _candidates(turned, centre, name)
    if len(lines) == 2:
        lines = _two_halves(lines, name)
    rows, kind, asymmetry = _rows_of(lines, centre, name)
    return _finished(rows, kind, asymmetry)


def _gapped(parts: Sequence[tuple[FloatArray, str, float]]) -> Outline:
    """Return an outline of several stretches, open between them."""
    rows = [part[0] for part in parts]
    start = float(rows[0][0, 0])
    gaps = tuple((float(a[-1, 0]) - start, float(b[0, 0]) - start) for a, b in pairwise(rows))
    whole = _finished(np.concatenate(rows), parts[0][1], max(part[2] for part in parts))
    return replace(whole, gaps_mm=gaps)


def _axis_of(solids: Sequence[Chain], centres: Sequence[Chain]) -> str:
    box = centres[0] if centres else solids[0]
    width, height = np.ptp(box.points, axis=0)
    return "x" if width >= height else "y"


def _turned(chain: Chain, along: str) -> Chain:
    points = chain.points if along == "x" else chain.points[:, ::-1]
    return Chain(points, chain.layer, chain.centre_line)


def _candidates(chains: list[Chain], centre: float | None, name: str) -> list[Chain]:
    """Return the chains that may be the outline: one, or the two halves of a full one."""
    longest = float(np.ptp(chains[0].points[:, 0]))
    if longest < 1.0:
        longest = chains[0].size_mm
    rivals = [
        chain
        for chain in chains
        if np.ptp(chain.points[:, 0]) >= _RIVAL * longest and not _on_axis(chain, centre)
    ]
    if len(rivals) > 2 or (len(rivals) == 2 and any(chain.closed for chain in rivals)):
        raise _several(rivals, name)
    return rivals or chains[:1]


def _on_axis(chain: Chain, centre: float | None) -> bool:
    """Whether a chain is just the axis drawn as a plain line."""
    rho = chain.points[:, 1]
    axis = 0.0 if centre is None else centre
    return bool(np.ptp(rho) < _SAME_MM and abs(np.mean(rho) - axis) < _SAME_MM)


def _several(rivals: Sequence[Chain], name: str) -> BadFileError:
    layers = sorted({chain.layer for chain in rivals if chain.layer})
    where = f" (layers {', '.join(layers)})" if len(layers) > 1 else ""
    return BadFileError(
        "plan-several-outlines",
        f"{name} holds several outlines{where}.",
        "Keep one in the file, or make a plan file (TOML) that names its layer.",
    )


def _two_halves(lines: list[Chain], name: str) -> list[Chain]:
    """Return the pair if one mirrors the other roughly; else refuse."""
    a, b = (np.ptp(chain.points[:, 0]) for chain in lines)
    apart = abs(np.mean(lines[0].points[:, 1]) - np.mean(lines[1].points[:, 1]))
    same_side = apart < _SAME_MM
    if same_side or abs(a - b) > 0.05 * max(a, b):
        raise _several(lines, name)
    return lines


def _rows_of(lines: list[Chain], centre: float | None, name: str) -> tuple[FloatArray, str, float]:
    """Return ((n, 2) of z and radius, "half" or "full", asymmetry)."""
    if len(lines) == 2:
        sides = [_one_way(chain.points, name) for chain in lines]
        return _full(sides[0], sides[1], centre, name)
    points = lines[0].points
    if not lines[0].closed:
        ends_meet_axis = centre is not None or abs(points[0, 1] - points[-1, 1]) < _SAME_MM
        opened = _split(points) if ends_meet_axis else None
        if opened is not None and _is_mirrored(*opened, name):
            return _full(opened[0], opened[1], centre, name)
        return _half(points, centre, name), "half", 0.0
    sides_of_loop = _split(points)
    if sides_of_loop is None:
        raise BadFileError(
            "plan-no-outline",
            f"{name}: the closed line is no outline of a turned piece.",
            "Draw the outline so that it runs from end to end without turning back.",
        )
    return _loop(sides_of_loop, centre, name)


def _loop(
    sides: tuple[FloatArray, FloatArray], centre: float | None, name: str
) -> tuple[FloatArray, str, float]:
    """Tell a closed half outline, one side of which is the axis, from a full one."""
    axis = 0.0 if centre is None else centre
    straight = [np.ptp(side[:, 1]) < _SAME_MM for side in sides]
    on_axis = [
        flat and abs(np.mean(side[:, 1]) - axis) < _SAME_MM
        for side, flat in zip(sides, straight, strict=True)
    ]
    if any(on_axis):
        if (
            all(straight) and centre is None
        ):  # a bare rectangle is half of one piece or all of another
            raise _no_axis(name)
        outer = sides[1] if on_axis[0] else sides[0]
        return _half(outer, axis, name), "half", 0.0
    if _is_mirrored(*sides, name):
        return _full(sides[0], sides[1], centre, name)
    raise _no_axis(name)


def _split(points: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    """Cut a loop at its two ends along the axis; None if it does not come back."""
    ring = points[:-1] if distance(points[0], points[-1]) < JOIN_MM else points
    low, high = float(np.min(ring[:, 0])), float(np.max(ring[:, 0]))
    at_low = np.nonzero(ring[:, 0] < low + _SAME_MM)[0]
    at_high = np.nonzero(ring[:, 0] > high - _SAME_MM)[0]
    start = int(at_low[0])
    ring = np.roll(ring, -start, axis=0)
    is_high = ring[:, 0] > high - _SAME_MM
    first = int(np.argmax(is_high))
    last = len(ring) - 1 - int(np.argmax(is_high[::-1]))
    if len(at_high) == 0 or first == 0:
        return None
    out = ring[: first + 1]
    back = np.concatenate([ring[last:], ring[:1]]) if last > first else ring[first:]
    if len(back) < 2:
        return None
    if last <= first:
        back = np.concatenate([back, ring[:1]])
    return _without_end_faces(out, back, low, high)


def _without_end_faces(
    out: FloatArray, back: FloatArray, low: float, high: float
) -> tuple[FloatArray, FloatArray]:
    """Drop from both sides the parts that run along an end face."""

    def trimmed(side: FloatArray) -> FloatArray:
        side = side if side[0, 0] <= side[-1, 0] else side[::-1]
        begins = int(np.nonzero(side[:, 0] < low + _SAME_MM)[0][-1])
        ends = int(np.nonzero(side[:, 0] > high - _SAME_MM)[0][0])
        return side[begins : ends + 1]

    return trimmed(out), trimmed(back)


def _one_way(points: FloatArray, name: str) -> FloatArray:
    """Return points in order of z, refusing an outline that turns back along the axis."""
    ordered = points if points[-1, 0] >= points[0, 0] else points[::-1]
    highest = np.maximum.accumulate(ordered[:, 0])
    back = highest - ordered[:, 0]
    if np.max(back) > _SAME_MM:
        where = float(ordered[int(np.argmax(back)), 0] - ordered[0, 0])
        raise BadFileError(
            "plan-undercut",
            f"{name}: the outline turns back along the axis about {where:.1f} mm from its end.",
            "A plan has one diameter at each place: draw undercuts as square shoulders.",
        )
    return np.column_stack([highest, ordered[:, 1]])


def _sampled(side: FloatArray, z: FloatArray) -> FloatArray:
    return np.interp(z, side[:, 0], side[:, 1])


def _is_mirrored(out: FloatArray, back: FloatArray, name: str) -> bool:
    """Whether two sides are mirror images about a line along the axis, within 2 % of the width."""
    try:
        a, b = _one_way(out, name), _one_way(back, name)
    except BadFileError:
        return False
    z = np.linspace(max(a[0, 0], b[0, 0]), min(a[-1, 0], b[-1, 0]), 203)[1:-1]
    middle = (_sampled(a, z) + _sampled(b, z)) / 2.0
    width = np.abs(_sampled(a, z) - _sampled(b, z))
    spread = np.percentile(np.abs(middle - np.median(middle)), 90)
    return bool(spread < 0.02 * np.max(width))


def _full(
    out: FloatArray, back: FloatArray, centre: float | None, name: str
) -> tuple[FloatArray, str, float]:
    """Average the two sides of a full outline about its centre line."""
    a, b = _one_way(out, name), _one_way(back, name)
    if np.mean(a[:, 1]) < np.mean(b[:, 1]):
        a, b = b, a
    z0, z1 = max(a[0, 0], b[0, 0]), min(a[-1, 0], b[-1, 0])
    z = np.linspace(z0, z1, 401)[1:-1]
    middle = float(np.median((_sampled(a, z) + _sampled(b, z)) / 2.0)) if centre is None else centre
    upper, lower = a[:, 1] - middle, middle - b[:, 1]
    asymmetry = float(np.max(np.abs(_sampled(a, z) + _sampled(b, z) - 2.0 * middle)))
    same = len(a) == len(b) and np.allclose(a[:, 0], b[:, 0], atol=_SAME_MM)
    if same:
        return (
            np.column_stack([(a[:, 0] + b[:, 0]) / 2.0, (upper + lower) / 2.0]),
            "full",
            asymmetry,
        )
    if asymmetry < 2.0 * _SAME_MM:  # the same curve with other corners: either side will do
        return np.column_stack([a[:, 0], upper]), "full", asymmetry
    # Different corners: the upper side's, each with the mean of both sides on its own flank.
    other = _flanked(np.column_stack([b[:, 0], lower]), a[:, 0])
    return np.column_stack([a[:, 0], (upper + other) / 2.0]), "full", asymmetry


def _flanked(side: FloatArray, z: FloatArray) -> FloatArray:
    """Sample a side at z; at the two rows of a shoulder just before and just after it."""
    nudge = np.zeros_like(z)
    pair = np.nonzero(np.diff(z) < _SAME_MM)[0]
    nudge[pair], nudge[pair + 1] = -5.0 * _SAME_MM, 5.0 * _SAME_MM
    return _sampled(side, z + nudge)


def _half(points: FloatArray, centre: float | None, name: str) -> FloatArray:
    rho = points[:, 1]
    axis = centre
    if axis is None:
        if np.min(rho) < -_SAME_MM and np.max(rho) > _SAME_MM:
            raise _no_axis(name)
        axis = 0.0
    elif np.min(rho) < axis - _SAME_MM and np.max(rho) > axis + _SAME_MM:
        raise _no_axis(name)
    return _one_way(np.column_stack([points[:, 0], np.abs(rho - axis)]), name)


def _no_axis(name: str) -> BadFileError:
    return BadFileError(
        "plan-no-axis",
        f"{name}: it is not clear where the centre line of the half outline lies.",
        "Draw it on a layer called axis, or put the outline on one side of y = 0.",
    )


def _finished(rows: FloatArray, kind: str, asymmetry: float) -> Outline:
    """Round equal z together, keep two rows at most at each, begin at 0, drop the end faces."""
    z = rows[:, 0] - rows[0, 0]
    diameter = 2.0 * rows[:, 1]
    # Nearly vertical steps are drawn shoulders: give their rows one z.
    for index in np.nonzero(np.diff(z) < 1e-4)[0]:
        z[index + 1] = z[index]
    keep = np.ones(len(z), dtype=bool)
    keep[1:-1] = ~((z[1:-1] == z[:-2]) & (z[1:-1] == z[2:]))
    # A step down to the axis at either end is the end face, not a shoulder of the outside.
    z, diameter = z[keep], diameter[keep]
    first = 1 if len(z) > 2 and z[0] == z[1] else 0
    last = len(z) - 1 if len(z) > 2 and z[-1] == z[-2] else len(z)
    return Outline(z[first:last], diameter[first:last], kind, asymmetry)
