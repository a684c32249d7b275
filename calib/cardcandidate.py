"""One rectangle weighed up: whether its sides, size, shape and corners are those of the card."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.cardborder import rectangle_about
from calib.cardsides import (
    FREE_PX,
    UNSURE_PX,
    FoundSides,
    Sought,
    corners_beside,
    find_sides,
    sides_sight,
)
from calib.edges import sample_lines
from calib.sidechoice import choose_edge
from calib.sight import SideSight, fit_view
from calib.solve import Solution
from calib.view import VIEW_SIZE, View

__all__ = [
    "GAP_OF_RADIUS",
    "GAP_RANGE",
    "CardCandidate",
    "bordered_at",
    "candidate_at",
    "candidate_by_three",
    "corner_gaps",
    "gaps_at",
    "looked_at_again",
    "rounded",
    "with_free_sides",
]

FloatArray = NDArray[np.float64]

ROUNDS = 3
"""Of finding three sides, and with them where the fourth must be."""
SHARE_LEAST = 0.55
"""Least share of each side that must be seen as a straight edge."""
MISFIT_MOST = 4.5
"""Most that size, lens and sides may strain against what is expected (root of chi squared)."""
BORDERED_MISFIT_MOST = 2.5
"""The same of one whose sides were chosen among more edges: a stripe's may be among them."""
ANYWHERE_PX = 3.0
"""A side less sure may be any edge of a border: one may lie in shadow, two are a guess."""
UNSURE_SIDE_PX, SURER = 0.45, 0.8
"""A side so unsure is worth a second look, which counts where it leaves so much less doubt."""
GAP_OF_RADIUS = math.sqrt(2.0) - 1.0
"""From a sharp corner to the arc that rounds it, over the arc's radius."""
GAP_RANGE = (0.53, 1.5)
"""What the gap at the corners may measure, as a share of what their radius asks for."""
BOTH_RANGE = (0.7, 1.35)
"""The same where two corners are all there is (true cards, rendered: 0.82 to 1.16)."""
CLOSE_LEAST, CLOSE_SHARE, PLAIN_SHARE, PLAIN_MISFIT = 3, 0.6, 0.75, 3.0
"""So many corners within the closer range are plain enough, where the sides are seen in such a
share (without a card a piece showed 0.57, twice in 316 photos). With two of them the sides must be
seen in a larger share, and strain less: what something covers in part, parts of two things
together, and a body between two beads look alike but for these (true cards, rendered, some of
them held by fingers, putty or a clip: misfit at most 2.5). So must the other sides where one is
hidden."""
SPANS_LEAST = 0.125
"""A rectangle with sharp corners that spans less of the picture may be anything: of another size
than any in the photo, one was found among grain, print and facets in 22 of 66, mostly smaller than
this (rendered photos; of true cards the least was 0.18)."""
ROUGH_MISFIT, SPOILED_MISFIT = 1.0, 1.5
"""On a rough ground less of the sides is seen: then so little strain, or all four corners close,
says as much; so do four corners nearly as they should be. And so little must two corners strain
where print spoils both others of one side. (In 132 photos with the card painted over, or a board in
its place, and of what else was weighed up in 115 with one, nothing came near; true cards strain
0.5 to 0.9. Rendered, some in real light.)"""


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
    hidden : the side, in the order of `SIDE_NORMALS`, that is not to be seen, if one is not.
    is_print : whether another rectangle runs close about it: then it is printed on the card.
    bordered : whether a border or a line is printed along most of its sides.
    """

    sight: SideSight
    view: View
    side_share: float
    misfit: float
    corner_gap_mm: FloatArray
    radius_mm: float
    hidden: int | None
    is_print: bool = False
    bordered: bool = False

    @property
    def fits(self) -> bool:
        """Whether size and shape are those of the rectangle sought."""
        return self.misfit <= MISFIT_MOST

    @property
    def rounded(self) -> bool:
        """Whether the corners are rounded as they should be."""
        return rounded(self.corner_gap_mm, self.radius_mm)

    @property
    def closely_rounded(self) -> int:
        """How many corners are rounded closely as they should be."""
        share = self.corner_gap_mm / (GAP_OF_RADIUS * self.radius_mm)
        low, high = BOTH_RANGE
        return int(np.sum((share > low) & (share < high)))

    @property
    def both_rounded(self) -> bool:
        """Whether two corners, all that a hidden side leaves, are rounded as they should be."""
        return self.closely_rounded >= 2

    @property
    def good(self) -> bool:
        """Whether it is the rectangle sought."""
        seen = self.side_share >= SHARE_LEAST
        return seen and self.fits and self.rounded and self._plain and not self.is_print

    @property
    def _plain(self) -> bool:
        if self.radius_mm <= 0.0:
            return self._spans >= SPANS_LEAST
        close = self.closely_rounded
        if close >= CLOSE_LEAST:
            sure = close == len(self.corner_gap_mm) or self.misfit <= ROUGH_MISFIT
            return sure or self.side_share >= CLOSE_SHARE
        spoiled = _spoiled(self.corner_gap_mm, self.radius_mm)
        nearly = bool(np.all(np.isfinite(self.corner_gap_mm) & ~spoiled))
        if nearly and self.side_share >= CLOSE_SHARE and self.misfit <= ROUGH_MISFIT:
            return True
        most = SPOILED_MISFIT if np.any(spoiled & np.roll(spoiled, 1)) else PLAIN_MISFIT
        return close >= 2 and self.side_share >= PLAIN_SHARE and self.misfit <= most

    @property
    def _spans(self) -> float:
        """Its longest side as a share of the picture's longer side."""
        around = np.roll(self.sight.corners_px, 1, axis=0) - self.sight.corners_px
        longest = np.linalg.norm(around, axis=1).max()
        return float(longest) / max(self.view.lens.size_px)


def candidate_at(sought: Sought, quad: FloatArray, printed: bool = False) -> CardCandidate | None:
    """Return what lies at a rough outline (4, 2) as a candidate; None without four sides.

    `printed` is whether a border or a line may be printed along the card's edge.
    """
    sides = find_sides(sought, quad, printed=printed)
    if sides is not None and sides.unsure:
        sides = _by_the_others(sought, sides, printed) or sides
    return None if sides is None else _weighed_up(sought, sides, printed)


def looked_at_again(sought: Sought, found: CardCandidate) -> CardCandidate:
    """Return a card looked at again for print along its edge, if that makes its sides surer."""
    if found.sight.bias_sd_px.max() < UNSURE_SIDE_PX:
        return found
    again = candidate_at(sought, found.sight.corners_px, printed=True)
    if again is None or not _is_bordered(again):
        return found
    doubts = [float(np.linalg.norm(c.sight.bias_sd_px)) for c in (found, again)]
    return again if doubts[1] < SURER * doubts[0] else found


def _is_bordered(found: CardCandidate) -> bool:
    # Sides that may lie anywhere among several edges fit whatever the others ask for.
    sure = int(np.sum(found.sight.bias_sd_px > ANYWHERE_PX)) <= 1
    return found.good and found.bordered and sure and found.misfit <= BORDERED_MISFIT_MOST


def bordered_at(sought: Sought, quad: FloatArray) -> CardCandidate | None:
    """Return the card with a printed border that a rough outline (4, 2) leads to; None if none.

    The outline may be the border's: then the card is the rectangle about it.
    """
    found = candidate_at(sought, quad, printed=True)
    if found is None or not _is_bordered(found):
        about = rectangle_about(sought, quad)
        found = None if about is None else candidate_at(sought, about, printed=True)
    return found if found is not None and _is_bordered(found) else None


def candidate_by_three(sought: Sought, quad: FloatArray, hidden: int) -> CardCandidate | None:
    """Return what lies at a rough outline (4, 2) by three of its sides; None without them.

    Parameters
    ----------
    hidden : the side, in the order of `SIDE_NORMALS`, that is not looked for.
    """
    for _ in range(ROUNDS):
        sides = find_sides(sought, quad, hidden=hidden)
        candidate = None if sides is None else _weighed_up(sought, sides)
        if candidate is None or not candidate.both_rounded:
            return None
        # Where the hidden side lies, and with it the corners, the other three tell.
        quad = candidate.view.to_pixels(sought.corners_mm())
    return candidate


def _weighed_up(sought: Sought, sides: FoundSides, printed: bool = False) -> CardCandidate | None:
    if sides.share < SHARE_LEAST:
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
    gaps = corner_gaps(sought, view, printed)
    if sides.hidden is not None:
        gaps[corners_beside(sides.hidden)] = np.nan
        sight = replace(sight, corners_px=view.to_pixels(sought.corners_mm()))
    misfit, radius = float(np.linalg.norm(strain)), sought.corner_radius_mm
    found = CardCandidate(
        sight, view, sides.share, misfit, gaps, radius, sides.hidden, bordered=sides.bordered
    )
    if not found.good:
        return found
    blur = max(fit.sigma_px for fit in sides.fits)
    about = rectangle_about(sought, sight.corners_px, sides.hidden, blur)
    return replace(found, is_print=about is not None)


def with_free_sides(
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


def _by_the_others(sought: Sought, sides: FoundSides, printed: bool) -> FoundSides | None:
    """Return the sides found again, the unsure ones near where the others ask for them."""
    unsure = np.array([choice.sd_px for choice in sides.choices]) > UNSURE_PX
    solved = with_free_sides(sought, sides_sight(sought, sides), unsure)
    if solved is None:
        return None
    bias = solved[1].x[VIEW_SIZE + 2 :]
    sd = np.sqrt(np.diag(solved[1].covariance))[VIEW_SIZE + 2 :]
    expected = (np.where(unsure, -bias, 0.0), np.where(unsure, np.hypot(sd, 0.5), FREE_PX))
    return find_sides(sought, sides.corners_px, expected, printed=printed)


def corner_gaps(sought: Sought, view: View, printed: bool = False) -> FloatArray:
    """Return, for each corner, the way from the sharp corner to the edge along the diagonal, mm.

    `printed` is whether something may be printed along the edge.
    """
    corner = sought.corners_mm()
    outward = np.column_stack([np.sign(corner[:, :2]), np.zeros(4)]) / math.sqrt(2.0)
    at = view.to_pixels(corner)
    return gaps_at(sought, at, view.to_pixels(corner + outward) - at, printed)


def gaps_at(
    sought: Sought, at: FloatArray, one_mm: FloatArray, printed: bool = False
) -> FloatArray:
    """Return the way from sharp corners to the edge along the diagonal, (n,), mm.

    Parameters
    ----------
    at : (n, 2) the sharp corners, pixels.
    one_mm : (n, 2) a millimetre outward along the diagonal there, pixels.
    """
    px_per_mm = np.linalg.norm(one_mm, axis=1)
    normals = one_mm / px_per_mm[:, None]
    gap = GAP_OF_RADIUS * max(sought.corner_radius_mm, 1.0)
    half = 20
    pixel = max(1.7 * gap * float(px_per_mm.mean()) / half, 0.5)
    offsets = pixel * np.arange(-half, half + 1, dtype=np.float64)
    # The middle of the scan lies half way between a sharp and a rounded corner.
    middle = at - 0.5 * gap * one_mm
    beside = 0.1 * gap * float(px_per_mm.mean()) * np.array([-1.0, 0.0, 1.0])
    gaps = np.full(len(at), np.nan)
    height, width = sought.bgr.shape[:2]
    seen = np.all((middle > 0) & (middle < np.array([width, height]) - 1.0), axis=1)
    for i in np.flatnonzero(seen):
        row = slice(i, i + 1)
        light = sample_lines(
            sought.bgr, middle[row], normals[row], offsets, beside, sought.to_linear
        )
        choice = choose_edge(light, offsets, 0.0, printed=printed)
        gaps[i] = 0.5 * gap - choice.offset_px / px_per_mm[i]
    return gaps


def rounded(gaps_mm: FloatArray, radius_mm: float) -> bool:
    """Return whether corners are rounded by a radius, by their gaps (4,) of `corner_gaps`."""
    if radius_mm <= 0.0:
        return True
    other = _spoiled(gaps_mm, radius_mm)
    alike = np.isfinite(gaps_mm) & ~other
    # A shadow, or a picture on the card, may spoil a corner or two; both corners of one side are
    # square where a stripe is taken for it, and both too round where a shadow's border is.
    too_round = gaps_mm > GAP_OF_RADIUS * radius_mm
    beside = any(
        bool(np.any(kind & np.roll(kind, 1))) for kind in (other & too_round, other & ~too_round)
    )
    return int(alike.sum()) >= 2 and int(other.sum()) <= 2 and not beside


def _spoiled(gaps_mm: FloatArray, radius_mm: float) -> NDArray[np.bool_]:
    """Return which corners are seen, but not as the radius would round them, (4,)."""
    share = gaps_mm / (GAP_OF_RADIUS * radius_mm)
    alike = (share > GAP_RANGE[0]) & (share < GAP_RANGE[1])
    return np.isfinite(share) & ~alike
