"""Coarse four-sided shapes in a photo: where a card or another rectangle might be."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["coarse_quads", "gradient_strength"]

FloatArray = NDArray[np.float64]

SEARCH_SIDE_PX = 800
SMALLEST_SHARE = 0.006
"""A card smaller than this share of the photo carries too few pixels to measure with."""


def gradient_strength(lab: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return the gradient magnitude over lightness and colour, shape (H, W); colour counts double.

    A shadow changes lightness, an edge of a thing mostly both.
    """
    gx = cv2.Sobel(lab, cv2.CV_32F, 1, 0)
    gy = cv2.Sobel(lab, cv2.CV_32F, 0, 1)
    weights = np.array([1.0, 2.0, 2.0], dtype=np.float32)
    return np.asarray(np.sqrt((gx * gx + gy * gy) @ weights))


def coarse_quads(bgr: NDArray[np.uint8]) -> list[FloatArray]:
    """Return convex four-sided outlines, each (4, 2) pixels of the full photo, clockwise.

    They come from closed contours of the gradient at several thresholds, so one card usually
    gives several; the caller refines and judges them. Largest first, near-equal ones dropped.
    """
    height, width = bgr.shape[:2]
    scale = min(1.0, SEARCH_SIDE_PX / max(height, width))
    small = cv2.resize(bgr, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    lab = cv2.GaussianBlur(cv2.cvtColor(small, cv2.COLOR_BGR2Lab), (0, 0), 1.0)
    strength = gradient_strength(np.asarray(lab, dtype=np.uint8))
    found: list[tuple[float, FloatArray]] = []
    for percent in (70, 80, 88, 93, 96):
        mask = (strength > np.percentile(strength[::3, ::3], percent)).astype(np.uint8)
        closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
        for each in (mask, closed):
            contours, _ = cv2.findContours(each, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
            for contour in contours:
                quad = _as_quad(contour, small.shape[0] * small.shape[1])
                if quad is not None:
                    area = float(cv2.contourArea(quad.astype(np.float32)))
                    found.append((area, (quad + 0.5) / scale - 0.5))
    found.sort(key=lambda item: -item[0])
    kept: list[FloatArray] = []
    for _, quad in found:
        near = 6.0 / scale
        if all(np.abs(quad - other).max() > near for other in kept):
            kept.append(quad)
    return kept


def _as_quad(contour: NDArray[np.int32], picture_area: int) -> FloatArray | None:
    if len(contour) < 80:
        return None
    hull = cv2.convexHull(contour)
    area = cv2.contourArea(hull)
    if not SMALLEST_SHARE * picture_area < area < 0.8 * picture_area:
        return None
    if abs(cv2.contourArea(contour)) < 0.8 * area:
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
    lines = []
    for a, b in zip(quad, np.roll(quad, -1, axis=0), strict=True):
        length = float(np.linalg.norm(b - a))
        d = (b - a) / max(length, 1e-9)
        along = (contour - a) @ d / max(length, 1e-9)
        across = (contour - a) @ np.array([-d[1], d[0]])
        near = contour[(along > 0.15) & (along < 0.85) & (np.abs(across) < 0.12 * length)]
        if len(near) < 8:
            return None
        vx, vy, x, y = cv2.fitLine(near.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel()
        lines.append((np.array([x, y]), np.array([vx, vy])))
    corners = []
    for (p, d), (q, e) in zip([lines[-1], *lines[:-1]], lines, strict=True):
        matrix = np.stack([d, -e], axis=1)
        if abs(np.linalg.det(matrix)) < 0.2:
            return None
        corners.append(p + np.linalg.solve(matrix, q - p)[0] * d)
    return np.array(corners, dtype=np.float64)
