"""How to bore with a measured tool: edges, first drill, speeds, and the mechanism it must suit."""

from __future__ import annotations

from dataclasses import dataclass

from measure.boring import Edge, FirstDrill, first_drill, highest_rpm
from measure.mechanism import Mechanism
from measure.plunge import Plunge, check_plunges
from measure.stock import WOOD_BIT_TOLERANCE_MM, stock_sizes
from measure.tool import Tool, ToolStep
from measure.toolroles import Role

__all__ = ["BoringPlan", "plan_boring"]

GOOD_CHANCE = 0.6
"""A metric drill with less than this chance of suiting the pilot is weighed against inch ones."""


@dataclass(frozen=True, slots=True)
class BoringPlan:
    """What follows from a tool's steps for boring with it.

    Attributes
    ----------
    edges : pilot and cutting steps from the tip on.
    widest : the step that cuts widest; None for a tool without a cutting step.
    pilot, drill : the pilot and the drill to bore first for it; None if there is none.
    highest_rpm : speed not to go above; None with `widest`.
    mechanism, plunges : what it was held against, if anything.
    """

    edges: tuple[Edge, ...]
    widest: Edge | None
    pilot: Edge | None
    drill: FirstDrill | None
    highest_rpm: int | None
    mechanism: Mechanism | None
    plunges: tuple[Plunge, ...]


def plan_boring(tool: Tool, mechanism: Mechanism | None, inches: bool) -> BoringPlan:
    """Return the plan; `inches` prefers inch drills for the pilot."""
    edges = tuple(
        _edge(tool, tool.steps[index])
        for index in tool.roles.from_tip()
        if tool.steps[index].role in (Role.PILOT, Role.CUTTING)
    )
    cutting = [edge for edge in edges if not edge.guides]
    widest = max(cutting, key=lambda edge: edge.diameter_mm) if cutting else None
    pilot = next((edge for edge in edges if edge.guides), None)
    drill = None if pilot is None else _drill_for(pilot, inches)
    plunges: tuple[Plunge, ...] = ()
    if mechanism is not None and edges:
        plunges = check_plunges(mechanism, edges, None if drill is None else _bore_of(drill))
    return BoringPlan(
        edges=edges,
        widest=widest,
        pilot=pilot,
        drill=drill,
        highest_rpm=None if widest is None else highest_rpm(widest.diameter_mm),
        mechanism=mechanism,
        plunges=plunges,
    )


def _edge(tool: Tool, step: ToolStep) -> Edge:
    front = step.step.from_mm if tool.roles.tip_first else step.step.to_mm
    swept = step.swept
    u95 = step.step.from_u95_mm if tool.roles.tip_first else step.step.to_u95_mm
    return Edge(
        name=f"step {step.number}",
        diameter_mm=step.step.diameter_mm if swept is None else swept.diameter_mm,
        u95_mm=step.step.u95_mm if swept is None else swept.u95_mm,
        front_mm=abs(front - tool.tip_mm),
        length_mm=step.step.length_mm,
        guides=step.role is Role.PILOT,
        front_u95_mm=u95,
    )


def _drill_for(pilot: Edge, inches: bool) -> FirstDrill | None:
    own = [
        size for size in stock_sizes() if size.name.endswith(" in") == inches and _held(size.name)
    ]
    chosen = first_drill(pilot.diameter_mm, pilot.u95_mm, own)
    any_kind = first_drill(pilot.diameter_mm, pilot.u95_mm)
    if chosen is None or any_kind is None:
        return any_kind
    better = any_kind.chance_runs > chosen.chance_runs + 0.2 and chosen.chance_runs < GOOD_CHANCE
    return any_kind if better else chosen


def _held(name: str) -> bool:
    """Whether turners hold it: no tenths of a millimetre, no 32nds and 64ths."""
    if name.endswith(" mm"):
        return (2.0 * float(name.removesuffix(" mm"))).is_integer()
    return not name.endswith(("/32 in", "/64 in"))


def _bore_of(drill: FirstDrill) -> Edge:
    size = drill.size
    return Edge(f"{size.name} drill", size.diameter_mm, WOOD_BIT_TOLERANCE_MM, 0.0, 1e4)
