"""Ink on paper: where the sheet lies in the rectified picture, and how much is drawn where."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.light import linear, luminance
from calib.refusal import RefusalError
from measure.sheetimage import SheetImage

__all__ = ["Ink", "ink_of"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
ByteArray = NDArray[np.uint8]

WIDEST_LINE_MM = 1.6
"""Wider dark strokes are no pencil lines: smudges, shadows, the card's border."""
MARGIN_MM = 1.5
"""Kept off the sheet's edge, whose shadow and curl look like a line."""
CARD_MARGIN_MM = 3.0
FAINTEST, FAINT_MOST = 0.06, 0.25
BLUR_MM = 0.3
"""The ink is summed over this much across a line, so that a bold line outweighs a thin one."""


@dataclass(frozen=True, slots=True)
class Ink:
    """How much ink lies where, on the pixels of a sheet image.

    Attributes
    ----------
    sheet : the picture it belongs to.
    amount : (H, W) float32, 0 for bare paper, about 1 on a bold line of this drawing.
    paper : (H, W) bool, on the sheet and clear of card and edges.
    faint : amount that stands clear of the grain of the paper; a thin line has as much.
    """

    sheet: SheetImage
    amount: Float32Array
    paper: NDArray[np.bool_]
    faint: float


def ink_of(sheet: SheetImage, card_mm: FloatArray) -> Ink:
    """Return the ink on the sheet that the card lies on.

    Parameters
    ----------
    sheet : the rectified photo.
    card_mm : (m, 2) corners of the card as they appear in the sheet's plane, mm.

    Raises
    ------
    RefusalError
        Code `no-drawing`: there is no sheet round the card, or nothing is drawn on it.
    """
    light = luminance(linear(sheet.bgr))
    card = _filled(sheet, card_mm, CARD_MARGIN_MM)
    paper = _paper(sheet, light, card)
    size = _odd(WIDEST_LINE_MM * sheet.px_per_mm)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    # Speckle first, or the closing would take the brightest grain of the paper for the paper.
    calm = cv2.GaussianBlur(light, (0, 0), max(0.12 * sheet.px_per_mm, 0.4))
    ground = cv2.morphologyEx(calm, cv2.MORPH_CLOSE, kernel)
    ground = cv2.GaussianBlur(ground, (0, 0), 0.5 * size)
    dark = np.clip(1.0 - calm / np.maximum(ground, 1e-3), 0.0, 1.0).astype(np.float32)
    dark = np.asarray(cv2.GaussianBlur(dark, (0, 0), BLUR_MM * sheet.px_per_mm), dtype=np.float32)
    if not np.any(paper):
        raise _nothing()
    level = float(np.median(dark[paper]))
    spread = 1.4826 * float(np.median(np.abs(dark[paper] - level)))
    lifted = np.maximum(dark - level - 2.0 * spread, 0.0)
    lifted[~paper] = 0.0
    strong = lifted[lifted > 6.0 * spread + 0.01]
    if len(strong) < 40.0 * sheet.px_per_mm**2 * BLUR_MM:
        raise _nothing()
    bold = float(np.percentile(strong, 80))
    amount = np.asarray(lifted / bold, dtype=np.float32)
    faint = float(np.clip(3.0 * spread / bold, FAINTEST, FAINT_MOST))
    return Ink(sheet, amount, paper, faint)


def _resized(mask: NDArray[np.bool_], shape: tuple[int, ...]) -> ByteArray:
    size = (shape[1], shape[0])
    small = cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    return np.asarray(small, dtype=np.uint8)


def _nothing() -> RefusalError:
    return RefusalError(
        "no-drawing",
        "There is no drawing to be seen on the sheet that the card lies on.",
        "Lay the card on the sheet, clear of the drawing; draw the outline firm and dark.",
    )


def _odd(value: float) -> int:
    return 2 * int(np.ceil(value / 2.0)) + 1


def _filled(sheet: SheetImage, polygon_mm: FloatArray, margin_mm: float) -> NDArray[np.bool_]:
    mask = np.zeros(sheet.seen.shape, dtype=np.uint8)
    corners = np.round(sheet.to_px(polygon_mm)).astype(np.int32)
    cv2.fillPoly(mask, [corners], 1)
    size = _odd(2.0 * margin_mm * sheet.px_per_mm)
    return np.asarray(cv2.dilate(mask, np.ones((size, size), np.uint8)) > 0)


def _paper(sheet: SheetImage, light: Float32Array, card: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the sheet: what is as bright and of the same colour as what lies round the card."""
    wide = _odd(12.0 * sheet.px_per_mm)
    ring = cv2.dilate(card.astype(np.uint8), np.ones((wide, wide), np.uint8)) > 0
    ring &= ~card & sheet.seen
    if np.count_nonzero(ring) < 100:
        return np.asarray(sheet.seen & ~card)
    size = _odd(WIDEST_LINE_MM * sheet.px_per_mm)
    small = max(int(sheet.px_per_mm), 1)
    closed = cv2.morphologyEx(sheet.bgr, cv2.MORPH_CLOSE, np.ones((size, size), np.uint8))
    closed = cv2.resize(closed, None, fx=1 / small, fy=1 / small, interpolation=cv2.INTER_AREA)
    lin = linear(np.asarray(closed, dtype=np.uint8)).astype(np.float32) + np.float32(1e-3)
    reference = np.median(
        linear(np.ascontiguousarray(sheet.bgr[ring])).astype(np.float32), axis=0
    ) + np.float32(1e-3)
    ratio = np.log(lin / reference)
    even = ratio.mean(axis=2)
    hue = np.abs(ratio - even[..., None]).max(axis=2)
    like = ((even > -0.75) & (even < 0.6) & (hue < 0.25)).astype(np.uint8)
    # The card belongs to the sheet: it must not cut it in two.
    inside, seen = _resized(card, like.shape), _resized(sheet.seen, like.shape)
    held = np.asarray(inside & seen, dtype=np.uint8)
    like = cv2.morphologyEx((like | inside) & seen, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    like = np.maximum(like, held)
    _, labels = cv2.connectedComponents(like)
    own = np.bincount(labels[inside > 0]).argmax() if np.any(inside) else 1
    whole = (labels == own).astype(np.uint8)
    contours, _ = cv2.findContours(whole, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(whole, contours, -1, 1, cv2.FILLED)
    margin = _odd(2.0 * MARGIN_MM)
    whole = cv2.erode(whole, np.ones((margin, margin), np.uint8), borderValue=1)
    # Beyond the photo nothing is known; the picture's own border is no edge of the sheet.
    full = cv2.resize(whole, light.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
    border = cv2.erode(sheet.seen.astype(np.uint8), np.ones((9, 9), np.uint8), borderValue=0) > 0
    return np.asarray(full & border & ~card)
