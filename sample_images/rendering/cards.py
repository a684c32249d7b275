"""Artwork of bank-size cards, invented; and what a card measures."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "ARTWORKS",
    "CARD_MM",
    "CORNER_MM",
    "SIZE_SD_MM",
    "THICKNESS_MM",
    "Card",
    "artwork",
    "drawn_card",
]

FloatArray = NDArray[np.float32]

# ISO/IEC 7810, ID-1 (from memory): 85.60 x 53.98 x 0.76 mm, corner radius 3.18 mm.
CARD_MM = (85.60, 53.98)
CORNER_MM = 3.18
THICKNESS_MM = 0.76
SIZE_SD_MM = (0.06, 0.03)
"""Standard deviations that true cards are drawn with, mm; kept within the standard's limits."""
SIZE_LIMITS_MM = ((85.47, 85.72), (53.92, 54.03))

ARTWORKS = ("pale", "dark", "colourful", "plain back", "white")
"""Names of the artworks."""

PX_PER_MM = 24.0


@dataclass(frozen=True, slots=True)
class Card:
    """A card's true size and look."""

    width_mm: float
    height_mm: float
    art: str
    seed: int


def drawn_card(rng: np.random.Generator, art: str) -> Card:
    """Return a card whose true size is drawn within the standard's tolerance."""
    sides = []
    for nominal, sd, (low, high) in zip(CARD_MM, SIZE_SD_MM, SIZE_LIMITS_MM, strict=True):
        size = rng.normal(nominal, sd)
        while not low <= size <= high:
            size = rng.normal(nominal, sd)
        sides.append(float(size))
    return Card(sides[0], sides[1], art, int(rng.integers(1 << 30)))


def artwork(art: str, seed: int) -> FloatArray:
    """Return a card face as linear RGB albedo, (rows, columns, 3), 24 px/mm, first row on top.

    Raises
    ------
    ValueError
        No such artwork.
    """
    if art not in ARTWORKS:
        raise ValueError(f"got artwork {art!r}, need one of {ARTWORKS}")
    rng = np.random.default_rng(seed)
    shape = (round(CARD_MM[1] * PX_PER_MM), round(CARD_MM[0] * PX_PER_MM))
    face = _ground(art, shape, rng)
    if art == "plain back":
        _magnetic_stripe(face, rng)
    elif art != "white":
        _swoops(face, art, rng)
        _chip(face, rng)
        _lettering(face, art, rng)
    return np.clip(face, 0.01, 0.85)


def _ground(art: str, shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    slope = (x / shape[1] * rng.uniform(-1, 1) + y / shape[0] * rng.uniform(-1, 1))[..., None]
    if art == "dark":
        base = rng.uniform(0.012, 0.06) * (1.0 + rng.uniform(-0.3, 0.6, 3))
    elif art == "colourful":
        hue = rng.uniform(0.0, 2.0 * np.pi)
        base = 0.22 + 0.2 * np.cos(hue + np.array([0.0, 2.1, 4.2]))
    elif art == "plain back":
        base = np.full(3, rng.uniform(0.25, 0.6)) * rng.uniform(0.9, 1.1, 3)
    else:
        base = rng.uniform(0.58, 0.78) * rng.uniform(0.93, 1.0, 3)
    return np.asarray(base * (1.0 + 0.35 * (slope if art != "white" else 0.0 * slope)), np.float32)


def _swoops(face: FloatArray, art: str, rng: np.random.Generator) -> None:
    rows, columns = face.shape[:2]
    strength = {"dark": 0.04, "colourful": 0.25, "pale": 0.12}[art]
    for _ in range(3):
        layer = face.copy()
        centre = (int(rng.uniform(0, columns)), int(rng.uniform(0, rows)))
        axes = (int(rng.uniform(0.2, 0.7) * columns), int(rng.uniform(0.2, 0.7) * rows))
        colour = np.clip(
            face[rows // 2, columns // 2] + rng.uniform(-1, 1, 3) * strength, 0.01, 0.8
        )
        cv2.ellipse(
            layer, centre, axes, rng.uniform(0, 180), 0, 360, colour.tolist(), -1, cv2.LINE_AA
        )
        cv2.addWeighted(face, 0.4, layer, 0.6, 0.0, dst=face)
    x = np.arange(columns)
    for _ in range(5):
        wave = rows * (
            rng.uniform(0.1, 0.9)
            + 0.12 * np.sin(x / columns * rng.uniform(4, 14) + rng.uniform(0, 6))
        )
        line = np.stack([x, wave], axis=-1).astype(np.int32)
        colour = np.clip(face.mean(axis=(0, 1)) + strength, 0.01, 0.8)
        cv2.polylines(face, [line], False, colour.tolist(), 2, cv2.LINE_AA)


def _chip(face: FloatArray, rng: np.random.Generator) -> None:
    left, top = int(10.0 * PX_PER_MM), int(19.0 * PX_PER_MM)
    right, bottom = int(21.5 * PX_PER_MM), int(28.5 * PX_PER_MM)
    gold = (0.62, 0.45, 0.16) if rng.random() < 0.6 else (0.5, 0.5, 0.48)
    cv2.rectangle(face, (left, top), (right, bottom), gold, -1)
    for part in (0.33, 0.66):
        row = int(top + part * (bottom - top))
        column = int(left + part * (right - left))
        cv2.line(face, (left, row), (right, row), (0.12, 0.09, 0.04), 3)
        cv2.line(face, (column, top), (column, bottom), (0.12, 0.09, 0.04), 3)


def _lettering(face: FloatArray, art: str, rng: np.random.Generator) -> None:
    pale = art == "dark" or rng.random() < 0.3
    ink = np.array((0.75, 0.75, 0.72) if pale else (0.03, 0.03, 0.04), np.float32)
    number = "  ".join(f"{rng.integers(0, 10000):04d}" for _ in range(4))
    mask = np.zeros(face.shape[:2], np.uint8)
    for text, x_mm, y_mm, size, weight in (
        ("HARBOUR CAFE", 50.0, 9.0, 2.0, 6),
        (number, 9.0, 37.0, 2.9, 6),
        ("GUEST OF THE HOUSE", 9.0, 47.0, 1.6, 4),
    ):
        at = (int(x_mm * PX_PER_MM), int(y_mm * PX_PER_MM))
        cv2.putText(mask, text, at, cv2.FONT_HERSHEY_SIMPLEX, size, 255, weight, cv2.LINE_AA)
    share = (mask.astype(np.float32) / 255.0)[..., None]
    face += share * (ink - face)


def _magnetic_stripe(face: FloatArray, rng: np.random.Generator) -> None:
    face[int(4.0 * PX_PER_MM) : int(16.5 * PX_PER_MM)] = rng.uniform(0.012, 0.03)
    left, right = int(6.0 * PX_PER_MM), int(60.0 * PX_PER_MM)
    face[int(22.0 * PX_PER_MM) : int(30.0 * PX_PER_MM), left:right] = 0.72
    for row in (36.0, 39.0, 42.0):
        cv2.line(
            face,
            (left, int(row * PX_PER_MM)),
            (int(rng.uniform(50, 80) * PX_PER_MM), int(row * PX_PER_MM)),
            (0.08,) * 3,
            5,
        )
