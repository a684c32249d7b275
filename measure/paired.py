"""Both sides of a mirrored outline at once: the rim that both show, not the shadow that one shows.

In a band the two sides of the outline are mirror images. Scan lines cross the rough half outline
and its mirror image; the path across all pairs of them that keeps to edges on both sides, and
runs smoothly, is the rim. What one side alone shows, the border of a shadow, a gap in the bench,
has no partner.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.edges import sample_lines
from measure.band import Band, band_for, band_to_pixels
from measure.rimsteps import SUPPORT, bench_beyond, calm, colour_of, steps_of, turn_cost, widened

__all__ = ["Rim", "axis_ends", "half_widths", "paired_rim"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

REACH = 18
"""Trial places on each side of the rough outline."""
ALONE = 0.15
SIDE_ON = 0.8
BORNE_OUT = 0.5
LEAN_EVERY = 8
"""Of the lines, averaged over about as many, every so many tell where the middle lies."""


@dataclass(frozen=True, slots=True)
class Rim:
    """A mirrored outline that both sides of the photo bear out.

    Attributes
    ----------
    sides_px : two polylines (n, 2), from the axis at the start round the piece to the axis at the
        far end; the i-th points of both mirror each other.
    step_px : how finely it was looked for.
    borne_out : share of the outline whose two sides both show an edge.
    worth : length of outline that is borne out, less what is not, in steps; the larger the better.
    """

    sides_px: tuple[FloatArray, FloatArray]
    step_px: float
    borne_out: float
    worth: float

    @property
    def rank(self) -> float:
        """What rivals are ordered by: of outlines borne out alike the larger is the piece.

        The others are laminations and highlights on it.
        """
        round_it = np.concatenate([self.sides_px[0], self.sides_px[1][::-1]])
        x, y = round_it.T
        area = 0.5 * abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)))
        return float(self.worth * area**0.25)


@dataclass(frozen=True, slots=True)
class _Photo:
    """The photo with its table to linear light, and where in it there is no piece."""

    bgr: NDArray[np.uint8]
    to_linear: Float32Array
    paper: NDArray[np.bool_] | None
    coarse_px: float

    def on_paper(
        self, points: FloatArray, normals: FloatArray, offsets: FloatArray
    ) -> NDArray[np.bool_]:
        """Return which places (n, m), so far from points (n, 2), lie where there is no piece."""
        if self.paper is None:
            return np.zeros((len(points), len(offsets)), dtype=bool)
        at = points[:, None] + offsets[:, None] * normals[:, None]
        x, y = ((at + 0.5) / self.coarse_px).astype(np.int64).transpose(2, 0, 1)
        h, w = self.paper.shape
        return np.asarray(self.paper[np.clip(y, 0, h - 1), np.clip(x, 0, w - 1)])


@dataclass(frozen=True, slots=True)
class _Half:
    """The half outline in a band: (row, half width) of its points, unit outward normals."""

    band: Band
    at: FloatArray
    normal: FloatArray


def paired_rim(
    bgr: NDArray[np.uint8],
    to_linear: Float32Array,
    intrinsics: FloatArray,
    sides_px: tuple[FloatArray, FloatArray],
    coarse_px: float,
    paper: NDArray[np.bool_] | None = None,
) -> Rim:
    """Follow the rim of a rough mirrored outline on the full photo.

    Parameters
    ----------
    bgr, to_linear : (H, W, 3) photo and its (256,) table to linear light.
    intrinsics : (3, 3) of the photo, without distortion.
    sides_px : two polylines (n, 2) of mirrored points, in order along the axis.
    coarse_px : how finely the rough outline is known.
    paper : (h, w) places of that size where there is no piece, whatever edges are printed there.
    """
    step = max(0.25 * coarse_px, 1.0)
    photo = _Photo(bgr, to_linear, paper, coarse_px)
    half = _half_outline(sides_px, intrinsics, 2.0 * step)
    for slack, reach, settle in ((3, REACH, True), (3, REACH, True), (2, REACH // 2, False)):
        half, both = _followed(photo, half, step, slack, reach, settle)
    trimmed = _trimmed(half, both, 2.0 * step)
    if trimmed is not None:
        half, both = _followed(photo, trimmed, step, 2, REACH // 2, False)
    points = [_to_photo(half, sign) for sign in (1.0, -1.0)]
    share = float(np.mean(both > BORNE_OUT))
    return Rim((points[0], points[1]), step, share, float(np.sum(both - BORNE_OUT)))


def _trimmed(half: _Half, both: FloatArray, spacing: float) -> _Half | None:
    """Return the half outline without what hangs on at its ends and shows no edge at all.

    None where there is nothing to cut off: the back of a room, out of focus, may carry on where
    the piece ends.
    """
    n = min(len(both), len(half.at))
    calm = np.convolve(both[:n], np.ones(NOTHING_REACH) / NOTHING_REACH, mode="same")
    shown = np.flatnonzero(calm > NOTHING)
    if len(shown) == 0:
        return None
    first, last = int(shown[0]), int(shown[-1])
    if first < LONG_NOTHING and n - 1 - last < LONG_NOTHING:
        return None
    first = first if first >= LONG_NOTHING else 0
    last = last if n - 1 - last >= LONG_NOTHING else n - 1
    line = half.at[first : last + 1]
    line = np.concatenate([[[line[0, 0], 0.0]], line, [[line[-1, 0], 0.0]]])
    return _spaced(half.band, _forward(line), spacing) if len(line) > 40 else None


NOTHING, NOTHING_REACH, LONG_NOTHING = 0.2, 7, 16


def _half_outline(
    sides_px: tuple[FloatArray, FloatArray], intrinsics: FloatArray, spacing: float
) -> _Half:
    ends = axis_ends(0.5 * (sides_px[0] + sides_px[1]))
    width = float(np.linalg.norm(sides_px[0] - sides_px[1], axis=1).max())
    band = band_for(ends, intrinsics, 0.0, width, 1.0)
    row, width_at = half_widths(sides_px, band)
    line = np.column_stack([row, width_at])
    line = np.concatenate([[[row[0], 0.0]], line, [[row[-1], 0.0]]])
    return _spaced(band, line, spacing)


def half_widths(
    sides_px: tuple[FloatArray, FloatArray], band: Band
) -> tuple[FloatArray, FloatArray]:
    """Return row and half width in a band of two polylines of mirrored points, (n,) each.

    In order of the band's rows.
    """
    back = np.linalg.inv(band.homography())
    parts = []
    for side in sides_px:
        grid = np.column_stack([side, np.ones(len(side))]) @ back.T
        parts.append(grid[:, :2] / grid[:, 2:])
    row = 0.5 * (parts[0][:, 1] + parts[1][:, 1])
    half = 0.5 * np.abs(parts[0][:, 0] - parts[1][:, 0])
    return (row[::-1], half[::-1]) if row[-1] < row[0] else (row, half)


def axis_ends(middle: FloatArray) -> FloatArray:
    """Return (2, 2) pixels of the line through most of the middles (n, 2), at their ends."""
    centre = middle.mean(axis=0)
    d = np.linalg.svd(middle - centre, full_matrices=False)[2][0]
    if d @ (middle[-1] - middle[0]) < 0:
        d = -d
    along = (middle - centre) @ d
    return np.asarray(centre + np.array([[along.min()], [along.max()]]) * d)


def _spaced(band: Band, line: FloatArray, spacing: float) -> _Half:
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    count = max(int(length[-1] / spacing), 16)
    at = np.linspace(0.0, length[-1], count)
    points = np.column_stack([np.interp(at, length, line[:, k]) for k in (0, 1)])
    smooth = _evened(points, 2)
    ahead = np.gradient(_evened(points, 3), axis=0)
    ahead /= np.maximum(np.linalg.norm(ahead, axis=1, keepdims=True), 1e-9)
    # Rising rows, width to the outside: turn by a right angle.
    return _Half(band, smooth, np.column_stack([-ahead[:, 1], ahead[:, 0]]))


def _evened(points: FloatArray, reach: int) -> FloatArray:
    """Return the running mean (n, 2) of an open line whose mirror image carries it on."""
    flip = np.array([1.0, -1.0])
    padded = np.concatenate(
        [points[reach:0:-1] * flip, points, points[-2 : -reach - 2 : -1] * flip]
    )
    total = np.cumsum(np.concatenate([np.zeros((1, 2)), padded]), axis=0)
    wide = 2 * reach + 1
    return np.asarray((total[wide:] - total[:-wide]) / wide)


def _to_photo(half: _Half, sign: float, out: float = 0.0) -> FloatArray:
    at = half.at + out * half.normal
    return band_to_pixels(half.band, half.band.half + sign * at[:, 1], at[:, 0])


def _followed(
    photo: _Photo,
    half: _Half,
    step: float,
    slack: int,
    reach: int,
    settle: bool,
) -> tuple[_Half, FloatArray]:
    """Return the half outline moved to the rim, about an axis line moved to the middle.

    Also how much of a step both sides show on the way, (n,).
    """
    steps = []
    for sign in (1.0, -1.0):
        points = _to_photo(half, sign)
        normals = _to_photo(half, sign, 1.0) - points
        normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-9)
        offsets = step * np.arange(-reach - SUPPORT, reach + SUPPORT + 1.0)
        along = step * np.array([-0.7, 0.0, 0.7])
        lines = sample_lines(photo.bgr, points, normals, offsets, along, photo.to_linear)
        colour = colour_of(lines)
        shown = steps_of(colour) * bench_beyond(colour)
        shown[photo.on_paper(points, normals, offsets[SUPPORT:-SUPPORT])] = 0.0
        steps.append(calm(shown, 1))
    lean = _lean(steps, half) if settle else np.zeros(len(half.at))
    steps = [_shifted(s, sign * lean) for s, sign in zip(steps, (1.0, -1.0), strict=True)]
    evidence = _evidence(steps[0], steps[1], slack)
    path = _path(evidence)
    place = [_nearest_top(s, path, slack) for s in steps]
    moved = _recentred(half, step * (lean + 0.5 * (place[0] - place[1])))
    out = step * (path - reach)
    line = moved.at + out[:, None] * moved.normal
    line[:, 1] = np.maximum(line[:, 1], 0.0)
    line[[0, -1], 1] = 0.0
    at = np.arange(len(path))
    both = np.sqrt(widened(steps[0], slack)[at, path] * widened(steps[1], slack)[at, path])
    return _spaced(moved.band, _forward(line), 2.0 * step), both


def _lean(steps: list[FloatArray], half: _Half) -> FloatArray:
    """Return how far to the first side each line's middle should move, in samples, (n,).

    The axis line is moved at both ends to where most edges find their partner.
    """
    row = half.at[:, 0]
    whole = (row - row.min()) / max(float(np.ptp(row)), 1e-9)
    share, across = whole[::LEAN_EVERY], half.normal[::LEAN_EVERY, 1]
    a, b = (calm(s)[::LEAN_EVERY] for s in steps)
    most = sum(int(pace) * reach for pace, reach in LEANS)
    shown = np.stack([_both_at(a, b, lean) for lean in range(-most, most + 1)], axis=1)
    lines = np.arange(len(share))
    best = np.zeros(2)
    for pace, reach in LEANS:
        shifts = pace * np.arange(-reach, reach + 1)
        tries = [best + np.array([first, last]) for first in shifts for last in shifts]
        scores = []
        for first, last in tries:
            lean = np.round((first + (last - first) * share) * across).astype(np.int64)
            scores.append(float(np.sum(shown[lines, most + lean])))
        best = tries[int(np.argmax(scores))]
    return np.asarray((best[0] + (best[1] - best[0]) * whole) * half.normal[:, 1])


LEANS = ((3.0, 4), (1.0, 2))
"""Samples between the leans tried at each end, and how many to each side: coarse, then fine."""


def _both_at(a: FloatArray, b: FloatArray, lean: int) -> FloatArray:
    """Return the most that both sides show at one place, (n,), the middle moved by `lean` samples.

    What is a sample further out on the first side is then one further in on the other.
    """
    m = a.shape[1]
    out, inward = (a, b) if lean >= 0 else (b, a)
    apart = min(2 * abs(lean), m)
    return np.asarray(np.sqrt((out[:, apart:] * inward[:, : m - apart]).max(axis=1, initial=0.0)))


def _shifted(steps: FloatArray, lean: FloatArray) -> FloatArray:
    """Return the steps at the places `lean` samples further out; 0 beyond the last."""
    n, m = steps.shape
    at = np.arange(m) + np.round(lean).astype(np.int64)[:, None]
    held = steps[np.arange(n)[:, None], np.clip(at, 0, m - 1)]
    return np.asarray(np.where((at >= 0) & (at < m), held, 0.0))


def _forward(line: FloatArray) -> FloatArray:
    """Return the line without crumbs that double back on it."""
    keep = np.concatenate([[True], np.linalg.norm(np.diff(line, axis=0), axis=1) > 1e-6])
    return np.asarray(line[keep])


def _evidence(a: FloatArray, b: FloatArray, slack: int) -> FloatArray:
    wide_a, wide_b = widened(a, slack), widened(b, slack)
    both = np.sqrt(np.maximum(a * wide_b, b * wide_a))
    return np.asarray((1.0 - 2.0 * ALONE) * both + ALONE * (a + b))


def _path(evidence: FloatArray) -> NDArray[np.int64]:
    """Return the place per pair of lines of the path with most evidence."""
    n, m = evidence.shape
    index = np.arange(m)
    cost = turn_cost(m)
    total = evidence[0]
    before = np.empty((n, m), dtype=np.int64)
    for i in range(1, n):
        ways = total[None, :] - cost
        before[i] = ways.argmax(axis=1)
        total = ways[index, before[i]] + evidence[i]
    path = np.empty(n, dtype=np.int64)
    path[-1] = int(total.argmax())
    for i in range(n - 1, 0, -1):
        path[i - 1] = before[i, path[i]]
    return path


def _nearest_top(steps: FloatArray, path: NDArray[np.int64], slack: int) -> FloatArray:
    """Return the place (n,) of the strongest step within the slack of the path."""
    shifts = np.arange(-slack, slack + 1)
    at = np.clip(path[:, None] + shifts, 0, steps.shape[1] - 1)
    near = steps[np.arange(len(path))[:, None], at]
    return np.asarray(at[np.arange(len(path)), near.argmax(axis=1)], dtype=np.float64)


def _recentred(half: _Half, lean: FloatArray) -> _Half:
    """Return the half outline in a band whose middle lies where both sides lean to."""
    side_on = np.abs(half.normal[:, 1]) > SIDE_ON
    row = half.at[:, 0]
    ends_row = np.array([row.min(), row.max()])
    shift = _steady_line(row[side_on], lean[side_on], ends_row)
    ends = band_to_pixels(half.band, half.band.half + shift, ends_row)
    band = band_for(ends, half.band.intrinsics, 0.0, float(half.band.half), 1.0)
    # The new band begins at the old one's first row; a small turn changes lengths little.
    at = half.at.copy()
    at[:, 0] -= ends_row[0]
    return _Half(band, at, half.normal)


def _steady_line(x: FloatArray, y: FloatArray, at: FloatArray) -> FloatArray:
    """Return a straight line's values through most of the points."""
    if len(x) < 12:
        return np.zeros(len(at))
    keep = np.ones(len(x), dtype=bool)
    fit = np.array([0.0, float(np.median(y))])
    for _ in range(4):
        off = np.abs(y - np.polyval(fit, x))
        keep = off <= max(2.0 * float(np.median(off)), 1e-6)
        if keep.sum() < 8:
            break
        fit = np.polyfit(x[keep], y[keep], 1)
    return np.asarray(np.polyval(fit, at))
