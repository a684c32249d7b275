"""Finding and reading the identity marks of a board on a picture.

A mark is a dark square in white, so candidates are four-sided dark blobs. Their sides are placed
by the slope of brightness, all 36 modules are looked at, and the whole look is compared with
every code, blurred as a phone blurs: at 2 px of blur on a 4 px module a reader that decides
module by module loses nine marks of ten.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.board import MARK_MODULES, MARK_RATIO, mark_bits

__all__ = ["Marks", "find_marks"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Grey = NDArray[np.uint8]

SMALLEST_MARK_PX = 9.0
ENOUGH_MARKS = 24
"""With fewer found as such, marks are also looked for beside the chequers."""
THRESHOLD_WINDOW_PX = 51
THRESHOLD_BELOW = 4
LEAST_LIKENESS = 0.85
"""Least correlation between a mark as seen and as drawn."""
LEAST_LEAD = 0.04
"""Least lead of the best code over the next."""
BLURS_MODULES = (0.2, 0.45, 0.7)
LEAST_CONTRAST = 20.0
SIDE_FRACTIONS = np.array([0.15, 0.33, 0.5, 0.67, 0.85])


class Marks(NamedTuple):
    """Identities (n,), and corners (n, 4, 2), px, clockwise from the mark's own top left."""

    ids: IntArray
    corners_px: FloatArray


def find_marks(grey: Grey, wanted_ids: tuple[int, ...]) -> Marks:
    """Return the marks seen in a picture, shape (height, width), of those wanted.

    Some may be wrong: about one junk quadrilateral in a hundred looks like a code. The caller
    checks them against each other. A mark may be found twice.
    """
    quads = _quads(grey)
    if len(quads) == 0:
        return Marks(np.zeros(0, dtype=np.int64), np.zeros((0, 4, 2)))
    quads = _place_sides(grey, quads)
    marks = _read(grey, quads, wanted_ids)
    if len(marks.ids) >= ENOUGH_MARKS:
        return marks
    # Blur breaks the thin border of a mark long before it breaks a chequer: look for marks where
    # they must be if the quadrilateral is a chequer.
    beside = _place_sides(grey, _place_sides(grey, _beside(quads)))
    more = _read(grey, beside, wanted_ids)
    return Marks(
        np.concatenate([marks.ids, more.ids]), np.concatenate([marks.corners_px, more.corners_px])
    )


def _beside(squares: FloatArray) -> FloatArray:
    """Return where marks lie in the four squares beside each square, shape (4 n, 4, 2)."""
    unit = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    marks = (unit - 0.5) * MARK_RATIO + 0.5
    shifts = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])
    places = (marks + shifts[:, None, :]).reshape(-1, 2)
    return _map_unit_square(squares, places).reshape(-1, 4, 2)


def _map_unit_square(quads: FloatArray, places: FloatArray) -> FloatArray:
    """Return places of the unit square, shape (m, 2), in each quadrilateral: (n, m, 2)."""
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]], dtype=np.float32)
    matrices = np.array(
        [cv2.getPerspectiveTransform(square, quad.astype(np.float32)) for quad in quads]
    )
    mapped = np.c_[places, np.ones(len(places))] @ matrices.transpose(0, 2, 1)
    depth = mapped[..., 2:]
    return np.asarray(mapped[..., :2] / np.where(np.abs(depth) > 1e-6, depth, 1e-6))


def _quads(grey: Grey) -> FloatArray:
    """Return four-sided dark blobs, shape (n, 4, 2), clockwise as displayed."""
    calm = cv2.blur(grey, (3, 3))
    dark = cv2.adaptiveThreshold(
        calm, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV,
        THRESHOLD_WINDOW_PX, THRESHOLD_BELOW,
    )  # fmt: skip
    # A list, not only the outermost: on a dark bench the bench itself surrounds the page.
    contours, _ = cv2.findContours(dark, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    quads = []
    for contour in contours:
        if len(contour) < 3 * SMALLEST_MARK_PX:
            continue
        corners = cv2.approxPolyDP(contour, 0.06 * len(contour), True)
        if len(corners) == 4 and cv2.isContourConvex(corners):
            quads.append(np.asarray(corners, dtype=np.float64).reshape(4, 2))
    if not quads:
        return np.zeros((0, 4, 2))
    found = np.array(quads)
    after = np.roll(found, -1, axis=1)
    area = np.sum(found[..., 0] * after[..., 1] - found[..., 1] * after[..., 0], axis=1) / 2.0
    found[area < 0.0] = found[area < 0.0, ::-1]
    return np.asarray(found[np.abs(area) > SMALLEST_MARK_PX**2 / 2.0])


def _look(grey: Grey, at_px: FloatArray) -> FloatArray:
    """Return brightness at points of shape (..., 2); outside the picture the nearest pixel's."""
    maps = at_px.reshape(len(at_px), -1, 2).astype(np.float32)
    seen = cv2.remap(
        grey.astype(np.float32, copy=False), maps[..., 0], maps[..., 1],
        cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    return np.asarray(seen, dtype=np.float64).reshape(at_px.shape[:-1])


def _place_sides(grey: Grey, quads: FloatArray) -> FloatArray:
    """Move the four sides to where the brightness rises outward most; intersect them."""
    after = np.roll(quads, -1, axis=1)
    along = after - quads
    length = np.linalg.norm(along, axis=-1, keepdims=True)
    outward = np.stack([along[..., 1], -along[..., 0]], axis=-1) / length
    reach = np.clip(length.min(axis=(1, 2)) / 8.0, 1.5, 4.0)
    steps = np.linspace(-1.0, 1.0, 13)
    base = quads[:, :, None, :] + SIDE_FRACTIONS[:, None] * along[:, :, None, :]
    offset = reach[:, None] * steps
    at = base[:, :, :, None, :] + offset[:, None, None, :, None] * outward[:, :, None, None, :]
    rise = np.maximum(np.diff(_look(grey, at), axis=-1), 0.0)
    rise = rise**2 + 1e-9
    middle = (offset[:, 1:] + offset[:, :-1]) / 2.0
    shift = np.sum(rise * middle[:, None, None, :], axis=-1) / rise.sum(axis=-1)
    # A straight line through the five shifts of each side.
    centred = SIDE_FRACTIONS - SIDE_FRACTIONS.mean()
    slope = (shift @ centred) / (centred @ centred)
    start = shift.mean(axis=-1) - slope * SIDE_FRACTIONS.mean()
    first = quads + start[..., None] * outward
    direction = along + slope[..., None] * outward
    before, before_direction = np.roll(first, 1, axis=1), np.roll(direction, 1, axis=1)
    cross = _cross(before_direction, direction)
    t = _cross(first - before, direction) / np.where(np.abs(cross) > 1e-6, cross, 1e-6)
    placed = before + t[..., None] * before_direction
    wild = np.linalg.norm(placed - quads, axis=-1).max(axis=1) > 2.0 * reach
    placed[wild] = quads[wild]
    return np.asarray(placed)


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def _read(grey: Grey, quads: FloatArray, wanted_ids: tuple[int, ...]) -> Marks:
    """Compare what is in each quadrilateral with every wanted code in every orientation."""
    seen = _modules(grey, quads)
    contrast = seen.max(axis=1) - seen.min(axis=1)
    seen = seen - seen.mean(axis=1, keepdims=True)
    seen = seen / np.maximum(np.linalg.norm(seen, axis=1, keepdims=True), 1e-9)
    looks = _code_looks(wanted_ids)
    n, codes = len(quads), len(wanted_ids)
    # Best blur for each code and orientation.
    likeness = (seen @ looks.T).reshape(n, len(BLURS_MODULES), codes * 4).max(axis=1)
    best = np.argmax(likeness, axis=1)
    rows = np.arange(n)
    top = likeness[rows, best]
    likeness[rows, best] = -1.0
    lead = top - likeness.max(axis=1)
    good = (top > LEAST_LIKENESS) & (lead > LEAST_LEAD) & (contrast > LEAST_CONTRAST)
    index, turns = np.divmod(best[good], 4)
    corners = quads[good][np.arange(len(turns))[:, None], (np.arange(4) + turns[:, None]) % 4]
    return Marks(np.asarray(wanted_ids, dtype=np.int64)[index], corners)


def _modules(grey: Grey, quads: FloatArray) -> FloatArray:
    """Return the mean brightness of the 36 modules of each quadrilateral, shape (n, 36)."""
    steps = (np.arange(3 * MARK_MODULES) + 0.5) / (3 * MARK_MODULES)
    x, y = np.meshgrid(steps, steps)
    light = _look(grey, _map_unit_square(quads, np.stack([x.ravel(), y.ravel()], axis=-1)))
    blocks = light.reshape(-1, MARK_MODULES, 3, MARK_MODULES, 3)
    return np.asarray(blocks.mean(axis=(2, 4)).reshape(len(quads), -1))


@cache
def _code_looks(wanted_ids: tuple[int, ...]) -> FloatArray:
    """Return how each code looks, normalised, shape (blurs x codes x 4 orientations, 36).

    Orientation k is the look from a quadrilateral whose corner k is the mark's own top left.
    """
    fine, white = 8, 2
    looks = []
    for blur in BLURS_MODULES:
        for mark_id in wanted_ids:
            drawn = np.pad(mark_bits(mark_id).astype(np.float32), white, constant_values=1.0)
            large = np.kron(drawn, np.ones((fine, fine), dtype=np.float32))
            soft = cv2.GaussianBlur(large, (0, 0), blur * fine)
            cells = soft.reshape(len(drawn), fine, len(drawn), fine).mean(axis=(1, 3))
            cells = cells[white:-white, white:-white]
            looks += [np.rot90(cells, -k).ravel() for k in range(4)]
    flat = np.array(looks, dtype=np.float64)
    flat -= flat.mean(axis=1, keepdims=True)
    return np.asarray(flat / np.linalg.norm(flat, axis=1, keepdims=True))
