"""A plain card, or any rectangle of known size, in a photo: its sides to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.edges import card_shapes, fit_edges, sample_lines
from calib.lens import Lens
from calib.quads import coarse_quads
from calib.sight import SideSight, fit_view
from calib.view import VIEW_SIZE, View

__all__ = ["CardCandidate", "find_cards"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

LINES_PER_SIDE = 40
SCAN_HALF_PX = 10.0
WIDEST_SHARE = 0.035
"""How far, as a share of the card's length, its sides may lie from the coarse ones."""
SIDE_FLOOR_PX = 0.05
"""Least standard deviation of a point on a side: blocks of JPEG, wear of the card's edge."""
SIDE_BIAS_SD_PX = 0.2
"""What a whole side may be off after the shadow is modelled: sharpening, bevel, dirt."""


@dataclass(frozen=True, slots=True)
class CardCandidate:
    """A rectangle that may be the card.

    Attributes
    ----------
    sight, view : what was found and the view it gives if it is the card.
    side_share : least share, over the four sides, of scan lines that show an edge on the side.
    misfit : rms of the whitened residuals of the four sides against the card's shape.
    corner_gap_mm : (4,) from the sharp corner to the edge along the diagonal; about 1.3 for
        the rounded corners of an ID-1 card, 0 for a sharp one; NaN if not seen.
    contrast : median contrast of the sides.
    """

    sight: SideSight
    view: View
    side_share: float
    misfit: float
    corner_gap_mm: FloatArray
    contrast: float


def find_cards(
    bgr: NDArray[np.uint8],
    to_linear: Float32Array,
    lens: Lens,
    size_mm: tuple[float, float],
    size_sd_mm: tuple[float, float],
    thickness_mm: float,
    corner_radius_mm: float,
) -> list[CardCandidate]:
    """Return rectangles in the photo with straight, well-seen sides, refined.

    Parameters
    ----------
    bgr : (H, W, 3) photo as displayed; `to_linear` its table to linear light, (256,).
    lens : prior of the lens.
    size_mm, size_sd_mm : width (the longer) and height of the rectangle sought.
    thickness_mm, corner_radius_mm : of the rectangle sought.

    Returns
    -------
    Candidates, the best seen first; whether one is the card is judged by `calib.judge`.
    """
    candidates: list[CardCandidate] = []
    for quad in coarse_quads(bgr):
        if any(_same_place(quad, c.sight.corners_px) for c in candidates):
            continue
        candidate = _refine(
            bgr, to_linear, lens, quad, size_mm, size_sd_mm, thickness_mm, corner_radius_mm
        )
        if candidate is not None and not any(
            _same_place(candidate.sight.corners_px, c.sight.corners_px) for c in candidates
        ):
            candidates.append(candidate)
    candidates.sort(key=lambda c: c.misfit)
    return candidates


def _same_place(a: FloatArray, b: FloatArray) -> bool:
    size = float(np.linalg.norm(b[0] - b[2]))
    # Corners may be numbered from another one.
    return min(float(np.abs(np.roll(a, k, axis=0) - b).max()) for k in range(4)) < 0.012 * size


def _order(quad: FloatArray, wide: bool) -> FloatArray:
    # Clockwise on screen, starting so that the first side (corner 0 to 1) is a long one.
    lengths = np.linalg.norm(quad - np.roll(quad, -1, axis=0), axis=1)
    first_is_long = lengths[0] + lengths[2] >= lengths[1] + lengths[3]
    return quad if first_is_long == wide else np.roll(quad, -1, axis=0)


def _sides(quad: FloatArray) -> list[tuple[FloatArray, FloatArray]]:
    # Sides in the order of `SIDE_NORMALS`: right, top, left, bottom; corners are -+, ++, +-, --.
    return [(quad[1], quad[2]), (quad[0], quad[1]), (quad[3], quad[0]), (quad[2], quad[3])]


def _scan(
    bgr: NDArray[np.uint8],
    to_linear: Float32Array,
    quad: FloatArray,
    inset: float,
    stretch: float,
    walls_px: FloatArray | None = None,
) -> list[tuple[FloatArray, FloatArray, FloatArray, FloatArray]]:
    """Return for each side points (n, 2), sd (n,), outward normal (2,) and contrast (n,).

    `stretch` widens the scan lines: samples lie that many pixels apart. `walls_px` (4,) is how
    much of the card's wall each side shows; without it a few widths are tried.
    """
    result = []
    for i, (a, b) in enumerate(_sides(quad)):
        length = float(np.linalg.norm(b - a))
        direction = (b - a) / length
        normal = np.array([direction[1], -direction[0]])
        if np.dot(normal, quad.mean(axis=0) - a) > 0:
            normal = -normal
        share = np.linspace(inset, 1.0 - inset, LINES_PER_SIDE)
        middle = a + share[:, None] * (b - a)
        spacing = length * (1 - 2 * inset) / LINES_PER_SIDE
        along = np.linspace(-0.4, 0.4, 5) * min(spacing, 12.0)
        if walls_px is None:
            strips: tuple[float, ...] = (0.0, 1.0, 2.0)
        else:
            strips = tuple({0.0, round(2.0 * float(walls_px[i])) / 2.0})
        shapes = card_shapes(SCAN_HALF_PX, SCAN_HALF_PX - 4.0, 1.2, strips)
        normals = np.broadcast_to(normal, middle.shape)
        lines = sample_lines(bgr, middle, normals, stretch * shapes.offsets_px, along, to_linear)
        fits = fit_edges(lines, shapes)
        good = ~fits.at_limit & (fits.contrast > 1.0) & (fits.sd_px < 3.0)
        points = middle + stretch * fits.offset_px[:, None] * normal
        result.append((points[good], stretch * fits.sd_px[good], normal, fits.contrast[good]))
    return result


def _fit_line(
    points: FloatArray, sd: FloatArray, unit: float = 1.0
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Return a point, the unit direction and the inliers of a robust straight line.

    `unit` is how far, in pixels, a point may stray and still belong to it.
    """
    n = len(points)
    first, last = np.meshgrid(np.arange(0, n // 2, 2), np.arange(n // 2, n, 2))
    i, j = first.ravel(), last.ravel()
    d = points[j] - points[i]
    d = d / np.maximum(np.linalg.norm(d, axis=1), 1e-9)[:, None]
    across = points[None, :, :] - points[i][:, None, :]
    off = np.abs(across[..., 1] * d[:, None, 0] - across[..., 0] * d[:, None, 1])
    winner = int(np.minimum(off, 2.0 * unit).sum(axis=1).argmin())
    origin, d = points[i[winner]], d[winner]
    keep = np.ones(n, dtype=bool)
    for limit in (2.5, 1.5, 1.5):
        off = (points - origin) @ np.array([-d[1], d[0]])
        keep = np.abs(off) < limit * unit
        if keep.sum() < 4:
            break
        weight = 1.0 / (sd[keep] ** 2 + 0.2**2)
        origin = np.average(points[keep], axis=0, weights=weight)
        spread = (points[keep] - origin) * np.sqrt(weight)[:, None]
        d = np.linalg.svd(spread, full_matrices=False)[2][0]
    return origin, d, keep


def _meet(p: FloatArray, d: FloatArray, q: FloatArray, e: FloatArray) -> FloatArray:
    t = np.linalg.solve(np.stack([d, -e], axis=1), q - p)
    return np.asarray(p + t[0] * d)


def _refine(
    bgr: NDArray[np.uint8],
    to_linear: Float32Array,
    lens: Lens,
    quad: FloatArray,
    size_mm: tuple[float, float],
    size_sd_mm: tuple[float, float],
    thickness_mm: float,
    corner_radius_mm: float,
) -> CardCandidate | None:
    height, width = bgr.shape[:2]
    quad = _order(quad, wide=size_mm[0] >= size_mm[1])
    longest = float(np.linalg.norm(quad[0] - quad[1]))
    if longest < 60:
        return None
    inset = max(0.08, 1.6 * corner_radius_mm / min(size_mm))
    # The coarse sides may be off by a few pixels of the small picture: near first, then far.
    widest = max(1.0, WIDEST_SHARE * longest / (SCAN_HALF_PX - 4.0))
    scans = _scan(bgr, to_linear, quad, inset, widest)
    before = widest
    for stretch in (max(1.0, widest / 3.0), 1.0, 1.0):
        if min(len(s[0]) for s in scans) < LINES_PER_SIDE // 3:
            return None
        lines = [_fit_line(s[0], s[1], max(1.0, 0.4 * before)) for s in scans]
        if min(int(keep.sum()) for _, _, keep in lines) < LINES_PER_SIDE // 4:
            return None
        before = stretch
        (r, t, le, b) = [(o, d) for o, d, _ in lines]
        try:
            quad = np.stack([_meet(*le, *t), _meet(*t, *r), _meet(*r, *b), _meet(*b, *le)])
        except np.linalg.LinAlgError:
            return None
        inside = (
            (quad > -2).all() and (quad[:, 0] < width + 1).all() and (quad[:, 1] < height + 1).all()
        )
        if not inside or not _convex(quad):
            return None
        walls = _walls(quad, lens, size_mm, thickness_mm)
        scans = _scan(bgr, to_linear, quad, inset, stretch, walls / stretch)
    return _candidate(
        bgr, to_linear, lens, quad, scans, size_mm, size_sd_mm, thickness_mm, corner_radius_mm
    )


def _walls(
    quad: FloatArray, lens: Lens, size_mm: tuple[float, float], thickness_mm: float
) -> FloatArray:
    """Return how many pixels of wall each side shows, shape (4,), 0 where it looks away."""
    w, h = size_mm[0] / 2, size_mm[1] / 2
    world = np.array([[-w, h, 0], [w, h, 0], [w, -h, 0], [-w, -h, 0.0]])
    K = np.array(
        [[lens.focal_px, 0, lens.centre_px[0]], [0, lens.focal_px, lens.centre_px[1]], [0, 0, 1]]
    )
    _, r, t = cv2.solvePnP(world, quad, K, None, flags=cv2.SOLVEPNP_IPPE)
    view = View(
        lens, np.asarray(r).ravel(), np.asarray(t).ravel(), np.zeros((VIEW_SIZE, VIEW_SIZE))
    )
    middle = 0.5 * np.array([[w + w, 0, 0], [0, h + h, 0], [-w - w, 0, 0], [0, -h - h, 0]])
    normal = view.to_pixels(middle * 1.001) - view.to_pixels(middle)
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    below = view.to_pixels(middle - [0, 0, thickness_mm]) - view.to_pixels(middle)
    # Beyond a few pixels the strip would leave the scan line; it is then told by its own edge.
    return np.asarray(np.clip(np.sum(below * normal, axis=1), 0.0, 8.0))


def _convex(quad: FloatArray) -> bool:
    edges = np.roll(quad, -1, axis=0) - quad
    following = np.roll(edges, -1, axis=0)
    turns = edges[:, 0] * following[:, 1] - edges[:, 1] * following[:, 0]
    return bool(np.all(turns > 0))


def _candidate(
    bgr: NDArray[np.uint8],
    to_linear: Float32Array,
    lens: Lens,
    quad: FloatArray,
    scans: list[tuple[FloatArray, FloatArray, FloatArray, FloatArray]],
    size_mm: tuple[float, float],
    size_sd_mm: tuple[float, float],
    thickness_mm: float,
    corner_radius_mm: float,
) -> CardCandidate | None:
    if min(len(s[0]) for s in scans) < LINES_PER_SIDE // 4:
        return None
    lines = [_fit_line(s[0], s[1]) for s in scans]
    share = min(float(keep.sum()) for _, _, keep in lines) / LINES_PER_SIDE
    points = np.concatenate([s[0][keep] for s, (_, _, keep) in zip(scans, lines, strict=True)])
    sd = np.concatenate([s[1][keep] for s, (_, _, keep) in zip(scans, lines, strict=True)])
    side = np.concatenate([np.full(int(keep.sum()), i) for i, (_, _, keep) in enumerate(lines)])
    # What the shapes leave open is common to a side: a shadow runs along all of it.
    doubt = np.array([float(np.median(s[1])) for s in scans])
    sight = SideSight(
        size_mm=np.array(size_mm, dtype=np.float64),
        size_sd_mm=np.array(size_sd_mm, dtype=np.float64),
        thickness_mm=thickness_mm,
        points_px=points,
        side=side.astype(np.int64),
        sd_px=np.sqrt(np.minimum(sd, 1.0) ** 2 + SIDE_FLOOR_PX**2),
        bias_px=np.zeros(4),
        bias_sd_px=np.sqrt(doubt**2 + SIDE_BIAS_SD_PX**2),
        corners_px=quad,
    )
    try:
        view, solution = fit_view(sight, lens)
    except (ValueError, np.linalg.LinAlgError):
        return None
    used = len(points)
    extras = solution.x[VIEW_SIZE:]
    size_off = (extras[:2] - sight.size_mm) / sight.size_sd_mm
    bias_off = (extras[2:] - sight.bias_px) / sight.bias_sd_px
    lens_off = (solution.x[:5] - lens.vector()) / np.sqrt(np.diag(lens.covariance))
    misfit = float(np.sqrt(np.sum(size_off**2) + np.sum(bias_off**2) + np.sum(lens_off**2)))
    contrast = float(np.median(np.concatenate([s[3] for s in scans])))
    gap = _corner_gaps(bgr, to_linear, view, sight.size_mm) if used else np.full(4, np.nan)
    return CardCandidate(sight, view, share, misfit, gap, contrast)


def _corner_gaps(
    bgr: NDArray[np.uint8], to_linear: Float32Array, view: View, size_mm: FloatArray
) -> FloatArray:
    """Return, for each corner, the way from the sharp corner to the edge along the diagonal, mm."""
    w, h = size_mm / 2
    corner = np.array([[-w, h, 0.0], [w, h, 0.0], [w, -h, 0.0], [-w, -h, 0.0]])
    inward = np.column_stack([-np.sign(corner[:, :2]), np.zeros(4)]) / np.sqrt(2.0)
    at = view.to_pixels(corner)
    one_mm = view.to_pixels(corner + inward) - at
    px_per_mm = np.linalg.norm(one_mm, axis=1)
    normals = -one_mm / px_per_mm[:, None]
    # The middle of the search lies 0.66 mm in, half way between a sharp and a 3.18 mm corner.
    middle = at + 0.66 * one_mm
    gaps = np.full(4, np.nan)
    for i in range(4):
        shapes = card_shapes(SCAN_HALF_PX, SCAN_HALF_PX - 4.0, 1.2)
        stretch = 1.4 * px_per_mm[i] / (SCAN_HALF_PX - 4.0)
        lines = sample_lines(
            bgr,
            middle[i : i + 1],
            normals[i : i + 1],
            stretch * shapes.offsets_px,
            np.zeros(1),
            to_linear,
        )
        fit = fit_edges(lines, shapes)
        if not fit.at_limit[0] and fit.contrast[0] > 1.0:
            gaps[i] = 0.66 - stretch * fit.offset_px[0] / px_per_mm[i]
    return gaps
