"""A side of the card that a shadow has moved: left out where the piece's own sides then agree.

The two sides of a turned piece are mirror images only to the true camera. A card side that lies
two pixels off puts the camera askew, and both sides of a well seen piece seem to differ.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calib.cardsides import FREE_PX
from calib.finding import FoundTarget
from calib.lens import Lens
from calib.sight import SideSight, fit_view
from measure.result import TraceRequest
from measure.solved import Solved
from measure.solving import solve_outline

__all__ = ["with_side_freed"]

MOST_AGREE, BETTER = 0.6, 0.7
"""So many pairs of the sides must agree with it, and all scatter by so much less without it."""
ROUNDS = 2


def with_side_freed(
    request: TraceRequest, lens: Lens, found: FoundTarget, solved: Solved
) -> Solved:
    """Return the outline solved without the side of the card that is at odds with the piece.

    What was solved before is returned where all is well, or no one side is to blame.
    """
    sight = found.sight
    followed = solved.followed and solved.estimate.kept > MOST_AGREE
    if solved.quite_round or not followed or not isinstance(sight, SideSight):
        return solved
    best = solved
    for k in range(4):
        doubted = replace(sight, bias_sd_px=np.where(np.arange(4) == k, FREE_PX, sight.bias_sd_px))
        try:
            view, _ = fit_view(doubted, lens)
            freed = replace(found, sight=doubted, view=view)
            tried = solve_outline(request, lens, freed, solved.outline, ROUNDS, solved.estimate)
        except (ValueError, np.linalg.LinAlgError):
            continue
        if tried.quite_round and tried.estimate.pairs_sd < best.estimate.pairs_sd:
            best = tried
    if best.estimate.pairs_sd < BETTER * solved.estimate.pairs_sd:
        return best
    return solved
