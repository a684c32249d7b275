"""What is said of a measured tool, in the turner's words: for the terminal and for the report."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from measure.boring import FirstDrill
from measure.plunge import BoreCheck, Plunge, Unwanted, Verdict
from measure.stock import METRIC_DRILL, StockMatch
from measure.tool import Tool, ToolStep
from measure.toolplan import BoringPlan
from measure.toolroles import Role
from measure.units import Units

__all__ = [
    "CAUTIONS",
    "cuts_words",
    "form_words",
    "mechanism_words",
    "order_words",
    "side_words",
    "stock_words",
    "taper_words",
]

CAUTIONS = (
    "Clamp the work, or hold it in a chuck; never by hand. Wear eye protection.",
    "Start slowly, back out often to clear the chips, and stop if it chatters or grabs.",
    "Bore a test hole in scrap and measure it before the real one.",
    "The manuals of tool and machine, local rules and what you were taught come first.",
)
MOST_STOCK = 3
LEAST_SHARE = 0.005


def stock_words(matches: Sequence[StockMatch], most: int = MOST_STOCK) -> str:
    """Return the stock sizes that are possible, likeliest first, and how many more there are."""
    if not matches:
        return "no stock size"
    listed = [match.size.name for match in matches[:most]]
    more = len(matches) - len(listed)
    words = " or ".join([", ".join(listed[:-1]), listed[-1]] if len(listed) > 1 else listed)
    return f"{words}, {more} more" if more else words


def form_words(tool: Tool) -> str:
    """Return what the tool was taken to be: the turner's word, or what most tools are."""
    if tool.thickness is None:
        return "a round tool; if it is a flat blade, give --form flat"
    return "a flat blade, as told, not seen; if it is round, leave out --form flat"


def cuts_words(step: ToolStep, units: Units) -> str:
    """Return what a step cuts; empty where it cuts nothing."""
    swept = step.swept
    if swept is None or step.role not in (Role.CUTTING, Role.PILOT):
        return ""
    size = f"{units.fine(swept.diameter_mm)} ±{units.spread(swept.u95_mm)}"
    if swept.at_most_mm is not None:
        return f"{units.fine(swept.diameter_mm)} to {units.fine(swept.at_most_mm)}"
    return f"{size} or more" if swept.is_lower_bound else size


def side_words(step: ToolStep, names: tuple[str, str], units: Units) -> str:
    """Return how far each side reaches from the shank's axis, sides as in the first photo."""
    if step.reach_mm is None or step.reach_u95_mm is None:
        return ""
    sides = [f"{name} {units.fine(r)}" for name, r in zip(names, step.reach_mm, strict=True)]
    return f"{sides[0]}, {sides[1]} ±{units.spread(step.reach_u95_mm)}"


TOLD_MM = 0.15
"""Diameters are printed to 0.1 mm."""


def taper_words(step: ToolStep, units: Units) -> str:
    """Return the taper of a step; empty for a cylinder, and where it is less than is printed."""
    if abs(step.step.end_mm - step.step.start_mm) < TOLD_MM:
        return ""
    ends = f"{units.fine(step.step.start_mm)} to {units.fine(step.step.end_mm)}"
    return f"{ends}, {step.step.taper_deg:.1f}° included"


def order_words(tool: Tool, plan: BoringPlan, units: Units) -> list[str]:
    """Return the order of bores, one sentence a bore."""
    if plan.widest is None:
        return []
    lines = []
    if plan.pilot is not None:
        lines.append(_first_words(plan.pilot.diameter_mm, plan.drill, units))
    cutting = [edge for edge in plan.edges if not edge.guides]
    lead = "Then feed the tool in" if plan.pilot is not None else "Mark the centre and feed it in"
    lines.append(f"{lead}: {cutting[0].name} cuts {units.fine(cutting[0].diameter_mm)} first.")
    for before, edge in pairwise(cutting):
        behind = units.place(edge.front_mm - before.front_mm)
        lines.append(
            f"{edge.name.capitalize()} follows {behind} {units.name} behind and widens it to "
            f"{units.fine(edge.diameter_mm)}."
        )
    lines.append(
        f"No faster than about {plan.highest_rpm} rev/min for "
        f"{units.fine(plan.widest.diameter_mm)} {units.name} (common practice)."
    )
    return lines


def _first_words(pilot_mm: float, drill: FirstDrill | None, units: Units) -> str:
    pilot = f"{units.fine(pilot_mm)} {units.name} pilot"
    if drill is None:
        return f"No stock drill suits the {pilot}: bush it, or turn a sleeve for a drill near it."
    kinds = [kind for kind in drill.size.kinds if kind != METRIC_DRILL] or list(drill.size.kinds)
    words = f"Bore {drill.size.name} ({', '.join(kinds)}) first, so that the {pilot} runs in it"
    if drill.chance_binds > 0.25:
        return f"{words}; it may bind ({drill.chance_binds:.0%}): try it in scrap."
    if drill.chance_rattles > 0.25:
        return f"{words}; it may rattle ({drill.chance_rattles:.0%}): try it in scrap."
    return f"{words} with about {units.fine(max(drill.play_mm, 0.0))} {units.name} of play."


def mechanism_words(plan: BoringPlan, units: Units) -> list[tuple[str, list[str]]]:
    """Return (heading, lines) for each part and end that the mechanism is bored from."""
    sections = []
    for plunge in plan.plunges:
        heading = f"{plunge.part.capitalize()}, from the {plunge.from_end}"
        lines = [_bore_words(check, units) for check in plunge.bores]
        sections.append((heading, lines + _plunge_words(plunge, units)))
    return sections


def _bore_words(check: BoreCheck, units: Units) -> str:
    bore = check.bore
    depth = "through" if bore.depth_mm is None else f"{units.place(bore.depth_mm)} deep"
    name = f"{bore.name}, {units.fine(bore.diameter_mm)} x {depth}"
    off = "" if check.off_mm is None else f"{units.fine(abs(check.off_mm))} {units.name}"
    edge = "" if check.edge is None else check.edge.name
    edge_u95 = 0.0 if check.edge is None else check.edge.front_u95_mm
    if check.verdict is Verdict.OTHER_TOOL:
        return f"{name}: needs another tool, {units.fine(bore.diameter_mm)} {units.name}."
    if check.verdict in (Verdict.TOO_WIDE, Verdict.TOO_NARROW):
        return f"{name}: needs another tool; {edge} would make it {off} {check.verdict.value}."
    sure = "made by" if check.verdict is Verdict.MADE else "too close to call for"
    words = f"{name}: {sure} {edge}"
    if check.verdict is Verdict.UNSURE:
        words += f" ({check.chance:.0%} within tolerance): bore scrap and measure"
    if bore.through and check.depth_mm is not None:
        words += f", {units.place(check.depth_mm)} {units.name} deep; bore on through with a drill"
    if check.depth_ok is False and check.deep_mm is not None:
        way = "too deep" if check.deep_mm > 0.0 else "short"
        words += f", but {units.place(abs(check.deep_mm))} {units.name} {way}"
    elif check.depth_ok and edge_u95 > bore.depth_tolerance_mm:
        words += (
            f", its depth known only to ±{units.place(edge_u95)} {units.name}: measure on the tool"
        )
    return words + "."


def _plunge_words(plunge: Plunge, units: Units) -> list[str]:
    lines = []
    if plunge.tip_mm is not None:
        lines.append(
            f"Stop when the tip is {units.place(plunge.tip_mm)} {units.name} deep. The tip is "
            "where the table's last step ends: a point beyond it goes deeper."
        )
    if plunge.follows is not None:
        behind = units.place(plunge.follows.front_mm)
        lines.append(
            f"Stop before the tip is {behind} {units.name} deep: there {plunge.follows.name} "
            f"begins to cut, {units.fine(plunge.follows.diameter_mm)} wide."
        )
    return [*lines, *(_unwanted_words(cut, units) for cut in plunge.unwanted)]


def _unwanted_words(cut: Unwanted, units: Units) -> str:
    wide = f"{units.fine(cut.edge.diameter_mm)} {units.name} wide"
    cuts = f"At that depth {cut.edge.name} cuts {wide}"
    if cut.edge.guides:
        cuts = f"The hole that the pilot runs in is {wide} or more"
    deep = f"{units.place(cut.depth_mm)} {units.name} deep"
    return f"{cuts}, {deep}, where nothing so wide is wanted."
