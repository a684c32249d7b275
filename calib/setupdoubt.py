"""Whether the phone looked at the target as it would for the set-up that was said."""

from __future__ import annotations

from calib.refusal import Notice

__all__ = ["setup_notices"]

ALONG_DEG, DOWN_DEG, SQUARE_DEG = 45.0, 25.0, 20.0
"""From square at the target: a phone that looks down on a lying piece is tilted by less than the
first, one that looks at a standing piece by more than the second, one that looks square at a card
held level with it by less than the third (common practice, no source)."""


def setup_notices(setup: str, tilt_deg: float) -> list[Notice]:
    """Return a word where the phone looked at the target as it would for another set-up."""
    slanted = tilt_deg > ALONG_DEG
    if setup in ("bench", "level") and slanted:
        said = (
            "more along the bench than down on it",
            "Is the piece standing? Give --setup upright.",
        )
    elif setup == "plane" and tilt_deg > SQUARE_DEG:
        said = (
            "far from square at the card",
            "Hold the card's face square to the phone. If piece and card lie on the bench, all "
            "sizes are wrong: leave out --setup plane.",
        )
    elif setup == "upright" and tilt_deg < DOWN_DEG:
        said = "almost straight down", "Is the piece lying? Leave out --setup upright."
    else:
        return []
    where, what = said
    return [
        Notice("setup-doubtful", f"The phone looked {where} ({tilt_deg:.0f}° off square).", what)
    ]
