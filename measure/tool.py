"""A boring tool as it was measured: the types that join measuring, words and pictures."""

from __future__ import annotations

from dataclasses import dataclass

from calib.refusal import Notice
from measure.blade import Thickness
from measure.steps import Step
from measure.stock import StockMatch
from measure.swept import Swept
from measure.toolroles import Role, Roles

__all__ = ["Tool", "ToolStep"]


@dataclass(frozen=True, slots=True)
class ToolStep:
    """One step of a tool.

    Attributes
    ----------
    number : from 1, in order of z.
    swept : what it cuts about the shank's axis; None where that says nothing (a point, a
        step of which a side is hidden).
    reach_mm, reach_u95_mm : from the shank's axis to the two sides as the first photo shows
        them, first the side at `across` of `reach.frame_of`; None with `swept`.
    stock : sizes that its diameter allows, likeliest first.
    """

    number: int
    step: Step
    role: Role
    swept: Swept | None
    reach_mm: tuple[float, float] | None
    reach_u95_mm: float | None
    stock: tuple[StockMatch, ...]


@dataclass(frozen=True, slots=True)
class Tool:
    """What the photos say of a tool.

    Attributes
    ----------
    tip_mm : z of its working end.
    photos : how many were used.
    thickness : of a flat blade; None for a round tool.
    """

    steps: tuple[ToolStep, ...]
    roles: Roles
    tip_mm: float
    photos: int
    thickness: Thickness | None
    notices: tuple[Notice, ...]
