"""Whether a rim goes on past its ends: a part of a piece may be taken for the whole.

A groove or a shoulder crosses the piece from rim to rim and ends an outline as well as a true end
does. With the axis known, what mirrors itself beyond it is the rest of the piece: planks and
cloth do not.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.band import Band, band_for, band_to_pixels
from measure.paired import Rim, axis_ends, half_widths
from measure.rimsteps import SUPPORT, calm, colour_of, steps_of, turn_cost, widened
from measure.scene import FREE, Scene

__all__ = ["gone_on", "longer_at", "may_go_on"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

COARSE = 2.0
"""Size of a sample, in steps of the rim."""
BEYOND, BESIDE = 1.0, 0.75
"""How far past each end is looked, in lengths of the outline, and to each side, in its widths."""
NEAR, NEAR_WORTH = 0.15, 1.0
"""The first look past an end, in lengths, and the evidence that asks for a longer one."""
EVEN = 0.55
"""Share of a step, on both sides, above which a row speaks for the piece."""
ROWS_LEAST, WORTH_LEAST = 8, 4.0
"""What goes on has so many rows at least, and by so much more than they need."""
MAY_BORNE_OUT = 0.8
"""A longer outline is perhaps the whole where so much of it shows an edge on both sides, and it
ranks before the shorter one."""
LONGER_SHARE = 0.03
"""An outline that is longer by less ends at the same end."""
CHANCE, ASTRAY = 2.0, (7, 13)
"""By how much better than about axes so many samples astray the piece mirrors itself."""
PLAIN, PLAIN_ROWS = 0.6, 24
"""Where both sides show so much of whole steps over so many rows, laminations and the borders of
shadows, that mirror each other about axes astray, are no reason to doubt them."""
TOGETHER, ENDS_WITHIN = 3, 0.85
"""A tenon's laminations pair with its sides about axes astray, as grain and planks do, but all end
at its face: so many rows apart at most, and before so much of what is seen; planks run on."""
NARROWEST = 4
OWN_END = 0.02
"""The face of the old end, a share of the length, is left out: the piece goes on there."""


def gone_on(
    bgr: NDArray[np.uint8],
    to_linear: Float32Array,
    scene: Scene,
    intrinsics: FloatArray,
    rim: Rim,
) -> tuple[FloatArray, FloatArray] | None:
    """Return a rough outline that carries a rim on past its ends; None where nothing goes on.

    Parameters
    ----------
    bgr, to_linear : (H, W, 3) photo and its (256,) table to linear light.
    scene : the reduced photo: where it is free of the target and seen.
    intrinsics : (3, 3) of the photo, without distortion.
    rim : that was followed to a round piece.

    Returns
    -------
    Two polylines (n, 2) of mirrored points, in order along the axis.
    """
    sides = rim.sides_px
    width = float(np.linalg.norm(sides[0] - sides[1], axis=1).max())
    ends = axis_ends(0.5 * (sides[0] + sides[1]))
    band = band_for(ends, intrinsics, BEYOND, BESIDE * width, COARSE * rim.step_px)
    row, half = half_widths(sides, band)
    first, last = int(np.floor(row.min())), int(np.ceil(row.max()))
    own = OWN_END * (last - first)

    def look(start: int, stop: int, outward: int, first_look: bool) -> FloatArray:
        worth = NEAR_WORTH if first_look else WORTH_LEAST
        part = replace(band, start=band.start + start * band.step, rows=stop - start)
        a, b, is_open = _sides(bgr, to_linear, scene, part)
        seen = int(np.argmin(np.append(is_open[::outward], False)))
        a, b = a[::outward][:seen], b[::outward][:seen]
        both = _both(a, b)
        found, own = _carried(both)
        astray = _astray(a, b) if own >= worth else []
        rivals = [rows for rows, other in astray if own < CHANCE * other]
        stops = len(found) < ENDS_WITHIN * seen
        together = all(abs(rows - len(found)) <= TOGETHER for rows in rivals)
        # Whether what fills the first look ends is for the longer one to say.
        by_chance = bool(rivals) and not (together and stops) and (stops or not first_look)
        if own < worth or by_chance:
            found = _plain_part(both, found)
        at = np.arange(start, stop, dtype=np.float64)[::outward][: len(found)]
        return np.column_stack([at, found])

    # Most pieces end at their ends: a short look tells.
    near = max(int(NEAR * (last - first)), 2 * ROWS_LEAST)
    before = look(max(first - near, 0), first, -1, True)
    if len(before):
        before = look(0, first, -1, False)
    after = look(last + 1, min(last + 1 + near, band.rows), 1, True)
    if len(after):
        after = look(last + 1, band.rows, 1, False)
    if not len(before) and not len(after):
        return None
    low = first + own if len(before) else -np.inf
    high = last - own if len(after) else np.inf
    kept = (row > low) & (row < high)
    whole = np.concatenate([before[::-1], np.column_stack([row, half])[kept], after])
    a, b = (
        band_to_pixels(band, band.half + sign * whole[:, 1], whole[:, 0]) for sign in (1.0, -1.0)
    )
    return a, b


def may_go_on(longer: Rim, rim: Rim) -> bool:
    """Return whether a rim may be only a part of a longer one."""
    return longer.borne_out >= MAY_BORNE_OUT and longer.rank >= rim.rank


def longer_at(longer: Rim, ends_px: FloatArray) -> tuple[bool, bool]:
    """Return whether a longer rim goes on past each of the ends (2, 2) of a shorter one."""
    way = ends_px[1] - ends_px[0]
    caps = 0.5 * (longer.sides_px[0] + longer.sides_px[1])
    share = (caps - ends_px[0]) @ way / (way @ way)
    return bool(share.min() < -LONGER_SHARE), bool(share.max() > 1.0 + LONGER_SHARE)


def _sides(
    bgr: NDArray[np.uint8], to_linear: Float32Array, scene: Scene, band: Band
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Return how much of a step either side shows at each half width of each row of a band.

    Also whether the band's middle is open in each row: in the photo and the box, not covered.
    """
    size, to_photo = (2 * band.half + 1, band.rows), band.homography()
    nearest = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    picture = cv2.warpPerspective(
        _evened(bgr, to_photo, size), to_photo, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
    shift = 0.5 * scene.scale - 0.5
    reduced = np.array([[scene.scale, 0.0, shift], [0.0, scene.scale, shift], [0.0, 0.0, 1.0]])
    free = np.ascontiguousarray(scene.features[..., FREE])
    is_free = cv2.warpPerspective(free, reduced @ to_photo, size, flags=nearest) > 0.5
    light = np.asarray(cv2.LUT(np.asarray(picture, np.uint8), to_linear), dtype=np.float32)
    steps = np.zeros((band.rows, size[0]))
    steps[:, SUPPORT:-SUPPORT] = steps_of(colour_of(light))
    steps[~is_free] = 0.0
    steps = calm(steps)
    middle = np.asarray(is_free[:, band.half])
    return steps[:, band.half :], steps[:, band.half :: -1], middle


def _evened(
    bgr: NDArray[np.uint8], to_photo: FloatArray, size: tuple[int, int]
) -> NDArray[np.uint8]:
    """Return the photo averaged over 3 x 3 pixels where a band of that size lies, black elsewhere.

    A look past an end takes in a small part of a large photo.
    """
    columns, rows = (float(count - 1) for count in size)
    corners = np.array(
        [[0.0, 0.0, 1.0], [columns, 0.0, 1.0], [columns, rows, 1.0], [0.0, rows, 1.0]]
    )
    seen = corners @ to_photo.T
    height, width = bgr.shape[:2]
    low, high = np.zeros(2, dtype=np.int64), np.array([width, height])
    if seen[:, 2].min() > 0.0:
        # All of it lies before the camera, so inside its corners.
        pixels = np.clip(seen[:, :2] / seen[:, 2:], 0.0, high - 1.0).astype(np.int64)
        low = np.maximum(pixels.min(axis=0) - MARGIN_PX, 0)
        high = np.minimum(pixels.max(axis=0) + MARGIN_PX + 1, high)
    part = np.s_[low[1] : high[1], low[0] : high[0]]
    even = np.zeros_like(bgr)
    even[part] = cv2.blur(bgr[part], (3, 3))
    return even


MARGIN_PX = 4
"""More than what lies beside a place is read for it."""


def _both(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return how much of a step both sides show at each half width, (rows, places)."""
    return np.asarray(np.sqrt(np.maximum(a * widened(b, 1), b * widened(a, 1))))


def _plain_part(both: FloatArray, found: FloatArray) -> FloatArray:
    """Return the half widths as far out as both sides show nearly whole steps; none if too few."""
    gain = both[np.arange(len(found)), found.astype(np.int64)] - EVEN
    ahead = [float(np.mean(gain[k : k + PLAIN_ROWS])) for k in range(len(gain))]
    faint = np.flatnonzero(np.array(ahead) < 0.5 * PLAIN * (1.0 - EVEN))
    stop = int(faint[0]) if len(faint) else len(gain)
    plain = stop >= PLAIN_ROWS and float(np.mean(gain[:stop])) > PLAIN * (1.0 - EVEN)
    return found[:stop] if plain else np.zeros(0)


def _astray(a: FloatArray, b: FloatArray) -> list[tuple[int, float]]:
    """Return rows and evidence of pairs that do not mirror each other: about axes astray.

    In a coarse weave or grain everything has a partner somewhere.
    """
    found = []
    for shift in ASTRAY:
        if a.shape[1] > 2 * shift:
            for both in (_both(a[:, shift:], b[:, :-shift]), _both(a[:, :-shift], b[:, shift:])):
                path, worth = _carried(both)
                found.append((len(path), worth))
    return found


def _carried(both: FloatArray) -> tuple[FloatArray, float]:
    """Return the half widths (k,) of the rows, from the end outward, where a piece would go on.

    It is the path with the most evidence, broken off where that is greatest; also by how much
    that is more than so many rows need.
    """
    rows, places = both.shape
    if rows < ROWS_LEAST:
        return np.zeros(0), 0.0
    cost = turn_cost(places)
    gain = both - EVEN
    gain[:, :NARROWEST] = -1.0
    index = np.arange(places)
    before = np.empty((rows, places), dtype=np.int64)
    totals = np.empty((rows, places))
    total = np.zeros(places)
    for k in range(rows):
        ways = total[None, :] - cost
        before[k] = ways.argmax(axis=1)
        total = ways[index, before[k]] + gain[k]
        totals[k] = total
    stop = int(totals.max(axis=1).argmax())
    if stop + 1 < ROWS_LEAST:
        return np.zeros(0), 0.0
    path = np.empty(stop + 1)
    place = int(totals[stop].argmax())
    for k in range(stop, -1, -1):
        path[k] = place
        place = int(before[k, place])
    return path, float(totals[stop].max())
