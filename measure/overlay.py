"""Drawing on a photo so that it can be read on pale wood, dark wood and a cluttered bench.

Every stroke is light with a dark border, every word stands on a dark plate, and what differs in
meaning differs in form as well as in colour.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["CYAN", "ORANGE", "WHITE", "YELLOW", "Overlay"]

FloatArray = NDArray[np.float64]
ByteArray = NDArray[np.uint8]
Colour = tuple[int, int, int]

LONGER_SIDE_PX = 1600
JPEG_QUALITY = 88
STEPS_AWAY = 13
"""A plate is tried at so many distances but one from its point."""
LETTER_WEIGHT = 500
"""Of 100 (hair) to 900 (black): medium is read best, light on dark."""

# Blue, green, red. Told apart by eyes that do not tell red from green.
WHITE: Colour = (255, 255, 255)
YELLOW: Colour = (60, 230, 255)
CYAN: Colour = (255, 220, 60)
ORANGE: Colour = (40, 150, 255)
DARK: Colour = (24, 24, 24)

MOSAIC_CELLS = 6
"""Cells along a hidden card's longer side: 14 mm on a bank card, whose digits are 4 mm high."""
GROWN = 1.03
"""The hidden region reaches this much past the card, since its edge may be a little off."""


@dataclass(frozen=True, slots=True)
class _Plate:
    """Words that wait for the end: drawn last, no line crosses them."""

    text: str
    box: tuple[int, int, int, int]
    anchor: tuple[int, int] | None
    colour: Colour


class Overlay:
    """A copy of a photo, at most 1600 px on its longer side, to draw on.

    All points are given in pixels (x, y) of the full photo, centres at integers; sizes of
    strokes and letters follow the copy.
    """

    def __init__(self, bgr: ByteArray) -> None:
        """Begin with a photo, (H, W, 3), uint8, blue green red."""
        height, width = bgr.shape[:2]
        self._scale: float = min(1.0, LONGER_SIDE_PX / max(height, width))
        size = (max(round(width * self._scale), 1), max(round(height * self._scale), 1))
        if self._scale <= 0.5:
            # Halving exactly is quick, and leaves the slow part of the way a quarter to do.
            half = (bgr.shape[1] // 2, bgr.shape[0] // 2)
            even = bgr[: 2 * half[1], : 2 * half[0]]
            bgr = np.asarray(cv2.resize(even, half, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        small = cv2.resize(bgr, size, interpolation=cv2.INTER_AREA)
        self.image: ByteArray = np.ascontiguousarray(small, dtype=np.uint8)
        self._size_px = size
        self._letters: int = max(round(max(size) / 76), 13)
        self._thin = max(round(max(size) / 800), 1)
        self._font = cv2.FontFace("sans")
        self._plates: list[_Plate] = []
        self._spared = np.zeros(self.image.shape[:2], dtype=np.bool_)

    @property
    def unit_px(self) -> float:
        """Height of the letters in pixels of the full photo: a measure for distances."""
        return self._letters / self._scale

    def hide(self, polygon_px: FloatArray) -> None:
        """Make what lies in a polygon, (m, 2), unrecognisable, whatever it shows."""
        polygon = self._at(polygon_px)
        middle = polygon.mean(axis=0)
        polygon = (polygon - middle) * GROWN + middle
        low = np.clip(np.floor(polygon.min(axis=0)).astype(int), 0, None)
        high = np.minimum(np.ceil(polygon.max(axis=0)).astype(int) + 1, self._size_px)
        if np.any(high - low < 1):
            return
        patch = self.image[low[1] : high[1], low[0] : high[0]]
        wide, tall = int(patch.shape[1]), int(patch.shape[0])
        cell = max(wide, tall) / MOSAIC_CELLS
        cells = (max(round(wide / cell), 1), max(round(tall / cell), 1))
        coarse = cv2.resize(patch, cells, interpolation=cv2.INTER_AREA)
        smooth = cv2.resize(coarse, (wide, tall), interpolation=cv2.INTER_LINEAR)
        mask = np.zeros((tall, wide), dtype=np.uint8)
        cv2.fillPoly(mask, [np.round(polygon - low).astype(np.int32)], 255)
        patch[mask > 0] = smooth[mask > 0]

    def spare(self, points_px: FloatArray) -> None:
        """Keep plates off points, (n, 2), as far as there is room elsewhere."""
        self._spared |= self._mask_of(points_px) > 0

    def _mask_of(self, points_px: FloatArray) -> ByteArray:
        """Return a mask of the copy that is 255 at points, (n, 2)."""
        points = np.round(self._at(points_px)).astype(int)
        inside = np.all((points >= 0) & (points < self._size_px), axis=1)
        mask = np.zeros(self.image.shape[:2], dtype=np.uint8)
        mask[points[inside, 1], points[inside, 0]] = 255
        return mask

    def dots(self, points_px: FloatArray, colour: Colour) -> None:
        """Draw points, (n, 2), so that neighbours join to a line with a dark border; spare them."""
        mask = self._mask_of(points_px)
        self._spared |= mask > 0
        core = cv2.dilate(mask, np.ones((2 * self._thin - 1, 2 * self._thin - 1), np.uint8))
        border = cv2.dilate(core, np.ones((2 * self._thin + 1, 2 * self._thin + 1), np.uint8))
        self.image[border > 0] = DARK
        self.image[core > 0] = colour

    def stroke(
        self, points_px: FloatArray, colour: Colour, *, dashed: bool = False, fine: bool = False
    ) -> None:
        """Draw a line through points, (n, 2), with a dark border."""
        points = self._at(points_px)
        runs = _dashes(points, (6.0 if fine else 12.0) * self._thin) if dashed else [points]
        core = 1 if fine else self._thin + 1
        border = 2 if fine else 2 * self._thin
        for thickness, ink in ((core + border, DARK), (core, colour)):
            for run in runs:
                fixed = np.round(run * 8.0).astype(np.int32)
                cv2.polylines(self.image, [fixed], False, ink, thickness, cv2.LINE_AA, shift=3)

    def hatch(self, polygon_px: FloatArray, colour: Colour) -> None:
        """Fill a polygon, (m, 2), with slanted lines and draw its border."""
        polygon = self._at(polygon_px)
        low = np.clip(np.floor(polygon.min(axis=0)).astype(int), 0, None)
        high = np.minimum(np.ceil(polygon.max(axis=0)).astype(int) + 1, self._size_px)
        if np.all(high > low):
            patch = self.image[low[1] : high[1], low[0] : high[0]]
            mask = np.zeros(patch.shape[:2], dtype=np.uint8)
            cv2.fillPoly(mask, [np.round(polygon - low).astype(np.int32)], 255)
            x, y = np.arange(patch.shape[1]), np.arange(patch.shape[0])[:, None]
            across = (x + y) % (10 * self._thin)
            inside = mask > 0
            patch[inside & (across < 3 * self._thin)] = DARK
            patch[inside & (across < 2 * self._thin) & (across >= self._thin)] = colour
        self.stroke(np.vstack([polygon_px, polygon_px[:1]]), colour)

    def plate(
        self,
        text: str,
        anchor_px: FloatArray,
        away: FloatArray,
        colour: Colour = WHITE,
        *,
        must: bool = False,
        leader: bool = True,
        near: bool = False,
    ) -> bool:
        """Write words on a dark plate beside a point, clear of the plates before it.

        Parameters
        ----------
        text : one line.
        anchor_px : (2,) what the words belong to.
        away : (2,) direction, in the picture, in which to put the plate.
        must : put it even where it covers another plate, if it fits nowhere else.
        leader : join the plate to its point by a thin line.
        near : right beside the point or not at all.

        Returns
        -------
        Whether it was put.
        """
        wide, tall = self._text_size(text)
        box_size = np.array([wide + self._letters * 0.7, tall + self._letters * 0.5])
        direction = np.asarray(away, dtype=np.float64) / max(float(np.hypot(*away)), 1e-12)
        anchor = self._at(anchor_px[None, :])[0]
        reach = float(np.abs(direction) @ box_size) / 2.0
        spots = [
            self._box(anchor + direction * (reach + self._letters * step * 0.8), box_size)
            for step in range(1, 2 if near else STEPS_AWAY)
        ]
        free = [box for box in spots if self._is_free(box)]
        if not free and not must:
            return False
        free = [box for box in free if not self._covers(box)] or free
        box = free[0] if free else self._pushed_in(spots[0])
        tip = (round(float(anchor[0])), round(float(anchor[1]))) if leader else None
        self._plates.append(_Plate(text, box, tip, colour))
        return True

    def jpeg(self) -> bytes:
        """Return the picture as a JPEG without any of the photo's metadata."""
        self._finish()
        done, data = cv2.imencode(".jpg", self.image, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
        if not done:
            raise ValueError(f"no JPEG of a picture of {self._size_px} pixels")
        return bytes(data.tobytes())

    def _at(self, points_px: FloatArray) -> FloatArray:
        """Photo pixels to pixels of the copy; mind the half pixel."""
        return np.asarray((np.asarray(points_px) + 0.5) * self._scale - 0.5)

    def _text_size(self, text: str) -> tuple[int, int]:
        box = cv2.getTextSize(self._size_px, text, (0, 0), self._font, self._letters, LETTER_WEIGHT)
        return int(box[2]), self._letters

    def _box(self, middle: FloatArray, size: FloatArray) -> tuple[int, int, int, int]:
        low, high = np.round(middle - size / 2.0), np.round(middle + size / 2.0)
        return int(low[0]), int(low[1]), int(high[0]), int(high[1])

    def _is_free(self, box: tuple[int, int, int, int]) -> bool:
        x0, y0, x1, y1 = box
        if x0 < 0 or y0 < 0 or x1 >= self._size_px[0] or y1 >= self._size_px[1]:
            return False
        return all(x1 < a or c < x0 or y1 < b or d < y0 for a, b, c, d in self._boxes())

    def _covers(self, box: tuple[int, int, int, int]) -> bool:
        x0, y0, x1, y1 = box
        return bool(self._spared[y0 : y1 + 1, x0 : x1 + 1].any())

    def _pushed_in(self, box: tuple[int, int, int, int]) -> tuple[int, int, int, int]:
        x0, y0, x1, y1 = box
        dx = max(-x0, 0) - max(x1 - self._size_px[0] + 1, 0)
        dy = max(-y0, 0) - max(y1 - self._size_px[1] + 1, 0)
        return x0 + dx, y0 + dy, x1 + dx, y1 + dy

    def _boxes(self) -> list[tuple[int, int, int, int]]:
        return [plate.box for plate in self._plates]

    def _finish(self) -> None:
        """Draw the leaders, then the plates over them."""
        for plate in self._plates:
            x0, y0, x1, y1 = plate.box
            if plate.anchor is not None:
                x, y = plate.anchor
                edge = (min(max(x, x0), x1), min(max(y, y0), y1))
                cv2.line(self.image, plate.anchor, edge, DARK, 3 * self._thin, cv2.LINE_AA)
                cv2.line(self.image, plate.anchor, edge, plate.colour, self._thin, cv2.LINE_AA)
        for plate in self._plates:
            x0, y0, x1, y1 = plate.box
            cv2.rectangle(self.image, (x0, y0), (x1, y1), DARK, cv2.FILLED)
            cv2.rectangle(self.image, (x0, y0), (x1, y1), plate.colour, self._thin)
            wide, tall = self._text_size(plate.text)
            at = ((x0 + x1 - wide) // 2, (y0 + y1) // 2 + round(tall * 0.36))
            cv2.putText(
                self.image, plate.text, at, plate.colour, self._font, self._letters, LETTER_WEIGHT
            )
        self._plates.clear()


def _dashes(points: FloatArray, length: float) -> list[FloatArray]:
    """Cut the line through points, (n, 2), into dashes of a length with gaps of half of it."""
    steps = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    runs = []
    for start in np.arange(0.0, along[-1], 1.5 * length):
        at = np.clip(np.array([start, start + length]), 0.0, along[-1])
        inner = points[(along > at[0]) & (along < at[1])]
        ends = np.column_stack([np.interp(at, along, points[:, i]) for i in (0, 1)])
        runs.append(np.vstack([ends[:1], inner, ends[1:]]))
    return runs
