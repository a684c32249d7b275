"""Where the rims of a tool's steps begin and end along the axis, and what lies in between.

Each step's own change of colour, averaged over its middle, is held against every row of the
photo at its radius; all steps together are then laid along the axis in order. Where none of them
shows and the larger neighbour does not hide the gap, a step was overlooked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.view import View
from measure.revolve import Axis
from measure.rimchoice import BESIDE_MM, MOST_ASIDE_MM, chosen_rims, likeliest, read_anew
from measure.rimedges import ROW_MM, STEP_PX, edges_of_step, in_sight, onset_kernel
from measure.rimoutline import LIKELY_LOSS, Cylinder
from measure.rimpixels import rim_pixels

__all__ = ["goes_past_an_end", "laid_along", "overlooks"]

FloatArray = NDArray[np.float64]

ALONG_ROWS = 7
"""Rows averaged before they are judged: longer than a chamfer, hardly longer than the shortest
step."""
SHORTEST_MM = 1.5
"""A shorter stretch is a chamfer or a speck."""
BEYOND_MM = 25.0
"""How far past the ends that were found rims may go on: half a shank, where the bench's tone hid it
from the coarse outline."""
HELD_SHARE = 0.5
"""A row shows a rim if it shows this much of its change of colour: halfway between all and none."""
BENCH_MM = 4.0
"""So far beside the rim the bench's texture is taken: clear of the rim's own surroundings
(`OUTSIDE_MM`) and in much the same light."""
CLEAR, OTHER_GAIN = 6.0, 0.5 * (1.0 - HELD_SHARE)
"""A change of colour other than in the step's middle is one too where it is so many times the
texture, between a doubtful and a sure edge; but counts for half."""
OVERLOOKED_MM = 4.0
"""A gap that shows so much and is no step's is looked through for one: two blocks of rows between
two ends that are left out, and a row each."""
ALIKE_MM, GOES_ON_MM = 0.6, BESIDE_MM
"""Steps are told apart when their radii differ by what makes a shoulder; a rim goes on where there
is an edge so near to it."""
SURE_LOSS = 1.5
"""What at most speaks against a step that was overlooked, whatever its neighbours do; and by how
much less than against the one it is part of: odds of e^1.5, four or five to one."""
PART_MM = 8.0
"""Length of the parts in which a larger step is looked for: half a usual cutting step, so that one
part lies within it."""
TIMES_RADIUS = (1.7, 3.0, 5.0)
"""How many times as thick a larger step is looked for: near by first, for farther off lie the card
and the edge of the bench, whose edges speak against what lies within. A shank of 8 mm carries heads
to 40 (common practice, no source)."""
PAST_MM = (1.0, 2.0, 4.0, 8.0)
"""So far past an end parts of `PART_MM` begin that are looked through for one more step: past a
chamfer, and farther than the shadow of an end runs straight. Two that show one radius are a step:
so two ends did whose step was missed, of forty others none (rendered photos)."""
SIGNS = (1.0, -1.0)


def laid_along(
    bgr: NDArray[np.uint8], view: View, axis: Axis, steps: Sequence[Cylinder]
) -> tuple[Cylinder, ...]:
    """Return the steps with their ends where their rims end, gaps closed; z in order.

    Parameters
    ----------
    bgr : (H, W, 3) photo.
    view, axis : about right.
    steps : in order along the axis, with the radii of their rims.
    """
    steps = [part for step in steps for part in _parted(bgr, view, axis, step)]
    steps = _with_extents(bgr, view, axis, steps)
    filled: list[Cylinder] = []
    for step in steps:
        if filled and (between := _between(bgr, view, axis, filled[-1], step)) is not None:
            filled.append(between)
        filled.append(step)
    if len(filled) > len(steps):
        steps = _with_extents(bgr, view, axis, filled)
    return _closed(bgr, view, axis, steps)


def overlooks(bgr: NDArray[np.uint8], view: View, axis: Axis, steps: Sequence[Cylinder]) -> bool:
    """Return whether a stretch of a step shows itself to be part of a larger one."""
    parts = (part for step in steps if step.is_seen for part in _parts(step))
    return any(_larger(bgr, view, axis, part) is not None for part in parts)


def goes_past_an_end(
    bgr: NDArray[np.uint8], view: View, axis: Axis, steps: Sequence[Cylinder]
) -> bool:
    """Return whether past either end there are rims that go on as those of one more step would.

    A step whose own end does not show, such as a long taper, is left out as a shadow would be.
    """
    return any(_goes_past(bgr, view, axis, steps, first) for first in (True, False))


def _goes_past(
    bgr: NDArray[np.uint8], view: View, axis: Axis, steps: Sequence[Cylinder], first: bool
) -> bool:
    end = steps[0] if first else steps[-1]
    radii: list[float] = []
    for past in PAST_MM:
        low = end.z_from_mm - past - PART_MM if first else end.z_to_mm + past
        gap = Cylinder(low, low + PART_MM, end.radius_mm, end.aside_mm, overlooked=True)
        row = [gap, *steps] if first else [*steps, gap]
        k = 0 if first else len(steps)
        radius, loss = likeliest(bgr, view, axis, row, k)
        if loss < LIKELY_LOSS:
            if any(abs(radius - other) < ALIKE_MM for other in radii):
                return True
            radii.append(radius)
    return False


def _parts(step: Cylinder) -> list[Cylinder]:
    """Return a step in parts of one length; one that is too short for two as it is."""
    count = max(int((step.z_to_mm - step.z_from_mm) / PART_MM), 1)
    places = np.linspace(step.z_from_mm, step.z_to_mm, count + 1)
    return [
        replace(step, z_from_mm=float(low), z_to_mm=float(high)) for low, high in pairwise(places)
    ]


def _parted(bgr: NDArray[np.uint8], view: View, axis: Axis, step: Cylinder) -> list[Cylinder]:
    """Return a step, parted where a larger one was overlooked in it.

    A highlight may go on at one radius over the steps on either side of a larger one and over
    that one too. Beyond doubt it is no rim where both sides show edges farther out.
    """
    parts: list[Cylinder] = []
    for own in _parts(step):
        part = own
        if own.z_to_mm - own.z_from_mm < step.z_to_mm - step.z_from_mm:
            part = _larger(bgr, view, axis, own) or own
        if parts and abs(parts[-1].radius_mm - part.radius_mm) < ALIKE_MM:
            parts[-1] = replace(parts[-1], z_to_mm=part.z_to_mm)
        else:
            parts.append(part)
    return parts


def _larger(bgr: NDArray[np.uint8], view: View, axis: Axis, own: Cylinder) -> Cylinder | None:
    """Return the larger step that a stretch of one shows itself to be; None if it does not."""
    for times in TIMES_RADIUS:
        read = read_anew(bgr, view, axis, own, times * own.radius_mm)
        if read is None:
            continue
        found, own_loss = read
        larger = found.radius_mm > own.radius_mm + 2.0 * ALIKE_MM
        likely = found.loss + SURE_LOSS < own_loss and found.loss < LIKELY_LOSS
        if larger and likely and abs(found.aside_mm - own.aside_mm) < MOST_ASIDE_MM:
            return found
    return None


def _between(
    bgr: NDArray[np.uint8],
    view: View,
    axis: Axis,
    a: Cylinder,
    b: Cylinder,
) -> Cylinder | None:
    """Return the step that was overlooked between two others; None if there is none.

    A larger one hides nothing of itself and is believed before a neighbour that seems to go on:
    that may be a highlight.
    """
    if _open_mm(view, axis, a, b) < OVERLOOKED_MM:
        return None
    gap = Cylinder(
        a.z_to_mm + 0.5,
        b.z_from_mm - 0.5,
        TIMES_RADIUS[1] * max(a.radius_mm, b.radius_mm),
        0.5 * (a.aside_mm + b.aside_mm),
        overlooked=True,
    )
    found = chosen_rims(bgr, view, axis, [a, gap, b])
    if (
        len(found) < 3
        or min(abs(found[1].radius_mm - step.radius_mm) for step in (a, b)) < ALIKE_MM
    ):
        return None
    larger = found[1].radius_mm > max(a.radius_mm, b.radius_mm)
    if larger and found[1].loss < SURE_LOSS:
        return found[1]
    goes_on = _goes_on(bgr, view, axis, a, b)
    return None if goes_on or found[1].loss > LIKELY_LOSS else found[1]


def _goes_on(bgr: NDArray[np.uint8], view: View, axis: Axis, a: Cylinder, b: Cylinder) -> bool:
    """Return whether the gap between two steps shows the rim of one of them, on either side."""
    for step, other in ((a, b), (b, a)):
        through = replace(step, z_from_mm=a.z_to_mm, z_to_mm=b.z_from_mm)
        for sign in SIGNS:
            edges = edges_of_step(bgr, view, axis, (through, other), 0, sign)
            away = np.abs(edges.radius_mm - step.radius_mm - sign * step.aside_mm)
            if np.any(away < GOES_ON_MM):
                return True
    return False


def _with_extents(
    bgr: NDArray[np.uint8], view: View, axis: Axis, steps: Sequence[Cylinder]
) -> list[Cylinder]:
    """Return the steps from where to where their rims show; those that show nowhere left out."""
    if not steps:
        return []
    z = np.arange(steps[0].z_from_mm - BEYOND_MM, steps[-1].z_to_mm + BEYOND_MM, ROW_MM)
    gains = np.stack([_gain(bgr, view, axis, steps, k, z) for k in range(len(steps))])
    laid = []
    for step, (first, last) in zip(steps, _in_order(gains), strict=True):
        if (last - first) * ROW_MM >= SHORTEST_MM:
            edges = z[first] - 0.5 * ROW_MM, z[last - 1] + 0.5 * ROW_MM
            laid.append(replace(step, z_from_mm=float(edges[0]), z_to_mm=float(edges[1])))
    return laid


def _gain(
    bgr: NDArray[np.uint8],
    view: View,
    axis: Axis,
    steps: Sequence[Cylinder],
    k: int,
    z: FloatArray,
) -> FloatArray:
    """Return how much more than half of step k's change of colour each row shows, (rows,)."""
    step = steps[k]
    away = np.linalg.norm(axis.at(0.5 * (step.z_from_mm + step.z_to_mm)) - view.camera_centre_mm)
    column = STEP_PX * float(away) / view.lens.focal_px
    reach = len(onset_kernel()) // 2
    offsets = np.arange(-reach, reach + 1) * column
    total = np.zeros(len(z))
    for sign in SIGNS:
        radii = np.maximum(step.radius_mm + sign * step.aside_mm + offsets, column)
        onset = _onset_at(bgr, view, axis, z, radii, sign)
        seen = in_sight(view, axis, steps, k, sign)
        own = np.isin(np.round(z / ROW_MM), np.round(seen / ROW_MM))
        if own.sum() < 4:
            own = (z >= step.z_from_mm) & (z <= step.z_to_mm)
        change = np.median(onset[own], axis=0) if own.any() else np.zeros(3)
        size = float(change @ change)
        if size > 0.0:
            even = cv2.blur(onset, (1, ALONG_ROWS), borderType=cv2.BORDER_REPLICATE)
            share = np.clip(even @ change / size - HELD_SHARE, -0.5, 0.5)
            # Where a shadow on the bench ends the rim goes on with another change of colour.
            bench = cv2.blur(
                _onset_at(bgr, view, axis, z, radii + BENCH_MM, sign),
                (1, ALONG_ROWS),
                borderType=cv2.BORDER_REPLICATE,
            )
            usual = float(np.median(np.linalg.norm(bench, axis=1)))
            other = np.linalg.norm(even, axis=1) / (CLEAR * max(usual, 1e-6)) - HELD_SHARE
            total += np.maximum(share, np.clip(other, -0.5, OTHER_GAIN))
    return total


def _onset_at(
    bgr: NDArray[np.uint8],
    view: View,
    axis: Axis,
    z: FloatArray,
    radii_mm: FloatArray,
    sign: float,
) -> FloatArray:
    """Return the onset (rows, 3) in the middle of a few columns of radius."""
    x, y = rim_pixels(view, axis, z, radii_mm, sign)
    laid = cv2.remap(bgr, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    weights = onset_kernel().astype(np.float64)
    return np.asarray(np.einsum("rck,c->rk", laid.astype(np.float64), weights))


def _in_order(gains: FloatArray) -> list[tuple[int, int]]:
    """Return first row and row after the last of each step (n, rows), so that all gain most.

    They come in order and do not overlap; rows between them may be none's.
    """
    n, rows = gains.shape
    # States: before the first step, on it, between, on the second, ...
    here = np.zeros((2 * n + 1, rows))
    here[1::2] = gains
    total = np.full(2 * n + 1, -np.inf)
    total[0] = 0.0
    came = np.zeros((rows, 2 * n + 1), dtype=np.int64)
    for row in range(rows):
        best = 0
        moved = np.empty_like(total)
        for state in range(2 * n + 1):
            best = state if total[state] >= total[best] else best
            came[row, state], moved[state] = best, total[best]
        total = moved + here[:, row]
    state = int(total.argmax())
    path = np.empty(rows, dtype=np.int64)
    for row in range(rows - 1, -1, -1):
        path[row] = state
        state = int(came[row, state])
    found = []
    for k in range(n):
        at = np.flatnonzero(path == 2 * k + 1)
        found.append((int(at[0]), int(at[-1]) + 1) if len(at) else (0, 0))
    return found


def _open_mm(view: View, axis: Axis, a: Cylinder, b: Cylinder) -> float:
    """Return how much of the gap between two steps the larger of them does not hide, mm."""
    if b.z_from_mm - a.z_to_mm < OVERLOOKED_MM:
        return 0.0
    larger, smaller = (a, b) if a.radius_mm >= b.radius_mm else (b, a)
    between = replace(smaller, z_from_mm=a.z_to_mm, z_to_mm=b.z_from_mm)
    return max(ROW_MM * len(in_sight(view, axis, (between, larger), 0, sign)) for sign in SIGNS)


def _closed(
    bgr: NDArray[np.uint8], view: View, axis: Axis, steps: Sequence[Cylinder]
) -> tuple[Cylinder, ...]:
    """Return the steps one after the other: the smaller is carried on to where the larger ends.

    What lies open between two steps and is neither's stays as a step that shows no rim.
    """
    closed: list[Cylinder] = []
    for step in steps:
        if closed:
            before = closed[-1]
            unseen = _open_mm(view, axis, before, step) >= OVERLOOKED_MM
            if unseen and not _goes_on(bgr, view, axis, before, step):
                larger = max(before.radius_mm, step.radius_mm)
                closed.append(Cylinder(before.z_to_mm, step.z_from_mm, larger, 0.0, is_seen=False))
            else:
                first = before.radius_mm >= step.radius_mm
                meet = before.z_to_mm if first else step.z_from_mm
                closed[-1] = replace(before, z_to_mm=meet)
                step = replace(step, z_from_mm=meet)
        closed.append(step)
    return tuple(step for step in closed if step.z_to_mm > step.z_from_mm)
