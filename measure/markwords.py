"""Crests, hollows and shoulders of a trace in words."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from measure.finedetail import HARDLY_MORE, LEAST_MM, STEP_MM, stands_out
from measure.finefeatures import WIDEST_MM
from measure.landmarks import CREST, HOLLOW, SHOULDER, Landmark
from measure.profile import Profile

__all__ = ["is_narrow", "size_words"]


def size_words(
    profile: Profile, mark: Landmark, write: Callable[[float], str], *, traced: bool = True
) -> str:
    """Return a landmark's diameter as `write` writes it.

    Of a shoulder both, the side nearer to z = 0 first; of a hollow or crest too narrow to show
    how deep or how proud it is the limit that the photo gives. Drawings are not `traced`.
    """
    if mark.kind == SHOULDER:
        here = profile.diameter_mm[profile.z_mm == mark.z_mm]
        return " / ".join(write(float(d)) for d in here)
    limit = ""
    if traced and is_narrow(profile, mark):
        limit = " or less" if mark.kind == HOLLOW else " or more"
    return f"{write(mark.diameter_mm)}{limit}"


def is_narrow(profile: Profile, mark: Landmark) -> bool:
    """Whether a crest or hollow is too narrow for a photo to show how far it stands out.

    It stands out over 2 mm, by more than is known of it, and by hardly more over 4 mm.
    """
    if mark.kind not in (CREST, HOLLOW):
        return False
    run = next(
        piece
        for piece in profile.pieces()
        if profile.z_mm[piece][0] <= mark.z_mm <= profile.z_mm[piece][-1]
    )
    z, d = profile.z_mm[run], profile.diameter_mm[run]
    places = np.arange(z[0], z[-1] + STEP_MM / 2.0, STEP_MM)
    own = np.interp(places, z, d)
    at = int(np.argmin(np.abs(places - mark.z_mm)))
    narrow, wide = (float(stands_out(own, width)[at]) for width in (WIDEST_MM, 2.0 * WIDEST_MM))
    return narrow > max(LEAST_MM, 2.0 * mark.u95_mm) and wide < HARDLY_MORE * narrow
