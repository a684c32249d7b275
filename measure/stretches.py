"""Stretches of a piece with more settings than one drawing can carry."""

from __future__ import annotations

from dataclasses import dataclass

from measure.settings import Setting

__all__ = ["Stretch", "stretches"]

APART_MM = 0.3


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of the piece that is drawn by itself.

    Attributes
    ----------
    name : A, B, ... from the foot; empty for the whole piece.
    low_mm, high_mm : from where to where.
    settings : with their numbers in the whole list, from 1.
    """

    name: str
    low_mm: float
    high_mm: float
    settings: tuple[tuple[int, Setting], ...]


def stretches(settings: tuple[Setting, ...], length_mm: float, most: int) -> tuple[Stretch, ...]:
    """Part a piece so that the settings of each stretch can be written beside it.

    A shoulder keeps its two settings on one page.

    Parameters
    ----------
    settings : in order along z.
    most : how many labels go side by side.
    """
    numbered = tuple(enumerate(settings, start=1))
    count = -(-len(numbered) // most)
    if count < 2:
        return (Stretch("", 0.0, length_mm, numbered),)
    cuts = []
    for k in range(1, count):
        cut = len(numbered) * k // count
        while cut > 1 and numbered[cut][1].z_mm - numbered[cut - 1][1].z_mm < APART_MM:
            cut -= 1
        cuts.append(cut)
    places = [0.5 * (numbered[c - 1][1].z_mm + numbered[c][1].z_mm) for c in cuts]
    edges = [0.0, *places, length_mm]
    rows = [0, *cuts, len(numbered)]
    return tuple(
        Stretch(_letter(k), edges[k], edges[k + 1], numbered[rows[k] : rows[k + 1]])
        for k in range(count)
    )


def _letter(k: int) -> str:
    return chr(ord("A") + k) if k < 26 else str(k + 1)
