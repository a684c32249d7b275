"""Whether an outline is that of a plain strip: a rule, a pencil, a batten beside the piece.

Its sides mirror each other as well as those of a turned piece do. Where nothing swells or narrows
along all its length, and no end shows that it is round, nothing says that it was turned. An offcut
or a card is as plain, and shorter.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.refusal import RefusalError
from measure.endbulge import Bulge
from measure.sides import SideCurve

__all__ = ["is_plain_rod", "plain_rod"]

FloatArray = NDArray[np.float64]

SLENDER = 6.0
"""Length over diameter above which what is plain is likelier a strip than a turned cylinder (common
practice, no source)."""
ROUND_PX, SHARES = 2.5, (0.6, 1.6)
"""A round end that would bulge by so much shows it, and bulges by such a share of that (drawn ends
of thin cylinders: 0.94 to 1.03; of painted strips 1.14 px at most or far more, the end of a batten
seen from above)."""
WITHIN = (0.08, 0.92)
"""The part of the length that counts: the ends of a strip seen aslant are none of its sides."""
PERCENTS, EVEN = (5.0, 95.0), 0.06
"""So much of its radius, from the lower to the higher of these, a strip may seem to change by."""


def plain_rod(photo_name: str) -> RefusalError:
    """Return what to say where a plain strip is all that was followed."""
    return RefusalError(
        "plain-rod",
        f"What was followed in {photo_name} is as plain as a rule, a pencil or an offcut, and "
        "shows no round end.",
        "Clear the bench round the piece, or draw a --box round it. A plain rod wants the phone "
        "tilted 20 to 25 degrees along it, or a --box. For an end face there is measure hole.",
    )


def is_plain_rod(curves: Sequence[SideCurve], ends: Sequence[Bulge]) -> bool:
    """Return whether an outline has no feature and no end that is seen to be round.

    One that is not slender may be a turned cylinder seen from the side; aslant its ends would show.

    Parameters
    ----------
    curves : both sides.
    ends : of the ends that neither picture nor box cuts, how far they bulge.
    """
    if any(_is_round(end) for end in ends):
        return False
    z, r = (np.concatenate([getattr(c, name) for c in curves]) for name in ("z_mm", "r_mm"))
    length, radius = float(np.ptp(z)), float(np.median(r))
    if length < SLENDER * 2.0 * radius and not any(end.round_px > ROUND_PX for end in ends):
        return False
    low, high = z.min() + length * np.array(WITHIN)
    spread = np.percentile(r[(z > low) & (z < high)], PERCENTS)
    return bool(spread[1] - spread[0] < EVEN * radius)


def _is_round(end: Bulge) -> bool:
    low, high = SHARES
    share = end.seen_px / end.round_px if end.round_px > ROUND_PX else float("nan")
    return bool(low < share < high)
