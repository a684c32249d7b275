"""Which step of a tool is held, which guides and which cuts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from measure.steps import Step

__all__ = ["Role", "Roles", "find_roles"]

CHUCK_MM = 16.5
"""A drill chuck takes shanks up to 16 mm (common practice, no source)."""
HELD_LENGTH_MM = 20.0
SURE_LEAD = 2
"""Fewer points ahead than this, and the choice of the shank is called a guess."""
SAME_MM = 0.3


class Role(StrEnum):
    """What a step is for."""

    SHANK = "shank"
    PILOT = "pilot"
    CUTTING = "cutting"
    NECK = "neck"
    POINT = "point"


@dataclass(frozen=True, slots=True)
class Roles:
    """The role of each step, in the order of the steps.

    Attributes
    ----------
    shank : index of the shank; of the only step if there is one.
    tip_first : whether the working end is at the first step.
    sure : whether the shank was told, or is plain from the shape.
    """

    of_step: tuple[Role, ...]
    shank: int
    tip_first: bool
    sure: bool

    def from_tip(self) -> list[int]:
        """Return the indices of the steps from the working end on."""
        order = list(range(len(self.of_step)))
        return order if self.tip_first else order[::-1]


def find_roles(steps: Sequence[Step], shank_first: bool | None = None) -> Roles:
    """Return what each step is for.

    From the tip on, a step cuts if it is wider than all before it; the first of several is the
    pilot; one that is narrower than what went before is a neck.

    Parameters
    ----------
    steps : in order along the axis; at least one.
    shank_first : whether the shank is at the first step; None to tell it from the shape.

    Raises
    ------
    ValueError
        If there are no steps.
    """
    if not steps:
        raise ValueError("need at least one step, got none")
    told = shank_first is not None
    sure = True
    if shank_first is None:
        lead = _points(steps, 0) - _points(steps, -1)
        shank_first = lead >= 0
        # No chuck takes a thicker one: the true shank may have been missed in the photo.
        held = steps[0 if shank_first else -1]
        sure = abs(lead) >= SURE_LEAD and held.diameter_mm <= CHUCK_MM
    order = list(range(len(steps)))
    if shank_first:
        order.reverse()
    roles = [Role.NECK] * len(steps)
    widest = 0.0
    for index in order:
        step = steps[index]
        if step.is_point and widest == 0.0:
            roles[index] = Role.POINT
            continue
        if step.diameter_mm > widest + SAME_MM:
            roles[index] = Role.CUTTING
            widest = step.diameter_mm
    shank = order[-1]
    bodies = [index for index in order if roles[index] is not Role.POINT]
    if len(bodies) > 1:
        roles[shank] = Role.SHANK
        cutting = [index for index in bodies if roles[index] is Role.CUTTING]
        if len(cutting) > 1:
            roles[cutting[0]] = Role.PILOT
    return Roles(tuple(roles), shank, not shank_first, told or sure or len(bodies) == 1)


def _points(steps: Sequence[Step], end: int) -> int:
    """Return how much the shape says that the shank is at this end: 0 first, -1 last."""
    here, there = steps[end], steps[-1 - end]
    if here.is_point:
        return -3
    points = 3 if there.is_point else 0
    points += 2 if here.diameter_mm <= CHUCK_MM else 0
    points += 1 if here.length_mm >= HELD_LENGTH_MM else 0
    points += 1 if here.diameter_mm < there.diameter_mm - SAME_MM else 0
    points += 1 if here.length_mm > 2.0 * there.length_mm else 0
    inward = [step.diameter_mm for step in (steps if end else steps[::-1])]
    # The more steps widen toward this end, the more of them cut if it is the shank's.
    return points + sum(b > a + SAME_MM for a, b in pairwise(inward[:-1]))
