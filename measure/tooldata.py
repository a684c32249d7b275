"""What `--json` and result.json say of a measured tool."""

from __future__ import annotations

import math
from typing import Any

from measure.resultfile import notice_list, rounded, trace_data
from measure.tool import Tool, ToolStep
from measure.toolplan import BoringPlan
from measure.tooltraces import ToolPhotos

__all__ = ["tool_data"]


def tool_data(photos: ToolPhotos, tool: Tool, plan: BoringPlan, form: str) -> dict[str, Any]:
    """Return the object; lengths in mm, angles in degrees, chances from 0 to 1."""
    first = photos.first
    data = trace_data(first)
    data |= {
        "kind": "cutter",
        "photos": [trace.result.photo_name for trace in photos.traces],
        "turned_deg": [rounded(math.degrees(turn), 3) for turn in photos.turned_rad],
        "form": form,
        "thickness_mm": None if tool.thickness is None else rounded(tool.thickness.mm),
        "shank": "far end" if tool.roles.tip_first else "start end",
        "sides": list(photos.side_names),
        "steps": [_step(step) for step in tool.steps],
        "first_drill": _drill(plan),
        "highest_rpm": plan.highest_rpm,
        "mechanism": _mechanism(plan),
        "warnings": notice_list([*first.notices, *photos.notices, *tool.notices]),
    }
    return data


def _step(item: ToolStep) -> dict[str, Any]:
    step, swept = item.step, item.swept
    return {
        "name": f"step{item.number}",
        "what": item.role.value,
        "from_mm": rounded(step.from_mm),
        "to_mm": rounded(step.to_mm),
        "from_u95_mm": rounded(step.from_u95_mm),
        "to_u95_mm": rounded(step.to_u95_mm),
        "length_mm": rounded(step.length_mm),
        "diameter_mm": rounded(step.diameter_mm),
        "u95_mm": rounded(step.u95_mm),
        "u95_common_mm": rounded(step.u95_common_mm),
        "start_diameter_mm": rounded(step.start_mm),
        "end_diameter_mm": rounded(step.end_mm),
        "taper_deg": rounded(step.taper_deg),
        "swept_diameter_mm": None if swept is None else rounded(swept.diameter_mm),
        "swept_u95_mm": None if swept is None else rounded(swept.u95_mm),
        "swept_is_lower_bound": None if swept is None else swept.is_lower_bound,
        "swept_at_most_mm": None if swept is None else rounded(swept.at_most_mm),
        "offset_mm": None if swept is None else rounded(swept.offset_mm),
        "offset_u95_mm": None if swept is None else rounded(swept.offset_u95_mm),
        "side_reach_mm": None if item.reach_mm is None else [rounded(r) for r in item.reach_mm],
        "side_reach_u95_mm": rounded(item.reach_u95_mm),
        "stock": [
            {
                "name": match.size.name,
                "diameter_mm": rounded(match.size.diameter_mm),
                "kinds": list(match.size.kinds),
                "share": rounded(match.share),
            }
            for match in item.stock
        ],
    }


def _drill(plan: BoringPlan) -> dict[str, Any] | None:
    drill = plan.drill
    if drill is None:
        return None
    return {
        "name": drill.size.name,
        "diameter_mm": rounded(drill.size.diameter_mm),
        "kinds": list(drill.size.kinds),
        "play_mm": rounded(drill.play_mm),
        "play_u95_mm": rounded(drill.play_u95_mm),
        "chance_runs": rounded(drill.chance_runs),
        "chance_binds": rounded(drill.chance_binds),
        "chance_rattles": rounded(drill.chance_rattles),
    }


def _mechanism(plan: BoringPlan) -> dict[str, Any] | None:
    if plan.mechanism is None:
        return None
    bores: list[dict[str, Any]] = []
    unwanted: list[dict[str, Any]] = []
    stops: list[dict[str, Any]] = []
    for plunge in plan.plunges:
        where = {"part": plunge.part, "from": plunge.from_end}
        for check in plunge.bores:
            bores.append(
                {
                    "name": check.bore.name,
                    **where,
                    "verdict": check.verdict.value,
                    "by": None if check.edge is None else check.edge.name,
                    "off_mm": rounded(check.off_mm),
                    "chance": rounded(check.chance),
                    "depth_mm": rounded(check.depth_mm),
                    "depth_u95_mm": rounded(
                        None if check.edge is None else check.edge.front_u95_mm
                    ),
                    "deep_mm": rounded(check.deep_mm),
                    "depth_ok": check.depth_ok,
                    "tip_mm": rounded(plunge.tip_mm),
                }
            )
        if plunge.follows is not None:
            follows = {"by": plunge.follows.name, "tip_mm": rounded(plunge.follows.front_mm)}
            stops.append({**where, **follows})
        for cut in plunge.unwanted:
            unwanted.append({**where, "by": cut.edge.name, "depth_mm": rounded(cut.depth_mm)})
    return {"name": plan.mechanism.name, "bores": bores, "unwanted": unwanted, "stop": stops}
