"""A plain card, or any rectangle of known size, in a photo: where it may be, and how well it fits.

Coarse outlines are asked first what rectangle they can be; one whose ratio is wrong may have
three right sides and a stripe or a shadow for the fourth, which the other three then imply.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.cardcandidate import (
    CardCandidate,
    bordered_at,
    candidate_at,
    candidate_by_three,
    corner_gaps,
    looked_at_again,
    rounded,
    with_free_sides,
)
from calib.cardsides import Sought, side_from
from calib.faintcard import faint_cards
from calib.hiddenside import may_be_hidden
from calib.impliedcard import LARGER, MUCH_LARGER, area_of, implied_by, in_picture
from calib.lens import Lens
from calib.quads import LEVELS, Coarse, coarse_quads, coarse_view
from calib.rectangle import is_convex, ratio_and_skew
from calib.strokes import frames, parted, straight_strokes

__all__ = ["CardSearch", "find_cards"]

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
AMENDED_MOST, BORDERED_MOST = 2, 12
THREE_SIDED_MOST, FAINT_MOST = 40, 12
"""How many are tried by three sides, and by faint strokes, before a photo is given up."""


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
    found = list(tried)
    if not any(c.good for c in candidates):
        _try(sought, _amended(sought, candidates), tried, candidates)
    # Only now: an edge that may lie anywhere beside a print fits almost any card.
    if not any(c.good for c in candidates):
        candidates += _bordered(sought, found)
    if not any(c.good for c in candidates):
        strokes = straight_strokes(coarse.lab)
        plain = frames(strokes, parted(coarse.lab, strokes))
        framed = [(quad + 0.5) * coarse.step - 0.5 for quad in plain]
        _try(sought, _framed(sought, coarse, framed), tried, candidates)
    if not any(c.good for c in candidates):
        faint = faint_cards(sought, coarse)
        _try(sought, [guess.quad for guess in faint[:FAINT_MOST]], tried, candidates)
        if not any(c.good for c in candidates):
            starts = _three_sided(sought, coarse, outlines + framed, candidates)
            starts += [(guess.quad, guess.faintest) for guess in faint[:FAINT_MOST]]
            candidates = _by_three(sought, starts) + candidates
    candidates = _apart(candidates)
    if any(c.good for c in candidates):
        whole = [
            looked_at_again(sought, c) if c.good and c.hidden is None else c for c in candidates
        ]
        return CardSearch(whole, False, False)
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
        candidate = candidate_at(sought, guess)
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
        weighed += _weighed(sought, coarse, quad, 2, MUCH_LARGER)
    return _best(weighed)


def _weighed(
    sought: Sought, coarse: Coarse, quad: FloatArray, missing: int, larger: float = LARGER
) -> list[tuple[float, FloatArray]]:
    """Return the rectangles that three sides of a quad imply, each with its support."""
    found = []
    for implied in implied_by(sought, quad, missing, larger):
        if not in_picture(sought, implied.quad):
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


def _bordered(sought: Sought, quads: list[FloatArray]) -> list[CardCandidate]:
    """Return the card with a printed border that outlines lead to, the outer ones first."""
    for quad in sorted(quads, key=lambda quad: -area_of(quad))[:BORDERED_MOST]:
        found = bordered_at(sought, quad)
        if found is not None:
            return [found]
    return []


def _amended(sought: Sought, candidates: list[CardCandidate]) -> list[FloatArray]:
    """Return what candidates of a wrong shape would be by three of their sides.

    A stripe that runs along a card is a fourth side for three right ones.
    """
    wrong = sorted((c for c in candidates if not c.fits), key=lambda c: -c.side_share)
    return [quad for c in wrong[:AMENDED_MOST] for quad, _ in _freed(sought, c)]


def _freed(sought: Sought, candidate: CardCandidate) -> list[tuple[FloatArray, int]]:
    """Return what a candidate would be by three of its sides, and which was left out."""
    quads = []
    for k in range(4):
        solved = with_free_sides(sought, candidate.sight, np.arange(4) == k)
        if solved is not None:
            quad = solved[0].to_pixels(sought.corners_mm())
            if is_convex(quad) and in_picture(sought, quad):
                quads.append((quad, k))
    return quads


def _three_sided(
    sought: Sought, coarse: Coarse, quads: list[FloatArray], candidates: list[CardCandidate]
) -> list[tuple[FloatArray, int]]:
    """Return what may be the card by three of its sides, and which is not trusted."""
    starts = [(quad, k) for c in candidates for quad, k in _freed(sought, c)]
    weighed = []
    for quad in quads:
        support = coarse.support(quad)
        for missing in range(4):
            three = np.delete(support, missing)
            if three.min() >= SUPPORT_LEAST:
                weighed += [
                    (float(three.sum()), implied.quad, side_from(implied.side))
                    for implied in implied_by(sought, quad, missing)
                ]
    # Of those as well supported the larger: what is printed on a card is not it.
    weighed.sort(key=lambda item: (-item[0], -area_of(item[1])))
    return (starts + [(quad, hidden) for _, quad, hidden in weighed])[:THREE_SIDED_MOST]


def _by_three(sought: Sought, starts: list[tuple[FloatArray, int]]) -> list[CardCandidate]:
    """Return the good candidates that three sides make, the fourth not to be seen."""
    if sought.corner_radius_mm <= 0.0:
        # Nothing but round corners tells that it is the one sought.
        return []
    found: list[CardCandidate] = []
    tried: list[tuple[FloatArray, int]] = []
    for quad, hidden in starts:
        if any(k == hidden and _same_place(quad, other) for other, k in tried):
            continue
        tried.append((quad, hidden))
        candidate = candidate_by_three(sought, quad, hidden)
        if candidate is not None and candidate.good and may_be_hidden(sought, candidate):
            found.append(candidate)
    return found


def _is_cut(sought: Sought, coarse: Coarse, quad: FloatArray) -> bool:
    """Whether the picture's border cuts a rectangle whose other three sides are those sought."""
    support = coarse.support(quad)
    if np.sort(support)[1] < CLEAR_SUPPORT:
        return False
    direct = _as_sought(sought, quad)
    wholes = [implied.quad for m in range(4) for implied in implied_by(sought, quad, m)]
    for whole in wholes if direct is None else [direct]:
        if in_picture(sought, whole):
            continue
        if rounded(corner_gaps(sought, sought.pose(whole)), sought.corner_radius_mm):
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
