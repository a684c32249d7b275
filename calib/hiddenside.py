"""Whether three sides with two round corners may be a card whose fourth side is not to be seen.

A card that stands in a slot, or against a clamp, hides a side; another has none against a bench
of its own tone. What would be confidently wrong is a rectangle of another size, whose fourth side
is seen, elsewhere: its sides run on past where the card's must end, or turn before it, by round
corners of its own. What hides a card cuts its sides off sharply. A turned piece has two straight
sides as well, and round corners where its foot begins; but the foot is bowed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.cardcandidate import (
    GAP_OF_RADIUS,
    GAP_RANGE,
    CardCandidate,
    corner_gaps,
    gaps_at,
)
from calib.cardsides import NOT_SEEN, SEEN_AT_ALL, Sought, corners_beside
from calib.lens import straighten
from calib.rectangle import corners_of
from calib.sidechoice import choose_edge
from calib.sidefit import SCAN_OFFSETS_PX, fit_side
from calib.sidescan import aligned, run_of, scan_side

__all__ = ["may_be_hidden"]

FloatArray = NDArray[np.float64]

BEYOND = 0.3
"""How far past the corner a neighbour is looked for, as a share of its length."""
LINES = 160
ON_SIDE = 0.65
"""A scan line in which no side runs still shows an edge near it less often than this."""
SEEN_LEAST = 0.6
"""Share of each neighbour, from the round corner, that must be seen."""
PAST_MOST_MM = 1.0
ENDS_THERE_MM = 3.6
"""A neighbour that ends no farther from the corner runs to it: the corner is round."""
NEAR_MM, SHOWN_LINES, SHOWN_LEAST = 3.0, 32, 0.7
"""How far off the fourth side an edge is looked for, and in what share of lines it must be seen."""
ITSELF_MM = 1.2
"""An edge no farther from where it must be is the side's own."""
CUT_MM, CUT_INSET = 6.0, 0.15
"""How far from where the sides end what cuts them off is looked for, and the share of it left out
at both ends."""
BOWED_PX, BOWED_SDS, BOW_POINTS = 1.2, 4.0, 6
"""A side that is off a straight line by so much in its middle is no card's (true ones, rendered,
lens straightened: at most 0.9), unless its points scatter so, or are so few, that it might be."""
SHARP = 0.45
"""Gap at a corner, as a share of the round one's, below which something cuts it off."""


def may_be_hidden(sought: Sought, candidate: CardCandidate) -> bool:
    """Return whether the hidden side of a candidate may lie where the other three say.

    Raises
    ------
    ValueError
        If the candidate hides no side.
    """
    if candidate.hidden is None:
        raise ValueError("the candidate shows all of its sides")
    if _is_bowed(candidate):
        return False
    corners = candidate.view.to_pixels(sought.corners_mm())
    start, end = corners_beside(candidate.hidden)
    before, after = corners[(start - 1) % 4], corners[(end + 1) % 4]
    lengths = [np.linalg.norm(a - b) for a, b in ((before, corners[start]), (after, corners[end]))]
    side_mm = sought.size_mm[1 if candidate.hidden in (1, 3) else 0]
    ends = [
        _end(sought, before, corners[start], clockwise=True),
        _end(sought, after, corners[end], clockwise=False),
    ]
    if None in ends:
        return False
    left_mm = np.array([(1.0 - share) * side_mm for share in ends if share is not None])
    if np.any(left_mm < -PAST_MOST_MM) or np.any(left_mm > (1.0 - SEEN_LEAST) * side_mm):
        return False
    px_per_mm = float(np.mean(lengths)) / side_mm
    if np.all(left_mm < ENDS_THERE_MM):
        shows_mm = _shows(sought, corners[start], corners[end], px_per_mm)
        if shows_mm is None:
            return True
        if abs(shows_mm) < ITSELF_MM:
            # A side that shows itself there has its round corners, or one of the others is a
            # shadow's border.
            own = corner_gaps(sought, candidate.view)[[start, end]]
            share = own / (GAP_OF_RADIUS * sought.corner_radius_mm)
            return bool(np.all((share > GAP_RANGE[0]) & (share < GAP_RANGE[1])))
    # What cuts the sides off runs from one end to the other.
    one, two = (
        c + mm / side_mm * (o - c)
        for c, o, mm in zip((corners[start], corners[end]), (before, after), left_mm, strict=True)
    )
    return _cut_off(sought, np.stack([before, one, two, after]), px_per_mm)


def _is_bowed(candidate: CardCandidate) -> bool:
    """Return whether one of the sides is bowed, once the lens' distortion is taken off."""
    lens, sight = candidate.view.lens, candidate.sight
    points = lens.focal_px * straighten(sight.points_px, lens.vector())
    for side in range(4):
        own = points[sight.side == side]
        if len(own) < BOW_POINTS:
            continue
        along, across = _own_frame(own)
        (bow, *_), covariance = np.polyfit(along, across, 2, cov=True)
        if abs(bow) > max(BOWED_PX, BOWED_SDS * float(np.sqrt(covariance[0, 0]))):
            return True
    return False


def _own_frame(points_px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return places along a side's points (n, 2), from -1 to 1, and how far across they lie, px."""
    middle = points_px - points_px.mean(axis=0)
    way = np.linalg.svd(middle, full_matrices=False)[2][0]
    along = middle @ way
    across = middle @ np.array([-way[1], way[0]])
    return 2.0 * (along - along.min()) / np.ptp(along) - 1.0, across


def _end(sought: Sought, far: FloatArray, corner: FloatArray, *, clockwise: bool) -> float | None:
    """Return how far a side is seen from its far corner, as a share of its length; None if not.

    It is looked for past the corner as well, by `BEYOND`.
    """
    tip = corner + BEYOND * (corner - far)
    a, b = (far, tip) if clockwise else (tip, far)
    scan = scan_side(sought.bgr, sought.to_linear, a, b, SCAN_OFFSETS_PX, 0.0, LINES)
    fit = fit_side(scan, NOT_SEEN, 0.0)
    if fit is None:
        return None
    along = (b - a) / float(np.linalg.norm(b - a))
    at = (fit.points_px - far) @ (along if clockwise else -along)
    whole = float(np.linalg.norm(tip - far))
    on_line = np.zeros(LINES)
    on_line[np.clip(np.rint(at / whole * (LINES - 1)), 0, LINES - 1).astype(np.int64)] = 1.0
    first = int(np.ceil(sought.inset * LINES / (1.0 + BEYOND)))
    last = first + int(np.argmax(np.cumsum(on_line[first:] - ON_SIDE)))
    return (1.0 + BEYOND) * last / (LINES - 1)


def _shows(sought: Sought, start: FloatArray, end: FloatArray, px_per_mm: float) -> float | None:
    """Return how far outward, mm, the edge lies that is seen near a side; None if none is."""
    reach = int(np.ceil(NEAR_MM * px_per_mm))
    offsets = np.arange(-reach, reach + 1, dtype=np.float64)
    scan = scan_side(sought.bgr, sought.to_linear, start, end, offsets, sought.inset, SHOWN_LINES)
    offset, _, seen = run_of(scan)
    return offset / px_per_mm if seen > SHOWN_LEAST else None


def _cut_off(sought: Sought, quad: FloatArray, px_per_mm: float) -> bool:
    """Return whether an edge from corner 1 to 2 of a quad (4, 2) meets the others sharply."""
    before, one, two, after = quad
    pixel = max(0.5, 0.1 * px_per_mm)
    reach = int(np.ceil(CUT_MM * px_per_mm / pixel))
    offsets = pixel * np.arange(-reach, reach + 1, dtype=np.float64)
    scan = scan_side(sought.bgr, sought.to_linear, one, two, offsets, CUT_INSET, SHOWN_LINES)
    _, rise, seen = run_of(scan)
    if seen < SEEN_AT_ALL:
        return False
    choice = choose_edge(aligned(scan, rise), scan.offsets_px, 0.0)
    lift = choice.offset_px + 0.5 * rise * np.array([-1.0, 1.0])
    line = (one + lift[0] * scan.normal, two + lift[1] * scan.normal)
    starts = np.array([before, line[0], two, after])
    ends = np.array([one, line[1], after, before])
    met = corners_of(starts, ends)
    if met is None:
        return False
    at = met[1:3]
    outward = np.stack([met[1] - met[0], met[2] - met[3]])
    outward /= np.linalg.norm(outward, axis=1)[:, None]
    across = (met[1] - met[2]) / np.linalg.norm(met[1] - met[2])
    diagonal = outward + np.stack([across, -across])
    diagonal *= px_per_mm / np.linalg.norm(diagonal, axis=1)[:, None]
    gaps = gaps_at(sought, at, diagonal) / (GAP_OF_RADIUS * sought.corner_radius_mm)
    alike = (gaps > GAP_RANGE[0]) & (gaps < GAP_RANGE[1])
    # What is printed by one of the corners may be taken for its edge.
    return bool(np.any(gaps < SHARP) and not np.any(alike))
