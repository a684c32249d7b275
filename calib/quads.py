"""Coarse four-sided shapes in a photo: where a card or another rectangle might be."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.rectangle import corners_of

__all__ = ["Coarse", "coarse_quads", "coarse_view"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

SEARCH_SIDE_PX = 800
SMALLEST_SHARE = 0.004
"""A card smaller than this share of the photo carries too few pixels to measure with."""
LARGEST_SHARE = 0.85
SNAP_PX = 8
SHORTEST_PX = 40
LEVELS = ((96, False), (93, False), (88, False), (80, True))
"""Thresholds of the gradient, in percent of the photo below, and whether gaps are closed: sharp
edges on plain benches stand out at the first, faint ones among grain need the last."""


@dataclass(frozen=True, slots=True)
class Coarse:
    """A photo at low resolution.

    Attributes
    ----------
    step : pixels of the photo to one here.
    lab : (h, w, 3) the picture, CIE L*a*b*, slightly blurred.
    strength : (h, w) float32, gradient over lightness and colour.
    usual : its median: what grain and weave of the bench give.
    """

    step: int
    lab: NDArray[np.uint8]
    strength: Float32Array
    usual: float

    def support(self, quad: FloatArray) -> FloatArray:
        """Return, for each side of a quad (4, 2) of the photo, the share that shows an edge."""
        peak = self._across(quad, 3)[0].max(axis=2)
        return np.asarray(np.mean(peak > max(2.5 * self.usual, 6.0), axis=1))

    def snapped(self, quad: FloatArray, side: int) -> FloatArray:
        """Return a quad with one side, from that corner to the next, moved to the nearest edge."""
        strength, normal = self._across(quad, SNAP_PX)
        seen = strength[side] / (strength[side] + 4.0 * self.usual + 1.0)
        n, m = seen.shape
        rises = np.arange(-SNAP_PX // 2, SNAP_PX // 2 + 1)
        shift = np.rint(rises[:, None] * np.linspace(-0.36, 0.36, n)).astype(np.int64)
        at = shift[:, :, None] + np.arange(m)
        inside = (at >= 0) & (at < m)
        votes = seen[np.arange(n)[:, None], np.clip(at, 0, m - 1)] * inside
        total = votes.mean(axis=1)
        # Of edges that are alike the nearer one.
        total -= 0.01 * np.abs(np.arange(m) - SNAP_PX)
        j, k = np.unravel_index(int(total.argmax()), total.shape)
        move = (k - SNAP_PX) + 0.5 * rises[j] * np.array([-1.0, 1.0])
        lines = [(quad[i], quad[(i + 1) % 4]) for i in range(4)]
        offset = self.step * move[:, None] * normal[side]
        lines[side] = (quad[side] + offset[0], quad[(side + 1) % 4] + offset[1])
        corners = corners_of(np.array([a for a, _ in lines]), np.array([b for _, b in lines]))
        return quad if corners is None else corners

    def _across(self, quad: FloatArray, reach: int) -> tuple[Float32Array, FloatArray]:
        """Return the strength on lines across each side, (4, 25, 2 reach + 1), and normals."""
        small = (quad + 0.5) / self.step - 0.5
        share = np.linspace(0.14, 0.86, 25)
        start, end = small, np.roll(small, -1, axis=0)
        along = end - start
        length = np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
        normal = np.column_stack([along[:, 1], -along[:, 0]]) / length
        at = start[:, None] + share[:, None] * along[:, None]
        near = at[:, :, None] + np.arange(-reach, reach + 1)[:, None] * normal[:, None, None]
        h, w = self.strength.shape
        x = np.clip(np.rint(near[..., 0]), 0, w - 1).astype(np.int64)
        y = np.clip(np.rint(near[..., 1]), 0, h - 1).astype(np.int64)
        return self.strength[y, x], normal


def coarse_view(bgr: NDArray[np.uint8]) -> Coarse:
    """Return a photo (H, W, 3) at low resolution.

    A shadow changes lightness, the edge of a thing mostly colour as well, so colour counts double.
    """
    height, width = bgr.shape[:2]
    step = max(1, round(max(height, width) / SEARCH_SIDE_PX))
    h, w = height // step, width // step
    # A whole number of pixels to one is averaged several times faster than any other.
    small = cv2.resize(bgr[: h * step, : w * step], (w, h), interpolation=cv2.INTER_AREA)
    lab = cv2.GaussianBlur(cv2.cvtColor(small, cv2.COLOR_BGR2Lab), (0, 0), 1.0)
    gx = cv2.Sobel(lab, cv2.CV_16S, 1, 0)
    gy = cv2.Sobel(lab, cv2.CV_16S, 0, 1)
    strength = np.zeros((h, w), dtype=np.float32)
    for channel, weight in ((0, 1.0), (1, 2.0), (2, 2.0)):
        x = np.multiply(gx[..., channel], np.float32(np.sqrt(weight)), dtype=np.float32)
        y = np.multiply(gy[..., channel], np.float32(np.sqrt(weight)), dtype=np.float32)
        strength += x * x
        strength += y * y
    np.sqrt(strength, out=strength)
    usual = float(np.median(strength[::4, ::4]))
    return Coarse(step, np.asarray(lab, dtype=np.uint8), strength, usual)


def coarse_quads(coarse: Coarse, level: int) -> list[FloatArray]:
    """Return convex four-sided outlines, each (4, 2) pixels of the photo, clockwise on screen.

    They come from closed contours of the gradient. A thing that the picture's border cuts gives
    an outline that runs along the border.

    Parameters
    ----------
    level : index into `LEVELS`.
    """
    percent, close = LEVELS[level]
    threshold = np.percentile(coarse.strength[::3, ::3], percent)
    mask = (coarse.strength > max(float(threshold), 4.0)).astype(np.uint8)
    if close:
        closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
        mask = np.asarray(closed, dtype=np.uint8)
    mask[[0, -1], :] = 1
    mask[:, [0, -1]] = 1
    _, labels, boxes, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    large = np.maximum(boxes[:, cv2.CC_STAT_WIDTH], boxes[:, cv2.CC_STAT_HEIGHT]) > SHORTEST_PX
    large[0] = False
    mask = large.astype(np.uint8)[labels]
    contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    found = []
    for contour in contours:
        if len(contour) >= 3 * SHORTEST_PX:
            quad = _as_quad(contour, mask.shape[0] * mask.shape[1])
            if quad is not None:
                found.append((quad + 0.5) * coarse.step - 0.5)
    return found


def _as_quad(contour: NDArray[np.int32], picture_area: int) -> FloatArray | None:
    hull = cv2.convexHull(contour)
    area = cv2.contourArea(hull)
    if not SMALLEST_SHARE * picture_area < area < LARGEST_SHARE * picture_area:
        return None
    if abs(cv2.contourArea(contour)) < 0.7 * area:
        return None
    for tolerance in (0.03, 0.045, 0.06):
        corners = cv2.approxPolyDP(hull, tolerance * cv2.arcLength(hull, True), True)
        if len(corners) == 4:
            break
    else:
        return None
    quad = np.asarray(corners, dtype=np.float64).reshape(4, 2)
    centre = quad.mean(axis=0)
    angle = np.arctan2(quad[:, 1] - centre[1], quad[:, 0] - centre[0])
    return _straightened(quad[np.argsort(angle)], contour.reshape(-1, 2).astype(np.float64))


def _straightened(quad: FloatArray, contour: FloatArray) -> FloatArray | None:
    """Return the corners where lines through the middle parts of the four sides meet.

    The corners of a polygon through a rounded rectangle lie off both sides; the sides do not.
    """
    starts, ends = [], []
    for a, b in zip(quad, np.roll(quad, -1, axis=0), strict=True):
        length = float(np.linalg.norm(b - a))
        d = (b - a) / max(length, 1e-9)
        along = (contour - a) @ d / max(length, 1e-9)
        across = (contour - a) @ np.array([-d[1], d[0]])
        near = contour[(along > 0.15) & (along < 0.85) & (np.abs(across) < 0.12 * length)]
        if len(near) < 8:
            return None
        vx, vy, x, y = cv2.fitLine(near.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel()
        sense = np.sign(vx * d[0] + vy * d[1])
        starts.append((x, y))
        ends.append((x + sense * vx, y + sense * vy))
    return corners_of(np.array(starts, dtype=np.float64), np.array(ends, dtype=np.float64))
