"""A plain card, or any rectangle of known size, in a photo: where it may be, and how well it fits.

Coarse outlines are asked first what rectangle they can be; one whose ratio is wrong may have
three right sides and a stripe or a shadow for the fourth, which the other three then imply.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.cardsides import UNSURE_PX, FoundSides, Sought, find_sides, sides_sight
from calib.edges import sample_lines
from calib.lens import Lens
from calib.quads import LEVELS, Coarse, coarse_quads, coarse_view
from calib.rectangle import completed, is_convex, ratio_and_skew
from calib.sidechoice import choose_edge
from calib.sight import SideSight, fit_view
from calib.solve import Solution
from calib.strokes import frames, straight_strokes
from calib.view import VIEW_SIZE, View

__all__ = ["CardCandidate", "CardSearch", "find_cards"]

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

RATIO_OFF, SKEW_OFF = 0.05, 0.08
"""How far ratio and squareness of a coarse outline may be off beyond the focal length's doubt."""
SUPPORT_LEAST = 0.6
"""Share of each coarse side that must show an edge."""
REFINED_MOST = 4
DIRECT_FIRST = 1.0
"""How much support an outline of the right ratio is ahead of one that three sides imply."""
CLEAR_SUPPORT = 0.8
OTHER_RATIOS = (1.2, 2.1)
"""Long over short side of what is worth calling a wrong rectangle: a turned piece is longer."""
FREE_PX = 25.0
AMENDED_MOST = 2
SHARE_LEAST = 0.55
"""Least share of each side that must be seen as a straight edge."""
MISFIT_MOST = 4.5
"""Most that size, lens and sides may strain against what is expected (root of chi squared)."""
GAP_OF_RADIUS = math.sqrt(2.0) - 1.0
"""From a sharp corner to the arc that rounds it, over the arc's radius."""
GAP_RANGE = (0.53, 1.5)
"""What the gap at the corners may measure, as a share of what their radius asks for."""


@dataclass(frozen=True, slots=True)
class CardCandidate:
    """A rectangle that may be the card.

    Attributes
    ----------
    sight, view : what was found and the view it gives if it is the card.
    side_share : least share, over the four sides, of scan lines that lie on the side.
    misfit : root of the squared strains of size, lens and sides against what is expected.
    corner_gap_mm : (4,) from the sharp corner to the edge along the diagonal; about 1.3 for
        the rounded corners of an ID-1 card, 0 for a sharp one; NaN if not seen.
    radius_mm : corner radius of the rectangle sought.
    """

    sight: SideSight
    view: View
    side_share: float
    misfit: float
    corner_gap_mm: FloatArray
    radius_mm: float

    @property
    def fits(self) -> bool:
        """Whether size and shape are those of the rectangle sought."""
        return self.misfit <= MISFIT_MOST

    @property
    def rounded(self) -> bool:
        """Whether the corners are rounded as they should be."""
        return _rounded(self.corner_gap_mm, self.radius_mm)

    @property
    def good(self) -> bool:
        """Whether it is the rectangle sought."""
        return self.side_share >= SHARE_LEAST and self.fits and self.rounded


@dataclass(frozen=True, slots=True)
class CardSearch:
    """What was found.

    Attributes
    ----------
    candidates : rectangles that may be the one sought, the best first.
    cut : whether the picture's border cuts something that may be it.
    other : whether a clear rectangle of another shape is to be seen.
    """

    candidates: list[CardCandidate]
    cut: bool
    other: bool


@dataclass(frozen=True, slots=True)
class _Implied:
    """A rectangle that three sides imply: its corners, and which side nobody has seen."""

    quad: FloatArray
    side: int


def find_cards(
    bgr: NDArray[np.uint8],
    to_linear: Float32Array,
    lens: Lens,
    size_mm: tuple[float, float],
    size_sd_mm: tuple[float, float],
    thickness_mm: float,
    corner_radius_mm: float,
) -> CardSearch:
    """Look for a rectangle of known size.

    Parameters
    ----------
    bgr : (H, W, 3) photo as displayed; `to_linear` its table to linear light, (256,).
    lens : prior of the lens.
    size_mm, size_sd_mm : width (the longer) and height of the rectangle sought.
    thickness_mm, corner_radius_mm : of the rectangle sought.
    """
    coarse = coarse_view(bgr)
    sought = Sought(
        bgr, to_linear, lens, size_mm, size_sd_mm, thickness_mm, corner_radius_mm, coarse.step
    )
    outlines: list[FloatArray] = []
    candidates: list[CardCandidate] = []
    tried: list[FloatArray] = []
    for level in range(len(LEVELS)):
        fresh = [
            quad
            for quad in coarse_quads(coarse, level)
            if not any(_same_place(quad, other, 0.01) for other in outlines)
        ]
        outlines += fresh
        _try(sought, _guesses(sought, coarse, fresh), tried, candidates)
        if level > 0 and any(c.good for c in candidates):
            break
    if not any(c.good for c in candidates):
        _try(sought, _amended(sought, candidates), tried, candidates)
    if not any(c.good for c in candidates):
        strokes = straight_strokes(coarse.lab)
        framed = [(quad + 0.5) * coarse.step - 0.5 for quad in frames(strokes)]
        _try(sought, _framed(sought, coarse, framed), tried, candidates)
    candidates = _apart(candidates)
    if any(c.good for c in candidates):
        return CardSearch(candidates, False, False)
    cut = any(_is_cut(sought, coarse, quad) for quad in outlines)
    other = any(_is_other(sought, coarse, quad) for quad in outlines)
    return CardSearch(candidates, cut, other)


def _try(
    sought: Sought,
    guesses: list[FloatArray],
    tried: list[FloatArray],
    candidates: list[CardCandidate],
) -> None:
    """Add the candidates that guesses lead to, skipping those that were tried or found before."""
    for guess in guesses:
        if any(_same_place(guess, quad) for quad in tried):
            continue
        if any(c.good and _within(guess, c.sight.corners_px) for c in candidates):
            continue
        tried.append(guess)
        candidate = _candidate(sought, guess)
        if candidate is not None:
            candidates.append(candidate)


def _within(quad: FloatArray, other: FloatArray) -> bool:
    middle = quad.mean(axis=0)
    outline = other.astype(np.float32).reshape(-1, 1, 2)
    return cv2.pointPolygonTest(outline, (float(middle[0]), float(middle[1])), False) >= 0.0


def _apart(candidates: list[CardCandidate]) -> list[CardCandidate]:
    """Return the best of the candidates that lie on each other, the good ones first."""
    kept: list[CardCandidate] = []
    for candidate in sorted(candidates, key=lambda c: (not c.good, c.misfit)):
        corners = candidate.sight.corners_px
        if not any(_within(corners, k.sight.corners_px) for k in kept):
            kept.append(candidate)
    return kept


def _same_place(a: FloatArray, b: FloatArray, share: float = 0.025) -> bool:
    size = float(np.linalg.norm(b[0] - b[2]))
    # Corners may be numbered from another one.
    return min(float(np.abs(np.roll(a, k, axis=0) - b).max()) for k in range(4)) < share * size


def _guesses(sought: Sought, coarse: Coarse, quads: list[FloatArray]) -> list[FloatArray]:
    """Return outlines that may be the rectangle, the best supported first."""
    weighed: list[tuple[float, FloatArray]] = []
    for quad in quads:
        support = coarse.support(quad)
        if np.sort(support)[1] < SUPPORT_LEAST:
            continue
        direct = _as_sought(sought, quad)
        if direct is not None and support.min() >= SUPPORT_LEAST:
            weighed.append((float(support.sum()) + DIRECT_FIRST, direct))
        for missing in range(4):
            weighed += _weighed(sought, coarse, quad, missing)
    return _best(weighed)


def _framed(sought: Sought, coarse: Coarse, quads: list[FloatArray]) -> list[FloatArray]:
    """Return the rectangles that frames of three sides imply, the best supported first."""
    weighed: list[tuple[float, FloatArray]] = []
    for quad in quads:
        weighed += _weighed(sought, coarse, quad, 2)
    return _best(weighed)


def _weighed(
    sought: Sought, coarse: Coarse, quad: FloatArray, missing: int
) -> list[tuple[float, FloatArray]]:
    """Return the rectangles that three sides of a quad imply, each with its support."""
    found = []
    for implied in _implied(sought, quad, missing):
        if not _in_picture(sought, implied.quad):
            continue
        snapped = coarse.snapped(implied.quad, implied.side)
        support = coarse.support(snapped)
        if is_convex(snapped) and support.min() >= SUPPORT_LEAST:
            found.append((float(support.sum()), snapped))
    return found


def _best(weighed: list[tuple[float, FloatArray]]) -> list[FloatArray]:
    weighed.sort(key=lambda item: -item[0])
    kept: list[FloatArray] = []
    for _, quad in weighed:
        if not any(_same_place(quad, other) for other in kept):
            kept.append(quad)
        if len(kept) == REFINED_MOST:
            break
    return kept


def _doubt(sought: Sought) -> float:
    return float(np.sqrt(sought.lens.covariance[0, 0])) / sought.lens.focal_px


def _shape(sought: Sought, quad: FloatArray) -> tuple[float, float]:
    return ratio_and_skew(quad, np.array(sought.lens.centre_px), sought.lens.focal_px)


def _as_sought(sought: Sought, quad: FloatArray) -> FloatArray | None:
    """Return a quad numbered from the corner (-,+) if it may be the rectangle sought."""
    ratio, skew = _shape(sought, quad)
    wanted = math.log(sought.size_mm[0] / sought.size_mm[1])
    if not ratio > 0.0 or abs(skew) > SKEW_OFF + _doubt(sought):
        return None
    off = abs(abs(math.log(ratio)) - wanted)
    if off > RATIO_OFF + _doubt(sought):
        return None
    return quad if math.log(ratio) > 0.0 else np.roll(quad, -1, axis=0)


def _implied(sought: Sought, quad: FloatArray, missing: int) -> list[_Implied]:
    """Return the rectangles sought that the sides of a quad imply, one of them left out."""
    centre, focal = np.array(sought.lens.centre_px), sought.lens.focal_px
    found = []
    area = _area(quad)
    for wide in (True, False):
        ratio = sought.size_mm[0] / sought.size_mm[1]
        whole = completed(quad, missing, ratio if wide else 1.0 / ratio, centre, focal)
        if whole is None or not is_convex(whole) or not 0.7 < _area(whole) / area < 2.2:
            continue
        turn = 0 if wide == (missing % 2 == 0) else 1
        found.append(_Implied(np.roll(whole, -turn, axis=0), (missing - turn) % 4))
    return found


def _area(quad: FloatArray) -> float:
    x, y = quad.T
    return 0.5 * abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)))


def _in_picture(sought: Sought, quad: FloatArray) -> bool:
    height, width = sought.bgr.shape[:2]
    slack = 2.0 * sought.step
    return bool(np.all(quad > -slack) and np.all(quad < np.array([width, height]) + slack))


def _candidate(sought: Sought, quad: FloatArray) -> CardCandidate | None:
    sides = find_sides(sought, quad)
    if sides is not None and sides.unsure:
        sides = _by_the_others(sought, sides) or sides
    if sides is None or sides.share < SHARE_LEAST:
        return None
    sight = sides_sight(sought, sides)
    try:
        view, solution = fit_view(sight, sought.lens)
    except (ValueError, np.linalg.LinAlgError):
        return None
    extras = solution.x[VIEW_SIZE:]
    strain = np.concatenate(
        [
            (extras[:2] - sight.size_mm) / sight.size_sd_mm,
            (extras[2:] - sight.bias_px) / sight.bias_sd_px,
            (solution.x[:5] - sought.lens.vector()) / np.sqrt(np.diag(sought.lens.covariance)),
        ]
    )
    gaps = _corner_gaps(sought, view)
    misfit = float(np.linalg.norm(strain))
    return CardCandidate(sight, view, sides.share, misfit, gaps, sought.corner_radius_mm)


def _amended(sought: Sought, candidates: list[CardCandidate]) -> list[FloatArray]:
    """Return what candidates of a wrong shape would be by three of their sides.

    A stripe that runs along a card is a fourth side for three right ones.
    """
    quads = []
    wrong = sorted((c for c in candidates if not c.fits), key=lambda c: -c.side_share)
    for candidate in wrong[:AMENDED_MOST]:
        for k in range(4):
            solved = _freed(sought, candidate.sight, np.arange(4) == k)
            if solved is not None:
                quad = solved[0].to_pixels(sought.corners_mm())
                if is_convex(quad) and _in_picture(sought, quad):
                    quads.append(quad)
    return quads


def _freed(
    sought: Sought, sight: SideSight, unsure: NDArray[np.bool_]
) -> tuple[View, Solution] | None:
    """Return view and solution with some sides (4,) free to lie anywhere; None if there is none."""
    free = replace(
        sight,
        bias_px=np.where(unsure, 0.0, sight.bias_px),
        bias_sd_px=np.where(unsure, FREE_PX, sight.bias_sd_px),
    )
    try:
        return fit_view(free, sought.lens)
    except (ValueError, np.linalg.LinAlgError):
        return None


def _by_the_others(sought: Sought, sides: FoundSides) -> FoundSides | None:
    """Return the sides found again, the unsure ones near where the others ask for them."""
    unsure = np.array([choice.sd_px for choice in sides.choices]) > UNSURE_PX
    solved = _freed(sought, sides_sight(sought, sides), unsure)
    if solved is None:
        return None
    bias = solved[1].x[VIEW_SIZE + 2 :]
    sd = np.sqrt(np.diag(solved[1].covariance))[VIEW_SIZE + 2 :]
    expected = (np.where(unsure, -bias, 0.0), np.where(unsure, np.hypot(sd, 0.5), FREE_PX))
    return find_sides(sought, sides.corners_px, expected)


def _corner_gaps(sought: Sought, view: View) -> FloatArray:
    """Return, for each corner, the way from the sharp corner to the edge along the diagonal, mm."""
    corner = sought.corners_mm()
    outward = np.column_stack([np.sign(corner[:, :2]), np.zeros(4)]) / math.sqrt(2.0)
    at = view.to_pixels(corner)
    one_mm = view.to_pixels(corner + outward) - at
    px_per_mm = np.linalg.norm(one_mm, axis=1)
    normals = one_mm / px_per_mm[:, None]
    gap = GAP_OF_RADIUS * max(sought.corner_radius_mm, 1.0)
    half = 20
    pixel = max(1.7 * gap * float(px_per_mm.mean()) / half, 0.5)
    offsets = pixel * np.arange(-half, half + 1, dtype=np.float64)
    # The middle of the scan lies half way between a sharp and a rounded corner.
    middle = at - 0.5 * gap * one_mm
    beside = 0.1 * gap * float(px_per_mm.mean()) * np.array([-1.0, 0.0, 1.0])
    gaps = np.full(4, np.nan)
    height, width = sought.bgr.shape[:2]
    seen = np.all((middle > 0) & (middle < np.array([width, height]) - 1.0), axis=1)
    for i in np.flatnonzero(seen):
        row = slice(i, i + 1)
        light = sample_lines(
            sought.bgr, middle[row], normals[row], offsets, beside, sought.to_linear
        )
        choice = choose_edge(light, offsets, 0.0)
        gaps[i] = 0.5 * gap - choice.offset_px / px_per_mm[i]
    return gaps


def _rounded(gaps_mm: FloatArray, radius_mm: float) -> bool:
    if radius_mm <= 0.0:
        return True
    share = gaps_mm / (GAP_OF_RADIUS * radius_mm)
    alike = (share > GAP_RANGE[0]) & (share < GAP_RANGE[1])
    other = np.isfinite(share) & ~alike
    # A shadow, or a picture on the card, may spoil a corner or two; both corners of one side are
    # square where a stripe is taken for it.
    beside = bool(np.any(other & np.roll(other, 1)))
    return int(alike.sum()) >= 2 and int(other.sum()) <= 2 and not beside


def _is_cut(sought: Sought, coarse: Coarse, quad: FloatArray) -> bool:
    """Whether the picture's border cuts a rectangle whose other three sides are those sought."""
    support = coarse.support(quad)
    if np.sort(support)[1] < CLEAR_SUPPORT:
        return False
    direct = _as_sought(sought, quad)
    wholes = [implied.quad for m in range(4) for implied in _implied(sought, quad, m)]
    for whole in wholes if direct is None else [direct]:
        if _in_picture(sought, whole):
            continue
        if _rounded(_corner_gaps(sought, sought.pose(whole)), sought.corner_radius_mm):
            return True
    return False


def _is_other(sought: Sought, coarse: Coarse, quad: FloatArray) -> bool:
    """Whether an outline is a clear rectangle, of whatever sides, no longer than cards are."""
    ratio, skew = _shape(sought, quad)
    if not ratio > 0.0 or abs(skew) > SKEW_OFF:
        return False
    low, high = OTHER_RATIOS
    clear = bool(coarse.support(quad).min() >= CLEAR_SUPPORT)
    return clear and low < max(ratio, 1.0 / ratio) < high
