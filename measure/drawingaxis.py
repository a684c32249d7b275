"""Lines about which a drawing may be turned: long straight lines, and middles of mirrored ink."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.drawingink import Ink

__all__ = ["AxisGuess", "axis_guesses", "robust_line"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

SEARCH_PX_PER_MM = 2.0
STEP_MM = 0.2
WIDE_MM = 0.6
LONGEST_GAP_MM = 8.0
DASH_GAP_MM = (0.7, 6.0)
"""Gaps of a dash-dot line; shorter ones are the grain of the pencil."""
FEWEST_DASHES = 4
SHORTEST_MM = 25.0
MOST_LINES = 14
MOST_MIDDLES = 3
SAME_MM = 1.2
SAME_RAD = np.deg2rad(0.6)


@dataclass(frozen=True, slots=True)
class AxisGuess:
    """A line in the sheet's plane, target frame, mm.

    Attributes
    ----------
    point_mm, direction : (2,) a point of it and its unit vector.
    from_mm, to_mm : stretch along it that is drawn, counted from the point; both 0 for a
        middle of mirrored ink, where no line need be.
    drawn : whether a line is drawn there.
    dashed : whether it is drawn dash-dot, as centre lines are.
    """

    point_mm: FloatArray
    direction: FloatArray
    from_mm: float
    to_mm: float
    drawn: bool
    dashed: bool

    @property
    def normal(self) -> FloatArray:
        """Unit vector to the left of the direction, (2,)."""
        return np.array([-self.direction[1], self.direction[0]])


def axis_guesses(ink: Ink) -> list[AxisGuess]:
    """Return the lines that may be the axis, long drawn ones first."""
    scale = min(SEARCH_PX_PER_MM / ink.sheet.px_per_mm, 1.0)
    small = _reduced(ink.amount, scale)
    lines = _straight_lines(ink, small, scale)
    return lines + _middles(ink, small, scale, lines)


def _reduced(amount: Float32Array, scale: float) -> Float32Array:
    # Thin lines must survive: the largest of each cell, not its mean.
    size = max(round(1.0 / scale), 1)
    widened = cv2.dilate(amount, np.ones((size, size), np.uint8))
    shape = (int(amount.shape[1] * scale), int(amount.shape[0] * scale))
    return np.asarray(cv2.resize(widened, shape, interpolation=cv2.INTER_NEAREST))


def _to_mm(ink: Ink, x: FloatArray, y: FloatArray, scale: float) -> FloatArray:
    points = np.stack([(x + 0.5) / scale - 0.5, (y + 0.5) / scale - 0.5], axis=-1)
    return ink.sheet.to_mm(points)


def _straight_lines(ink: Ink, small: Float32Array, scale: float) -> list[AxisGuess]:
    mask = _ridges(small, ink.faint)
    px = ink.sheet.px_per_mm * scale
    found = cv2.HoughLinesWithAccumulator(mask, 1.0, np.deg2rad(0.25), int(SHORTEST_MM * px * 0.5))
    if found is None:
        return []
    guesses: list[AxisGuess] = []
    for rho, theta, _ in np.asarray(found, dtype=np.float64).reshape(-1, 3)[:400]:
        n = np.array([np.cos(theta), np.sin(theta)])
        foot, d = rho * n, np.array([-n[1], n[0]])
        across = foot[:, None] + d[:, None] * np.array([0.0, 100.0])
        ends = _to_mm(ink, across[0], across[1], scale)
        guess = _drawn_line(ink, ends[0], ends[1] - ends[0])
        if guess is not None and not any(_same(guess, other) for other in guesses):
            guesses.append(guess)
        if len(guesses) >= MOST_LINES:
            break
    return guesses


def _ridges(small: Float32Array, faint: float) -> NDArray[np.uint8]:
    """Return the crests of the ink: a broad line would vote for many directions."""
    crest = np.zeros(small.shape, dtype=bool)
    for kernel in (np.ones((1, 3), np.uint8), np.ones((3, 1), np.uint8)):
        crest |= small >= cv2.dilate(small, kernel)
    return np.asarray(((small > faint) & crest).astype(np.uint8))


def _same(a: AxisGuess, b: AxisGuess) -> bool:
    if abs(float(a.direction @ b.normal)) > np.sin(SAME_RAD):
        return False
    ends = a.point_mm + np.array([[a.from_mm], [a.to_mm]]) * a.direction
    return bool(np.abs((ends - b.point_mm) @ b.normal).max() < SAME_MM)


def _drawn_line(ink: Ink, point: FloatArray, along: FloatArray) -> AxisGuess | None:
    """Return a rough line fitted to the ink near it, and the stretch of it that is drawn."""
    d = along / np.linalg.norm(along)
    if d[0] < 0.0 or (d[0] == 0.0 and d[1] < 0.0):
        d = -d
    for near in (1.2, 0.6):
        stretch = _stretch(ink, point, d)
        if stretch is None:
            return None
        s = np.arange(stretch[0], stretch[1], STEP_MM)
        across = np.arange(-near, near + 1e-9, 0.1)
        n = np.array([-d[1], d[0]])
        grid = point + s[:, None, None] * d + across[None, :, None] * n
        amount = np.where((a := _sample(ink, grid)) > ink.faint, np.minimum(a, 1.0), 0.0)
        mass = amount.sum(axis=1)
        some = mass > 0.0
        if np.count_nonzero(some) < 20:
            return None
        offset = (amount[some] @ across) / mass[some]
        slope, shift = robust_line(s[some], offset)
        point = point + shift * n
        d = d + slope * n
        d = d / np.linalg.norm(d)
    stretch = _stretch(ink, point, d)
    if stretch is None or stretch[1] - stretch[0] < SHORTEST_MM:
        return None
    return AxisGuess(point, d, stretch[0], stretch[1], True, stretch[2])


def robust_line(
    along: FloatArray, across: FloatArray, least_mm: float = 0.02
) -> tuple[float, float]:
    """Return (slope, shift) of the line through points that strays do not pull.

    Parameters
    ----------
    along, across : (n,) points, mm.
    least_mm : scatter below which no point is a stray.
    """
    half = len(along) // 2
    slope, shift = 0.0, 0.0
    weight = np.ones_like(along)
    if half >= 5:
        # Medians first [Theil1950], or many strays on one side would draw the line to themselves.
        order = np.argsort(along, kind="stable")
        x, y = along[order], across[order]
        run = np.maximum(x[half : 2 * half] - x[:half], 1e-9)
        slope = float(np.median((y[half : 2 * half] - y[:half]) / run))
        left = across - slope * along
        left = left - float(np.median(left))
        scale = max(1.4826 * float(np.median(np.abs(left))), least_mm)
        weight = 1.0 / (1.0 + (left / (2.0 * scale)) ** 2)
    for _ in range(8):
        slope, shift = np.polyfit(along, across, 1, w=np.sqrt(weight))
        left = across - slope * along - shift
        scale = max(1.4826 * float(np.median(np.abs(left))), least_mm)
        weight = 1.0 / (1.0 + (left / (2.0 * scale)) ** 2)
    return float(slope), float(shift)


def _sample(ink: Ink, points_mm: FloatArray) -> FloatArray:
    px = ink.sheet.to_px(points_mm).astype(np.float32)
    got = cv2.remap(ink.amount, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderValue=0.0)
    return np.asarray(got, dtype=np.float64)


def _stretch(ink: Ink, point: FloatArray, d: FloatArray) -> tuple[float, float, bool] | None:
    """Return the longest stretch of a line that is drawn, and whether it is drawn dash-dot."""
    reach = float(np.hypot(*ink.amount.shape)) / ink.sheet.px_per_mm
    centre = ink.sheet.to_mm(np.array([ink.amount.shape[1], ink.amount.shape[0]]) / 2.0)
    middle = float((centre - point) @ d)
    s = middle + np.arange(-reach / 2, reach / 2, STEP_MM)
    n = np.array([-d[1], d[0]])
    across = np.linspace(-0.5 * WIDE_MM, 0.5 * WIDE_MM, 5)
    drawn = (
        _sample(ink, point + s[:, None, None] * d + across[None, :, None] * n).max(axis=1)
        > ink.faint
    )
    at = np.flatnonzero(drawn)
    if len(at) < 10:
        return None
    breaks = np.flatnonzero(np.diff(at) * STEP_MM > LONGEST_GAP_MM)
    starts = np.concatenate([[0], breaks + 1])
    stops = np.concatenate([breaks, [len(at) - 1]])
    best = int(np.argmax(stops - starts))
    run = at[starts[best] : stops[best] + 1]
    length = (run[-1] - run[0]) * STEP_MM
    share = len(run) * STEP_MM / max(length, STEP_MM)
    gaps = (np.diff(run) - 1) * STEP_MM
    dashes = int(np.count_nonzero((gaps >= DASH_GAP_MM[0]) & (gaps <= DASH_GAP_MM[1])))
    if share < 0.35:
        return None
    dashed = dashes >= FEWEST_DASHES and share < 0.95 and dashes * 40.0 > length
    return float(s[run[0]]), float(s[run[-1]]), dashed


def _middles(
    ink: Ink, small: Float32Array, scale: float, lines: list[AxisGuess]
) -> list[AxisGuess]:
    """Return middles of mirrored ink, for directions that drawn lines have, and square to them."""
    px = ink.sheet.px_per_mm * scale
    angles: list[float] = []
    for line in lines:
        for turn in (0.0, np.pi / 2):
            angle = (float(np.arctan2(line.direction[1], line.direction[0])) + turn) % np.pi
            if all(abs((angle - a + np.pi / 2) % np.pi - np.pi / 2) > SAME_RAD for a in angles):
                angles.append(angle)
    if not lines:
        angles = list(np.deg2rad(np.arange(0.0, 180.0, 1.0)))
    soft = np.asarray(cv2.GaussianBlur(np.minimum(small, 1.2), (0, 0), 0.5 * px), dtype=np.float32)
    found: list[tuple[float, AxisGuess]] = []
    for angle in angles[:12] if lines else angles:
        found += _middles_at(ink, soft, scale, angle)
    found.sort(key=lambda item: -item[0])
    kept: list[AxisGuess] = []
    for _, guess in found:
        wide = AxisGuess(guess.point_mm, guess.direction, -50.0, 50.0, False, False)
        if not any(_same(wide, other) for other in kept):
            kept.append(guess)
    return kept[: 2 * MOST_MIDDLES]


def _middles_at(
    ink: Ink, soft: Float32Array, scale: float, angle: float
) -> list[tuple[float, AxisGuess]]:
    """Return (strength, line) of the strongest mirror lines of one direction."""
    height, width = soft.shape
    size = int(np.ceil(np.hypot(height, width)))
    d = np.array([np.cos(angle), -np.sin(angle)])  # rows run downward
    n = np.array([-d[1], d[0]])
    centre = np.array([(width - 1) / 2.0, (height - 1) / 2.0])
    start = centre - (size - 1) / 2.0 * (d + n)
    matrix = np.array([[d[0], n[0], start[0]], [d[1], n[1], start[1]]])
    turned = cv2.warpAffine(
        soft, matrix, (size, size), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
    spectrum = np.fft.rfft(turned, n=2 * size, axis=0)
    mirrored = np.fft.irfft((spectrum**2).sum(axis=1), n=2 * size)[: 2 * size - 1]
    # A line square to the axis mirrors itself at its own middle: so does every lone stroke.
    found = []
    for _ in range(MOST_MIDDLES):
        k = int(np.argmax(mirrored))
        at = start + k / 2.0 * n + (size - 1) / 2.0 * d
        ends = _to_mm(ink, at[0] + np.array([0.0, d[0]]), at[1] + np.array([0.0, d[1]]), scale)
        along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
        if along[0] < 0.0:
            along = -along
        found.append((float(mirrored[k]), AxisGuess(ends[0], along, 0.0, 0.0, False, False)))
        mirrored[max(k - 8, 0) : k + 9] = 0.0
    return found
