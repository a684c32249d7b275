"""What each set-up says of how piece and target lie, in a turner's words."""

from __future__ import annotations

__all__ = ["SETUP_WORDS"]

SETUP_WORDS = {
    "bench": "piece lying on the bench beside the card",
    "upright": "piece standing on the bench",
    "level": "piece chocked level",
    "plane": "card held in the plane of the axis",
}
