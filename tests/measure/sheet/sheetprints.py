"""Measure a printed sheet: rasterise its PDF and find lines to a part of a pixel."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pypdfium2 as pdfium
from numpy.typing import NDArray

from measure.chain import Chain, distance_to_chain
from measure.sheet import Sheet
from measure.sheetscale import BAR_MM, ENDS_MM, STICK_MM
from measure.template import (
    BETWEEN_MM,
    HEAD_MM,
    MARGIN_MM,
    Paper,
    Strip,
    Tile,
    fill_pages,
    template_strips,
    tiles,
)
from measure.wall import outline_at

FloatArray = NDArray[np.float64]
MM = 24.0
"""Pixels in a millimetre, 609.6 dpi: every paper here is then a whole number of them."""


@dataclass(frozen=True)
class Band:
    """One band on one page: strip, tile, page number from 1, paper y of its lower edge, mm."""

    strip: Strip
    tile: Tile
    page: int
    low: float


def raster(pdf: Path, page: int) -> FloatArray:
    """Return the darkness of a page, 0 white to 1 black, shape (height, width).

    Drawn by PDFium, which had no part in writing it. It stretches a page to the next whole pixel
    up; a hair less than MM keeps that from adding one.
    """
    with pdfium.PdfDocument(pdf) as document:
        drawn = document[page - 1].render(scale=(MM - 1e-5) * 25.4 / 72.0, grayscale=True)
        return 1.0 - drawn.to_numpy().astype(np.float64) / 255.0


def bands(sheet: Sheet, on: Paper, first_page: int = 3) -> list[Band]:
    """Return where the bands should be, from the layout alone."""
    strips = (Strip("stick", STICK_MM), *template_strips(sheet.profile, on))
    cut = tiles(sheet.length_mm, ENDS_MM, on)
    out, page = [], first_page
    for group in fill_pages(strips, on):
        for tile in cut:
            top = on.height_mm - MARGIN_MM - HEAD_MM
            for strip in group:
                low = top - strip.height_mm
                out.append(Band(strip, tile, page, low))
                top = low - BETWEEN_MM
            page += 1
    return out


class Print:
    """A rasterised page; coordinates are mm from its lower left corner."""

    def __init__(self, ink: FloatArray) -> None:
        self.ink = ink

    def column(self, x: float, low: float, high: float) -> float:
        """Return the y of the line that column x crosses between low and high, mm; NaN if none.

        The centre of the darkness in the one column of pixels that holds x.
        """
        height = self.ink.shape[0]
        a, b = round(height - high * MM), round(height - low * MM)
        dark = self.ink[max(a, 0) : b, int(np.floor(x * MM))]
        if dark.sum() < 0.5:
            return float("nan")
        centre = (np.arange(len(dark)) + 0.5) @ dark / dark.sum() + max(a, 0)
        return float((height - centre) / MM)

    def row(self, y: float, left: float, right: float) -> float:
        """Return the x of the line that row y crosses between left and right, mm."""
        a, b = round(left * MM), round(right * MM)
        dark = self.ink[int(np.floor(self.ink.shape[0] - y * MM)), max(a, 0) : b]
        if dark.sum() < 0.5:
            return float("nan")
        return float(((np.arange(len(dark)) + 0.5) @ dark / dark.sum() + max(a, 0)) / MM)


def bar_length(page: Print) -> float:
    """Return the distance between the middles of the check bar's end lines, mm."""
    x, y = MARGIN_MM + 2.0, MARGIN_MM + 3.0
    ends = [page.row(y + 1.3, e - 1.0, e + 1.0) for e in (x, x + BAR_MM)]
    return ends[1] - ends[0]


def template_errors(
    sheet: Sheet, on: Paper, pdf: Path, kind: str
) -> tuple[FloatArray, list[float]]:
    """Return the distances of the printed outline from the profile, mm, and the bars' lengths.

    The pages are joined as a turner does: the crosses of one page on those of the next. All
    places are then read from the printed line of the piece's own end and the printed axis (or
    base line), none from the layout.
    """
    errors: list[float] = []
    bars: list[float] = []
    carried = 0.0
    own = [b for b in bands(sheet, on) if b.strip.kind == kind]
    for k, band in enumerate(own):
        page = Print(raster(pdf, band.page))
        bars.append(bar_length(page))
        y0, y1 = band.low, band.low + band.strip.height_mm
        base = _base_line(page, band)
        if k == 0:  # along the band, the frame's left edge stands 6 mm before the end
            edge = page.row(0.5 * (y0 + y1) + 3.3, MARGIN_MM - 0.6, MARGIN_MM + 0.6)
            shift = -ENDS_MM - edge
        else:
            assert band.tile.join_left is not None
            shift = carried - _cross(page, band, band.tile.join_left)
        errors += _page_errors(sheet, page, band, base, shift)
        if band.tile.join_right is not None:
            carried = _cross(page, band, band.tile.join_right) + shift
    return np.array(errors), bars


def _base_line(page: Print, band: Band) -> float:
    across = np.arange(MARGIN_MM + 1.0, MARGIN_MM + 40.0, 0.37)
    found = [page.column(float(x), band.low - 0.5, band.low + 0.5) for x in across]
    return float(np.nanmedian(found))


def _cross(page: Print, band: Band, join: float) -> float:
    """Return the paper x of the upright of the crosses."""
    x = MARGIN_MM + join - band.tile.start_mm
    top = band.low + band.strip.height_mm
    lower = band.low + 0.2 * band.strip.height_mm
    heights = (top - 2.6, top - 3.6, lower + 1.5, lower - 1.5)
    return float(np.nanmedian([page.row(y, x - 0.5, x + 0.5) for y in heights]))


def _page_errors(sheet: Sheet, page: Print, band: Band, base: float, shift: float) -> list[float]:
    profile, points = sheet.profile, []
    mirrored = band.strip.kind == "mirrored"
    clear = [band.tile.join_left, band.tile.join_right]
    jumps = profile.z_mm[:-1][np.diff(profile.z_mm) == 0.0]
    for along in np.arange(band.tile.start_mm + 0.5, band.tile.stop_mm - 0.5, 0.31):
        x = along - shift
        column = (np.floor(x * MM) + 0.5) / MM + shift  # the middle of the pixels that are read
        z = sheet.length_mm - column if mirrored else column
        if not 1.0 < z < sheet.length_mm - 1.0 or np.any(np.abs(jumps - z) < 0.4):
            continue  # the shoulder's own line; its place is measured below
        if any(j is not None and abs(along - j) < 3.5 for j in clear):
            continue  # the cross itself lies there
        r = 0.5 * outline_at(profile, np.array([z - 0.3, z, z + 0.3]))[0]
        steep = float(np.max(np.abs(np.diff(r)))) / 0.3
        if not np.all(np.isfinite(r)) or steep > 2.0:
            continue
        y = base + float(r[1]) - band.strip.base_mm
        seen = page.column(x, y - 0.6 - 0.3 * steep, y + 0.6 + 0.3 * steep)
        points.append((z, seen - base + band.strip.base_mm))
    rows = Chain(profile.z_mm, 0.5 * profile.diameter_mm, np.zeros(len(profile.z_mm) - 1))
    at = np.array(points)
    assert np.all(np.isfinite(at)), "the outline is missing somewhere on the print"
    out = [float(v) for v in distance_to_chain(rows, at[:, 0], at[:, 1])]
    for z, r in _shoulders(sheet):
        along = sheet.length_mm - z if mirrored else z
        if not band.tile.start_mm + 2.0 < along < band.tile.stop_mm - 2.0:
            continue
        if any(j is not None and abs(along - j) < 4.5 for j in clear):
            continue
        seen = page.row(base + r - band.strip.base_mm, along - shift - 0.7, along - shift + 0.7)
        out.append(abs(seen + shift - along))
    return out


def _shoulders(sheet: Sheet) -> list[tuple[float, float]]:
    """Return z and middle radius of each shoulder of 1.5 mm or more."""
    z, r = sheet.profile.z_mm, 0.5 * sheet.profile.diameter_mm
    return [
        (float(z[i]), float(0.5 * (r[i] + r[i + 1])))
        for i in np.nonzero(np.diff(z) == 0.0)[0]
        if abs(r[i + 1] - r[i]) >= 1.5
    ]
