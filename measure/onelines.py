"""Names that users give, as one line that no terminal, page or file stumbles over."""

from __future__ import annotations

__all__ = ["one_line"]

LONGEST = 120


def one_line(text: str, longest: int = LONGEST) -> str:
    """Return a text without line ends and control signs, cut to so many letters."""
    plain = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return plain if len(plain) <= longest else plain[: longest - 1].rstrip() + "…"
