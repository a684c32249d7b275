"""What fixed scale and lens, in the turner's words; files keep the short names."""

from __future__ import annotations

__all__ = ["scale_words", "source_words"]

SCALES = {"ID-1 card": "bank card (ID-1)"}
LENSES = {
    "exif": "from the photo's own note (EXIF)",
    "assumed": "assumed, the photo says nothing",
    "calibrated": "calibrated",
}


def scale_words(scale_from: str) -> str:
    """Return the name of what fixed the scale: a card by its use, boards as they are called."""
    return SCALES.get(scale_from, scale_from)


def source_words(scale_from: str, lens_from: str) -> str:
    """Return what fixed the scale and what the lens, for the head of a page or screen."""
    lens = LENSES.get(lens_from.lower(), lens_from)
    return f"scale: {scale_words(scale_from)}; lens: {lens}"
