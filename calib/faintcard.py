"""A card whose sides are faint all along: told by straight strokes that cover them.

A pale card on a pale bench has sides of a few levels, no stronger at any place than the grain; a
straight line of many such places is not chance. What is printed on the card, a stripe above all,
is stronger: the rectangle that three faint sides imply is the card where strokes cover it all
round.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.cardsides import Sought, side_from
from calib.impliedcard import MUCH_LARGER, implied_by, in_picture
from calib.quads import Coarse
from calib.strokes import frames, standing_out, straight_strokes

__all__ = ["FaintCard", "covered", "faint_cards"]

FloatArray = NDArray[np.float64]

BESIDE_PX, PARALLEL = 2.5, 0.998
"""How far beside a side a stroke may run, pixels of the small picture, and the cosine to it."""
COVERED_LEAST = 0.3
"""Share of each of three sides that strokes must cover."""
SAME_PX = 3.0


@dataclass(frozen=True, slots=True)
class FaintCard:
    """A rectangle that strokes may be the sides of.

    Attributes
    ----------
    quad : (4, 2) its corners in the photo.
    covered : (4,) share of each side, from that corner to the next, that strokes cover.
    """

    quad: FloatArray
    covered: FloatArray

    @property
    def faintest(self) -> int:
        """The side, in the order of `SIDE_NORMALS`, of which least is covered."""
        return side_from(int(np.argmin(self.covered)))


def faint_cards(sought: Sought, coarse: Coarse) -> list[FaintCard]:
    """Return rectangles of the sides sought that faint strokes cover, the best covered first.

    Parameters
    ----------
    sought : photo and rectangle.
    coarse : the photo at low resolution.
    """
    strokes = straight_strokes(standing_out(coarse.lab))
    found: list[FaintCard] = []
    for frame in frames(strokes):
        for implied in implied_by(sought, (frame + 0.5) * coarse.step - 0.5, 2, MUCH_LARGER):
            if in_picture(sought, implied.quad):
                small = (implied.quad + 0.5) / coarse.step - 0.5
                shares = covered(small, strokes)
                if np.sort(shares)[1] >= COVERED_LEAST:
                    found.append(FaintCard(implied.quad, shares))
    found.sort(key=lambda card: -float(card.covered.sum()))
    kept: list[FaintCard] = []
    for card in found:
        apart = [np.abs(card.quad - other.quad).max() for other in kept]
        if min(apart, default=np.inf) > SAME_PX * coarse.step:
            kept.append(card)
    return kept


def covered(quad: FloatArray, strokes: FloatArray) -> FloatArray:
    """Return the share of each side of a quad (4, 2) that strokes (n, 2, 2) cover, (4,)."""
    shares = np.zeros(4)
    for i in range(4):
        start, end = quad[i], quad[(i + 1) % 4]
        length = float(np.linalg.norm(end - start))
        along = (end - start) / max(length, 1e-9)
        across = np.array([-along[1], along[0]])
        way = strokes[:, 1] - strokes[:, 0]
        alike = np.abs(way @ along) > PARALLEL * np.linalg.norm(way, axis=1)
        near = np.all(np.abs((strokes - start) @ across) < BESIDE_PX, axis=1)
        spans = np.sort((strokes[alike & near] - start) @ along, axis=1)
        spans = np.clip(spans, 0.0, length)
        reached, total = 0.0, 0.0
        for low, high in spans[np.argsort(spans[:, 0])]:
            total += max(0.0, high - max(low, reached))
            reached = max(reached, high)
        shares[i] = total / max(length, 1e-9)
    return shares
