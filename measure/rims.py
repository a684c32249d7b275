"""The straight rims of a steel tool: found where they are faint beside highlights and shadows.

Polished steel mirrors the bench at its rim, so that the strongest edges lie inside the piece and
the true rim is almost invisible pixel by pixel. But a rim is straight along the axis. The photo is
laid out so that the rim of any cylinder about the axis is a horizontal line: rows along the
axis, columns by radius, one picture for each side. Averaged along the axis, faint rims rise
out of the noise; of several edges the outermost is the rim.

Frame: the target frame, mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.view import View
from measure.reach import frame_of
from measure.revolve import Axis
from measure.rimevidence import (
    CERTAIN_SIGNIFICANCE,
    COLUMN_PX,
    EVEN_SIGNIFICANCE,
    MIRROR_MM,
    MIRROR_SHARE,
    OUTER_WEIGHT,
    ROW_MM,
    RimLayout,
    RimSide,
    bench_columns,
    laid_out,
    rim_evidence,
    step_strength,
)
from measure.rimlean import lean_of
from measure.scene import Scene

__all__ = ["Rim", "find_rims"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

BEYOND_MM, BEYOND_SHARE = 10.0, 0.2
LEAST_RADIUS_MM, MOST_RADIUS_MM, LEAST_LENGTH_MM = 2.0, 60.0, 15.0
ALONG_MM = (3.0, 5.0)
SETTLE_MM = 1.5
HELD_SHARE = 0.5
"""A rim goes on while it is this strong, of what it is in its middle."""
SIGNS = (1.0, -1.0)
LOOKS_MM = ((12.0, 0.3), (1.5, 0.1))
"""Of the two looks: how far off the axis may be, and how finely it is looked for."""
APART_MM = 0.5
"""How far the two sides of one step may differ from their mean: half of a cutter's offset and
what the axis is still off."""
JUMP, DRIFT = 8.0, 0.3
"""Prices of another step, and of a radius that grows by a column, in rows of full evidence."""
NOTHING, NOTHING_SDS = 0.4, 1.5
"""Gain of a row without piece: at least this, and so far above what the bench's texture gives."""
SHORTEST_ROWS = 6


@dataclass(frozen=True, slots=True)
class Rim:
    """A pair of straight rims, mm: z along the axis, and the radius on each side.

    The first side is the `across` side of `reach.frame_of`.
    """

    z_from_mm: float
    z_to_mm: float
    radii_mm: tuple[float, float]

    @property
    def radius_mm(self) -> float:
        """Mean of the two sides."""
        return 0.5 * (self.radii_mm[0] + self.radii_mm[1])


def find_rims(
    bgr: NDArray[np.uint8],
    scene: Scene,
    view: View,
    axis: Axis,
    length_mm: float,
    r_max_mm: float,
    is_near: bool = False,
) -> tuple[Axis, tuple[Rim, ...]]:
    """Return the axis made symmetrical to the rims, and the rims from z = 0 on.

    Parameters
    ----------
    bgr : (H, W, 3) the photo; `scene` says where in it no tool can be.
    view : of the target.
    axis : a first guess, z = 0 near the start end.
    length_mm, r_max_mm : about how long and thick the tool is; rims are looked for a little
        beyond both. Without rims are sizes that no boring tool has.
    is_near : whether the axis is right within about a millimetre.
    """
    if not (length_mm > LEAST_LENGTH_MM and LEAST_RADIUS_MM < r_max_mm < MOST_RADIUS_MM):
        return axis, ()
    middle = axis.at(0.5 * length_mm)
    ends = view.to_pixels(axis.at(np.array([0.0, length_mm])))
    px_mm = float(np.linalg.norm(ends[1] - ends[0])) / length_mm
    beyond = max(BEYOND_MM, BEYOND_SHARE * length_mm)
    layout = RimLayout(
        np.arange(-beyond, length_mm + beyond, ROW_MM),
        np.arange(LEAST_RADIUS_MM, 1.35 * r_max_mm + 4.0, COLUMN_PX / px_mm),
    )
    across, _ = frame_of(view.camera_centre_mm, Axis(middle, axis.direction))
    looks = list(zip(LOOKS_MM, ALONG_MM, strict=True))
    for (farthest, grain), along in looks[1:] if is_near else looks:
        sides = [
            rim_evidence(laid_out(bgr, scene, view, axis, layout, s), layout, along) for s in SIGNS
        ]
        shift, turn = lean_of(sides[0].mirror, sides[1].mirror, layout, farthest, grain)
        moved = axis.direction + turn * across
        axis = Axis(
            axis.point_mm + (shift - turn * 0.5 * length_mm) * across,
            moved / np.linalg.norm(moved),
        )
    sides = [
        rim_evidence(laid_out(bgr, scene, view, axis, layout, s), layout, along) for s in SIGNS
    ]
    return axis, _rims(sides[0], sides[1], layout)


def _rims(a: RimSide, b: RimSide, layout: RimLayout) -> tuple[Rim, ...]:
    reach = max(int(APART_MM / layout.column_mm), 1)
    path = _path(*_scores(a, b, reach))
    nothing = a.rim.shape[1]
    runs: list[tuple[int, int, tuple[float, float]]] = []
    start = 0
    for row in range(1, len(path) + 1):
        goes_on = row < len(path) and abs(int(path[row]) - int(path[row - 1])) <= 1
        if goes_on and (path[row] == nothing) == (path[start] == nothing):
            continue
        if path[start] != nothing and row - start >= SHORTEST_ROWS:
            radii = _settled(a, b, slice(start, row), int(np.median(path[start:row])), layout)
            if radii is not None:
                runs.append((start, row, radii))
        start = row
    ends = []
    for first, last, radii in runs:
        low, high = _extent(a, b, radii, first, last, layout)
        # A highlight may go on at one radius past the end of the step that it lies on.
        ends.append([max(low, first - END_ROWS), min(high, last + END_ROWS)])
    for k in range(len(runs) - 1):
        # A step may hide the beginning of the next; two cannot be at one place.
        if ends[k][1] > ends[k + 1][0] + OVERLAP_ROWS:
            held = [_held(a, b, path[i:j], i, j, radii, layout) for i, j, radii in runs[k : k + 2]]
            ends[k][1] = ends[k + 1][0] = _change(held[0], held[1], runs[k + 1][0])
    rims = []
    for (low, high), (_, _, radii) in zip(ends, runs, strict=True):
        if high - low >= SHORTEST_ROWS:
            edges = layout.z[0] + ROW_MM * (np.array([low, high]) - 0.5)
            rims.append(Rim(float(edges[0]), float(edges[1]), radii))
    return tuple(rims)


END_ROWS, OVERLAP_ROWS = 24, 12
"""The end of a step is looked for so far about where the path left it; steps that overlap by more
than so many rows are parted by what they show."""
HELD_ROWS, EXTENT_ROWS = 3, 5


def _held(
    a: RimSide,
    b: RimSide,
    path: NDArray[np.int64],
    start: int,
    stop: int,
    radii: tuple[float, float],
    layout: RimLayout,
) -> FloatArray:
    """Return how far each row (rows,) shows the rims of one step, about -1 to 1, less half.

    What counts is the change of colour that the step's middle shows, where the path ran.
    """
    drift = np.clip(np.arange(len(a.rim)), start, stop - 1) - start
    moved = path[drift] - int(np.median(path))
    inner = _middle_half(start, stop)
    shares = [
        _share(side, np.searchsorted(layout.r, radius) + moved, inner, HELD_ROWS)
        for side, radius in zip((a, b), radii, strict=True)
    ]
    return np.asarray(0.5 * (shares[0] + shares[1]) - HELD_SHARE)


def _middle_half(start: int, stop: int) -> slice:
    quarter = (stop - start) // 4
    return slice(start + quarter, stop - quarter)


def _share(side: RimSide, column: NDArray[np.int64], inner: slice, along: int) -> FloatArray:
    """Return how much of the change of colour that the inner rows show each row shows, -1 to 1.

    `column` (rows,) is where each row is looked at; `along` rows are averaged.
    """
    rows, columns = side.rim.shape
    near_column = np.clip(column[:, None] + np.arange(-2, 3), 0, columns - 1)
    near = side.slopes[np.arange(rows)[:, None], near_column]
    change = near[inner].mean(axis=0)
    change = change / max(float(np.linalg.norm(change)), 1e-12)
    share = cv2.blur((near * change).sum(axis=(1, 2))[:, None], (1, along)).ravel()
    return np.asarray(np.clip(share / max(float(np.median(share[inner])), 1e-9), -1.0, 1.0))


def _change(before: FloatArray, after: FloatArray, about: int) -> int:
    """Return the row where one step gives way to the next, near `about`."""
    low, high = max(about - END_ROWS, 1), min(about + END_ROWS, len(before) - 1)
    gain = np.cumsum(before[low:high] - after[low:high])
    return low + 1 + int(gain.argmax())


def _settled(
    a: RimSide, b: RimSide, rows: slice, middle: int, layout: RimLayout
) -> tuple[float, float] | None:
    """Return the radii of the two sides of a step, None if none is beyond doubt.

    Averaged over the whole step, what is an edge stands clear of the noise. The outermost pair
    of edges is taken that the two sides show within what an offset allows; near the radius
    that was found, but as far out as reflections may have hidden the rim.
    """
    strengths = [step_strength(side, rows) for side in (a, b)]
    settle = int(SETTLE_MM / layout.column_mm)
    most = (MIRROR_SHARE * float(layout.r[middle]) + MIRROR_MM) / layout.column_mm
    reach = 2 * int(APART_MM / layout.column_mm)
    found: list[tuple[int, int]] = []
    for one, other in ((0, 1), (1, 0)):
        for column in range(min(middle + int(most), len(layout.r) - 1), middle - settle, -1):
            if column < 0 or strengths[one][column] < CERTAIN_SIGNIFICANCE:
                continue
            low = max(column - reach, 0)
            mate = low + int(strengths[other][low : column + reach + 1].argmax())
            # Far from what the path found, both sides must be beyond doubt.
            near = column <= middle + settle
            if strengths[other][mate] >= (EVEN_SIGNIFICANCE if near else CERTAIN_SIGNIFICANCE):
                found.append((column, mate) if one == 0 else (mate, column))
                break
    if not found:
        return None
    best = max(found, key=sum)
    return float(layout.r[best[0]]), float(layout.r[best[1]])


def _extent(
    a: RimSide, b: RimSide, radii: tuple[float, float], start: int, stop: int, layout: RimLayout
) -> tuple[int, int]:
    """Return the rows where a pair of rims begins and ends: averaged along it only a little.

    The rows found are off by up to what was averaged along; where a rim stops, its edge leaves
    its column.
    """
    ends = []
    for side, radius in zip((a, b), radii, strict=True):
        column = np.full(len(side.rim), int(np.searchsorted(layout.r, radius)))
        share = _share(side, column, _middle_half(start, stop), EXTENT_ROWS)
        ends.append(_longest_hold(share - HELD_SHARE, (start + stop) // 2))
    # One side may be lost in a shadow before the rim ends; no edge goes on beyond it.
    first, last = min(end[0] for end in ends), max(end[1] for end in ends)
    return first, last + 1


def _longest_hold(gain: FloatArray, middle: int) -> tuple[int, int]:
    """Return first and last row of the stretch through `middle` whose gain adds up to most."""
    after = np.cumsum(gain[middle:])
    before = np.cumsum(gain[middle::-1])
    return middle - int(before.argmax()), middle + int(after.argmax())


def _scores(a: RimSide, b: RimSide, reach: int) -> tuple[Float32Array, float]:
    """Return the score of each place as a pair of rims, and that of a row without piece.

    What lies inside a pair of certain edges at one radius is no rim: the bench shows no such
    pair about the axis, steel shows many inside its own.
    """
    score = _in_pairs(a.rim, b.rim, reach)
    certain = _in_pairs(a.certain, b.certain, reach)
    clear = 2 * reach + 1
    outer = np.maximum.accumulate(certain[:, ::-1], axis=1)[:, ::-1]
    score[:, :-clear] *= 1.0 - OUTER_WEIGHT * np.clip(
        (outer[:, clear:] - NO_PAIR) / (1.0 - NO_PAIR), 0.0, 1.0
    )
    bench = score[:, bench_columns(score)]
    nothing = max(NOTHING, float(bench.mean() + NOTHING_SDS * bench.std()))
    return np.asarray(score, dtype=np.float32), nothing


def _in_pairs(a: Float32Array, b: Float32Array, reach: int) -> Float32Array:
    """Return how well each place is borne out on both sides over a stretch along the axis.

    A cutter's steps may lie off its axis: the two sides are compared at radii that differ by up
    to twice the reach, but by as much all along the stretch. Specks do not add up so.
    """
    n, m = a.shape
    wide = 2 * reach
    sides = [
        np.pad(cv2.dilate(side, np.ones((1, 3), np.uint8)), ((0, 0), (reach, reach)))
        for side in (a, b)
    ]
    # The mean of both, geometric and arithmetic; the latter is averaged once for all shifts.
    one, other = (np.sqrt(side) for side in sides)
    alone, mate = (np.asarray(cv2.blur(np.float32(0.25) * side, (1, PAIR_ROWS))) for side in sides)
    best = np.zeros((n, m), dtype=np.float32)
    for shift in range(wide + 1):
        first, second = slice(shift, shift + m), slice(wide - shift, wide - shift + m)
        both = np.asarray(cv2.blur(one[:, first] * other[:, second], (1, PAIR_ROWS)))
        np.maximum(best, both + alone[:, first] + mate[:, second], out=best)
    return best / np.float32(1.5)


PAIR_ROWS = 13
"""Rows along the axis over which both sides must bear a place out."""
NO_PAIR = 0.35
"""What specks of the bench come to when averaged so; more is an edge that goes on."""


def _path(score: Float32Array, nothing: float) -> NDArray[np.int64]:
    """Return the column of each row of the best path, `columns` where there is no piece.

    A path keeps its column; another step costs `JUMP`, a column of drift `DRIFT`
    (dynamic programming [BellmanRoth1969]).
    """
    rows, columns = score.shape
    gain = np.concatenate([score, np.full((rows, 1), nothing, np.float32)], axis=1)
    came = np.empty((rows, columns + 1), dtype=np.int32)
    index = np.arange(columns + 1, dtype=np.int32)
    total = gain[0].copy()
    for row in range(1, rows):
        best = int(total.argmax())
        candidate, source = total.copy(), index.copy()
        _take(candidate, source, total[best] - JUMP, np.full(columns + 1, best, np.int32))
        drifted = total[:columns] - DRIFT
        _take(candidate[1:columns], source[1:columns], drifted[:-1], index[: columns - 1])
        _take(candidate[: columns - 1], source[: columns - 1], drifted[1:], index[1:columns])
        came[row] = source
        total = candidate + gain[row]
    path = np.empty(rows, dtype=np.int64)
    path[-1] = int(total.argmax())
    for row in range(rows - 1, 0, -1):
        path[row - 1] = came[row, path[row]]
    return path


def _take(
    candidate: Float32Array,
    source: NDArray[np.int32],
    offered: Float32Array,
    origin: NDArray[np.int32],
) -> None:
    """Put what is offered in place where it is better."""
    better = offered > candidate
    candidate[better] = np.broadcast_to(offered, candidate.shape)[better]
    source[better] = origin[better]
