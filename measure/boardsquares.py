"""Where a printed board is seen beside the piece, in the reduced photo.

A square whose corners are seen may still have a tenon on part of it: what is of another hue than
print and paper is not the board's.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Zone", "covered_outside", "filled", "squares_seen", "surely_paper"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
MaskArray = NDArray[np.uint8]

INWARD, BORDER = 0.3, 3
"""A piece may reach so far into a square whose corner is seen, in squares; and how broad the page's
own border is, pixels."""
DARK_AND_PALE = (25, 60)
"""Percentiles of lightness of a board's squares below and above which there is print, or paper."""
OTHER_HUE, OTHER_USUAL, SURELY_LEAST = 8.0, 3.0, 0.3
PERHAPS_HUE, PERHAPS_USUAL = 5.0, 2.0
"""What is so far from black, white and grey in CIE 1976 a* and b*, and so much farther than print
and paper usually are, is neither; and with it what is connected and nearly so (no source)."""
NEAR_BY, FEW = 12, 1e-3
"""Print and paper are averaged over this part of the picture to each side; and the share of them in
it below which those of the whole board count."""


@dataclass(frozen=True, slots=True)
class Zone:
    """The window of a printed board, pixels of the photo.

    Attributes
    ----------
    search_px : (4, 2) polygon that the piece lies in, as seen: the page.
    bench_px : polygons (4, 2) of bare paper along the window's long sides.
    paper_px : polygons (4, 2) round the corners of squares that are seen.
    """

    search_px: FloatArray
    bench_px: tuple[FloatArray, ...]
    paper_px: tuple[FloatArray, ...] = ()


def squares_seen(zone: Zone, lab: MaskArray, scale: float) -> MaskArray:
    """Return 1 where the board's squares are seen, (h, w).

    Parameters
    ----------
    zone : of the board.
    lab : (h, w, 3) the reduced photo, 8-bit CIE 1976 L*a*b*.
    scale : its pixels per photo pixel.
    """
    shape = (lab.shape[0], lab.shape[1])
    paper = filled(list(zone.paper_px), shape, scale)
    paper = np.asarray(cv2.erode(paper, np.ones((3, 3), np.uint8)), dtype=np.uint8)
    open_to = (paper == 0) & (filled([zone.search_px], shape, scale) > 0)
    return np.asarray(paper * ~_of_other_hue(lab, paper > 0, open_to), dtype=np.uint8)


def covered_outside(zone: Zone, cover: MaskArray, squares: MaskArray, scale: float) -> MaskArray:
    """Return a cover (h, w) with all that lies outside a board's page, or on its squares."""
    covered = cover.copy()
    covered[filled([zone.search_px], (cover.shape[0], cover.shape[1]), scale) == 0] = 1
    covered[squares > 0] = 1
    return covered


def surely_paper(zone: Zone, squares: MaskArray, scale: float) -> NDArray[np.bool_]:
    """Return where an edge is the board's own, (h, w): well inside its squares, or its border.

    Parameters
    ----------
    zone : of the board.
    squares : as seen.
    scale : reduced pixels per photo pixel.
    """
    shape = (squares.shape[0], squares.shape[1])
    border = filled([zone.search_px], shape, scale, BORDER) > 0
    if not zone.paper_px:
        return np.asarray(border)
    sizes = [cv2.contourArea(polygon.astype(np.float32)) for polygon in zone.paper_px]
    inward = round(INWARD * float(np.sqrt(np.median(sizes))) * scale)
    kernel = np.ones((2 * inward + 1, 2 * inward + 1), np.uint8)
    inside = cv2.erode(filled(list(zone.paper_px), shape, scale), kernel) > 0
    clear = cv2.erode(squares, np.ones((5, 5), np.uint8)) > 0
    return np.asarray((inside & clear) | border)


def filled(
    polygons_px: list[FloatArray], shape: tuple[int, int], scale: float, line: int = 0
) -> MaskArray:
    """Return 1 inside polygons (m, 2) of the photo, or along a `line` so broad, (h, w)."""
    mask = np.zeros(shape, dtype=np.uint8)
    for polygon in polygons_px:
        corners = [np.round((polygon + 0.5) * scale - 0.5).astype(np.int32)]
        if line:
            cv2.polylines(mask, corners, True, 1, line)
        else:
            cv2.fillPoly(mask, corners, 1)
    return mask


def _of_other_hue(
    lab: MaskArray, paper: NDArray[np.bool_], open_to: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return what on a board's squares is neither black, nor white, nor grey between them.

    All (h, w). Only what goes on where the board is `open_to` the piece counts.
    """
    if not paper.any():
        return paper
    light, hue = lab[..., 0].astype(np.float32), lab[..., 1:].astype(np.float32) - 128.0
    low, high = np.percentile(light[paper], DARK_AND_PALE)
    dark, of_dark = _near_by(light, hue, paper & (light <= low))
    pale, of_pale = _near_by(light, hue, paper & (light >= high))
    share = (light - dark) / np.maximum(pale - dark, 1.0)
    off = np.linalg.norm(hue - of_dark - share[..., None] * (of_pale - of_dark), axis=2)
    usual = float(np.median(off[paper]))
    perhaps = (paper & (off > max(PERHAPS_HUE, PERHAPS_USUAL * usual))).astype(np.uint8)
    opened = cv2.morphologyEx(perhaps, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    labels = np.asarray(cv2.connectedComponents(opened)[1])
    beside = cv2.dilate(open_to.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    surely = off > max(OTHER_HUE, OTHER_USUAL * usual)
    sizes = np.bincount(labels.ravel())
    sure = np.bincount(labels[surely], minlength=len(sizes)) > SURELY_LEAST * sizes
    other = np.intersect1d(np.flatnonzero(sure), labels[beside])
    return np.asarray(np.isin(labels, other[other > 0]))


def _near_by(
    light: Float32Array, hue: Float32Array, chosen: NDArray[np.bool_]
) -> tuple[Float32Array, Float32Array]:
    """Return the mean lightness (h, w) and hue (h, w, 2) of chosen pixels near each place.

    Light that is coloured itself, and not the same everywhere, colours print and paper.
    """
    size = (2 * (max(light.shape) // NEAR_BY) + 1,) * 2
    planes = np.dstack([light, hue])
    share = cv2.blur(chosen.astype(np.float32), size)
    total = cv2.blur(planes * chosen[..., None].astype(np.float32), size)
    whole = np.median(planes[chosen], axis=0)
    mean = (total + FEW * whole) / (share + FEW)[..., None]
    return np.asarray(mean[..., 0], np.float32), np.asarray(mean[..., 1:], np.float32)
