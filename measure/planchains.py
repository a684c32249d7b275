"""The lines of a drawing as chains of points, joined where their ends meet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["JOIN_MM", "Chain", "distance", "join_chains"]

FloatArray = NDArray[np.float64]

JOIN_MM = 0.05
"""Ends nearer than this are one corner; drawing programs round to about a hundredth."""


@dataclass(frozen=True, slots=True)
class Chain:
    """A polyline of a drawing.

    Attributes
    ----------
    points : (n, 2) x and y, mm.
    layer : its layer or group, for messages.
    centre_line : True if layer or line type says that it is the axis.
    """

    points: FloatArray
    layer: str = ""
    centre_line: bool = False

    @property
    def closed(self) -> bool:
        """Whether the last point is the first."""
        return len(self.points) > 2 and distance(self.points[0], self.points[-1]) < JOIN_MM

    @property
    def size_mm(self) -> float:
        """The longer side of its box."""
        return float(np.max(np.ptp(self.points, axis=0)))


def distance(a: FloatArray, b: FloatArray) -> float:
    """Return the distance of two points (2,), mm."""
    return float(np.hypot(*(a - b)))


def join_chains(chains: Sequence[Chain]) -> list[Chain]:
    """Join chains of one layer whose ends meet; longest first. Centre lines stay by themselves."""
    done = [chain for chain in chains if chain.centre_line or chain.closed]
    open_ones = [chain for chain in chains if not (chain.centre_line or chain.closed)]
    while open_ones:
        current = open_ones.pop(0)
        grew = True
        while grew and not current.closed:
            grew = False
            for index, other in enumerate(open_ones):
                joined = _joined(current, other)
                if joined is not None:
                    current = joined
                    del open_ones[index]
                    grew = True
                    break
        done.append(current)
    return sorted(done, key=lambda chain: -chain.size_mm)


def _joined(a: Chain, b: Chain) -> Chain | None:
    if a.layer != b.layer:
        return None
    for first in (a.points, a.points[::-1]):
        for second in (b.points, b.points[::-1]):
            if distance(first[-1], second[0]) < JOIN_MM:
                return Chain(np.concatenate([first, second[1:]]), a.layer)
    return None
