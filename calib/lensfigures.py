"""Drawings of a lens calibration, as SVG: where the corners were, and what the fit left over."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.lens import Lens
from calib.lenscalibrate import Calibration
from calib.lenscoverage import CELLS, bend_sd_px

__all__ = ["bend_svg", "coverage_svg", "residual_map_svg", "residual_scatter_svg", "view_bars_svg"]

FloatArray = NDArray[np.float64]

WIDTH = 640.0
DOT, DARK, MID, PALE = "#0b5fa5", "#111", "#777", "#ddd"


def _svg(width: float, height: float, body: Sequence[str], label: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" '
        f'font-family="sans-serif" font-size="13" role="img" aria-label="{label}">'
        + "".join(body)
        + "</svg>"
    )


def _text(x: float, y: float, words: str, anchor: str = "start", fill: str = DARK) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{fill}">{words}</text>'


def _line(x1: float, y1: float, x2: float, y2: float, stroke: str = DARK, width: float = 1) -> str:
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" '
        f'stroke="{stroke}" stroke-width="{width:g}"/>'
    )


def coverage_svg(calibration: Calibration) -> str:
    """Return the frame with every corner seen; cells without any are hatched and named empty."""
    lens = calibration.lens
    scale = WIDTH / lens.size_px[0]
    height = lens.size_px[1] * scale
    body = [
        '<defs><pattern id="hatch" width="8" height="8" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)">{_line(0, 0, 0, 8, MID, 1.5)}</pattern></defs>'
    ]
    wide, tall = WIDTH / CELLS[0], height / CELLS[1]
    for (row, column), count in np.ndenumerate(calibration.coverage.counts):
        if count == 0:
            x, y = column * wide, row * tall
            body.append(
                f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{tall:.1f}" '
                'fill="url(#hatch)"/>'
            )
    for named in calibration.used:
        for x, y in (named.view.points_px + 0.5) * scale:
            body.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="1.6" fill="{DOT}"/>')
    for (row, column), count in np.ndenumerate(calibration.coverage.counts):
        if count == 0:
            x, y = (column + 0.5) * wide, (row + 0.5) * tall
            body.append(
                f'<rect x="{x - 22:.1f}" y="{y - 10:.1f}" width="44" height="18" fill="#fff"/>'
            )
            body.append(_text(x, y + 4, "none", "middle"))
    cx, cy = ((np.array(lens.centre_px) + 0.5) * scale).tolist()
    body += [_line(cx - 9, cy, cx + 9, cy, DARK, 2), _line(cx, cy - 9, cx, cy + 9, DARK, 2)]
    body.append(
        f'<rect x="0.5" y="0.5" width="{WIDTH - 1:g}" height="{height - 1:.1f}" fill="none" '
        f'stroke="{DARK}"/>'
    )
    return _svg(WIDTH, height, body, "Where in the picture the page was seen")


def residual_map_svg(calibration: Calibration) -> str:
    """Return the residuals as strokes over the frame, enlarged; a pattern in them is a fault."""
    lens, fit = calibration.lens, calibration.fit
    scale = WIDTH / lens.size_px[0]
    height = lens.size_px[1] * scale
    rms = max(fit.rms_px, 1e-6)
    grow = 14.0 / rms
    body = []
    for named, residual in zip(calibration.used, fit.residuals_px, strict=True):
        for (x, y), (dx, dy) in zip(named.view.points_px + 0.5, residual, strict=True):
            x, y = x * scale, y * scale
            length = float(np.hypot(dx, dy)) * grow
            shrink = min(1.0, 60.0 / max(length, 1e-9)) * grow
            body.append(_line(x, y, x + dx * shrink, y + dy * shrink, DOT, 1))
    frame = f'<clipPath id="frame"><rect width="{WIDTH:g}" height="{height:.1f}"/></clipPath>'
    body = [frame, '<g clip-path="url(#frame)">', *body, "</g>"]
    body.append(
        f'<rect x="0.5" y="0.5" width="{WIDTH - 1:g}" height="{height - 1:.1f}" fill="none" '
        f'stroke="{DARK}"/>'
    )
    body.append(_line(12, height + 16, 12 + 28, height + 16, DOT, 2))
    body.append(_text(48, height + 20, f"{2 * rms:.3f} px"))
    return _svg(WIDTH, height + 28, body, "Residuals over the picture")


def residual_scatter_svg(calibration: Calibration) -> str:
    """Return the residuals of all corners in x and y: a round cloud if all is well."""
    points = np.concatenate(calibration.fit.residuals_px)
    half = float(max(np.quantile(np.abs(points), 0.995) * 1.1, 1e-3))
    side, edge = 360.0, 44.0
    middle, unit = edge + side / 2, side / 2 / half
    body = [
        f'<rect x="{edge:g}" y="6" width="{side:g}" height="{side:g}" fill="none" '
        f'stroke="{DARK}"/>',
        _line(edge, 6 + side / 2, edge + side, 6 + side / 2, PALE),
        _line(middle, 6, middle, 6 + side, PALE),
    ]
    for x, y in np.clip(points, -half, half):
        body.append(
            f'<circle cx="{middle + x * unit:.1f}" cy="{6 + side / 2 + y * unit:.1f}" r="1.8" '
            f'fill="{DOT}" fill-opacity="0.6"/>'
        )
    for value in (-half, 0.0, half):
        body.append(_text(middle + value * unit, side + 24, f"{value:.2f}", "middle"))
        body.append(_text(edge - 5, 6 + side / 2 + value * unit + 5, f"{value:.2f}", "end"))
    body.append(_text(middle, side + 42, "residual in x and y, px", "middle"))
    return _svg(edge + side + 20, side + 50, body, "Residuals in x and y")


def view_bars_svg(calibration: Calibration) -> str:
    """Return one bar a photo: how far its corners are off, rms."""
    from html import escape

    values = [float(np.sqrt(np.mean(r**2))) for r in calibration.fit.residuals_px]
    most = max(*values, 1e-6)
    body = []
    for i, (named, value) in enumerate(zip(calibration.used, values, strict=True)):
        y = 8.0 + 22.0 * i
        long = 330.0 * value / most
        tilt = calibration.coverage.tilts_deg[i]
        body += [
            _text(220, y + 12, escape(_short(named.name)), "end"),
            f'<rect x="228" y="{y:.1f}" width="{long:.1f}" height="15" fill="{DOT}"/>',
            _text(234 + long, y + 12, f"{value:.3f} px, {tilt:.0f}°"),
        ]
    return _svg(WIDTH + 40, 16.0 + 22.0 * len(values), body, "Residual of each photo")


def _short(name: str) -> str:
    return name if len(name) <= 28 else f"{name[:12]}...{name[-13:]}"


def bend_svg(lens: Lens) -> str:
    """Return how far the lens bends points outward, over the distance from its centre, ± U95."""
    reach = float(np.hypot(*lens.size_px)) / 2.0
    r = np.linspace(0.0, reach, 60)
    x = r / lens.focal_px
    shift = lens.focal_px * x**3 * (lens.k1 + lens.k2 * x**2)
    points = np.column_stack(
        [np.full_like(r, lens.centre_px[0]) + r, np.full_like(r, lens.centre_px[1])]
    )
    u95 = 1.96 * bend_sd_px(lens, points)
    low, high = float(min((shift - u95).min(), 0.0)), float(max((shift + u95).max(), 0.0))
    span = max(high - low, 1e-3)
    left, top, wide, tall = 60.0, 10.0, 540.0, 220.0

    def place(radius: FloatArray, value: FloatArray) -> str:
        px = left + radius / reach * wide
        py = top + (high - value) / span * tall
        return " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(px, py, strict=True))

    band = place(np.r_[r, r[::-1]], np.r_[shift + u95, (shift - u95)[::-1]])
    zero = top + high / span * tall
    body = [
        f'<polygon points="{band}" fill="{PALE}"/>',
        _line(left, zero, left + wide, zero, MID),
        f'<polyline points="{place(r, shift)}" fill="none" stroke="{DOT}" stroke-width="2"/>',
        f'<rect x="{left:g}" y="{top:g}" width="{wide:g}" height="{tall:g}" fill="none" '
        f'stroke="{DARK}"/>',
        _text(left - 5, top + 12, f"{high:.1f}", "end"),
        _text(left - 5, top + tall, f"{low:.1f}", "end"),
        _text(left, top + tall + 18, "centre"),
        _text(left + wide, top + tall + 18, "corner of the picture", "end"),
        _text(left + wide / 2, top + tall + 18, "outward shift, px, with 95 % band", "middle"),
    ]
    return _svg(left + wide + 20, top + tall + 26, body, "Bending of the lens")
