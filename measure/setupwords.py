"""What each set-up says of how piece and target lie, in a turner's words."""

from __future__ import annotations

__all__ = ["SETUP_WORDS", "setup_words"]

SETUP_WORDS = {
    "bench": "piece lying on the bench beside the card",
    "upright": "piece standing on the bench",
    "level": "piece chocked level",
    "plane": "card held in the plane of the axis",
}


def setup_words(setup: str, on_board: bool) -> str:
    """Return how piece and target were taken to lie."""
    words = SETUP_WORDS[setup]
    return words.replace("beside the card", "on or beside the board") if on_board else words
