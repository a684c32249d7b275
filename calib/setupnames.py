"""What a turner may call the ways a piece can lie."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["setup_advice"]

MEANT = {
    "plane": ("lathe", "centres", "centers", "chuck", "spindle"),
    "upright": ("standing", "stand", "foot", "vertical"),
    "bench": ("lying", "flat", "table", "horizontal"),
    "level": ("chocked", "blocks", "raised"),
}


def setup_advice(word: str, setups: Sequence[str]) -> str:
    """Return what to give in place of a set-up that is not known by that word."""
    for setup, others in MEANT.items():
        if word in others:
            return f"Use --setup {setup} (there are {', '.join(setups)})."
    return f"Use one of {', '.join(setups)}."
