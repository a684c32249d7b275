"""deviations.csv, and what result.json says of a check."""

from __future__ import annotations

import csv
import io
from typing import Any

import numpy as np

from measure.check import CheckResult
from measure.judge import OUTSIDE, UNSURE, WITHIN, Deviations
from measure.lonefeature import LACKING, UNSEEN
from measure.pair import Likeness, Pair
from measure.places import Place
from measure.readings import Advice, Reading
from measure.result import CUT, END
from measure.resultfile import notice_list, rounded
from measure.slide import Moved
from measure.uniform import UniformError

__all__ = ["COLUMNS", "check_data", "deviations_csv"]

COLUMNS = (
    "z_mm", "plan_diameter_mm", "diameter_mm", "deviation_mm", "u95_mm", "judged", "verdict",
    "piece_z_mm", "u95_common_mm", "proud_mm", "shy_mm",
)  # fmt: skip


def deviations_csv(rows: Deviations) -> bytes:
    """Return deviations.csv; z_mm is along the plan, piece_z_mm the same place on the piece."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    judged = rows.judged
    for i in range(len(rows)):
        writer.writerow(
            [
                f"{rows.z_mm[i] + 0.0:.3f}",
                f"{rows.plan_diameter_mm[i]:.4f}",
                f"{rows.diameter_mm[i]:.4f}",
                f"{rows.deviation_mm[i] + 0.0:.4f}",
                f"{rows.u95_mm[i]:.4f}",
                judged[i],
                rows.verdict[i],
                f"{rows.piece_z_mm[i] + 0.0:.3f}",
                f"{rows.u95_common_mm[i]:.4f}",
                f"{rows.proud_mm[i]:.4f}",
                f"{rows.shy_mm[i]:.4f}",
            ]
        )
    return text.getvalue().encode("ascii")


def check_data(result: CheckResult) -> dict[str, Any]:
    """Return what result.json and `--json` say of a check; `schema` is added when written."""
    piece, placement = result.piece, result.placement
    worst = {side: result.worst(side == "proud") for side in ("proud", "shy")}
    return {
        "kind": "check",
        "photo": piece.photo or None,
        "setup": piece.setup or None,
        "scale_from": piece.scale_from or None,
        "lens_from": piece.lens_from or None,
        "z_zero": CUT if piece.start_cut else END,
        "far_end": CUT if piece.end_cut else END,
        "length_mm": rounded(piece.length_mm),
        "length_u95_mm": rounded(piece.length_u95_mm),
        "max_diameter_mm": rounded(float(np.max(piece.profile.diameter_mm))),
        "verdict": result.verdict,
        "judged": {
            v: int(np.sum(result.rows.verdict == v)) for v in (WITHIN, OUTSIDE, UNSURE)
        },
        "plan": {
            "name": result.plan.name,
            "source": result.plan.source,
            "length_mm": rounded(result.plan.length_mm),
            "notes": list(result.plan.notes),
        },
        "registration": {
            "datum": placement.datum,
            "flipped": placement.flipped,
            "offset_mm": rounded(placement.offset_mm),
            "u95_mm": rounded(placement.u95_mm),
        },
        "worst_proud": _place(worst["proud"]),
        "worst_shy": _place(worst["shy"]),
        "places": [_place(place) for place in result.places],
        "moved": [_moved(moved) for moved in result.moved],
        "uniform": _uniform(result.uniform),
        "length_difference_mm": None if result.length is None else rounded(
            result.length.difference_mm
        ),
        "unjudged": [
            {"z_from_mm": rounded(u.z_from_mm), "z_to_mm": rounded(u.z_to_mm), "reason": u.reason}
            for u in result.unjudged
        ],
        "advised": _advice(result.advice),
        "pair": None if result.pair is None else _pair(result.pair),
        "warnings": notice_list(result.notices),
    }  # fmt: skip


def _place(place: Place | None) -> dict[str, Any] | None:
    if place is None:
        return None
    return {
        "verdict": place.verdict,
        "z_mm": rounded(place.z_mm),
        "z_from_mm": rounded(place.z_from_mm),
        "z_to_mm": rounded(place.z_to_mm),
        "piece_z_mm": rounded(place.piece_z_mm),
        "deviation_mm": rounded(place.deviation_mm),
        "u95_mm": rounded(place.u95_mm),
        "limit_mm": rounded(place.limit_mm),
        "plan_diameter_mm": rounded(place.plan_diameter_mm),
        "diameter_mm": rounded(place.diameter_mm),
        "judged": "normal" if place.normal else "diameter",
        "move_mm": rounded(place.move_mm),
    }


def _moved(moved: Moved) -> dict[str, Any]:
    return {
        "kind": moved.kind,
        "z_mm": rounded(moved.z_mm),
        "move_mm": rounded(moved.move_mm),
        "u95_mm": rounded(moved.u95_mm),
    }


def _uniform(uniform: UniformError | None) -> dict[str, Any] | None:
    if uniform is None:
        return None
    return {
        "deviation_mm": rounded(uniform.deviation_mm),
        "percent": rounded(uniform.percent),
        "u95_mm": rounded(uniform.u95_mm),
        "reference_diameter_mm": rounded(uniform.reference_mm),
        "found": uniform.found,
    }


def _advice(advice: Advice) -> dict[str, Any]:
    return {
        "open_mm": rounded(advice.open_mm),
        "settles_mm": rounded(advice.settles_mm),
        "likely_mm": rounded(advice.likely_mm),
        "readings": [_reading(reading) for reading in advice.readings],
    }


def _reading(reading: Reading) -> dict[str, Any]:
    return {
        "z_mm": rounded(reading.z_mm),
        "piece_z_mm": rounded(reading.piece_z_mm),
        "diameter_mm": rounded(reading.diameter_mm),
        "least_mm": rounded(reading.least_mm),
        "most_mm": rounded(reading.most_mm),
    }


def _pair(pair: Pair) -> dict[str, Any]:
    return {
        "verdict": pair.verdict,
        "whole": [_likeness(likeness) for likeness in pair.whole],
        "features": [
            {
                "name": twin.name,
                "z_mm": rounded(twin.z_mm),
                "compared": [_likeness(likeness) for likeness in twin.likenesses],
            }
            for twin in pair.twins
        ],
        "only_on_plan": _lone(pair, True, LACKING),
        "only_on_piece": _lone(pair, False, LACKING),
        "not_seen_on_piece": _lone(pair, True, UNSEEN),
        "not_seen_on_plan": _lone(pair, False, UNSEEN),
    }


def _lone(pair: Pair, on_plan: bool, other: str) -> list[dict[str, Any]]:
    return [
        {"name": item.name, "z_mm": rounded(item.z_mm)}
        for item in pair.lone
        if item.on_first == on_plan and item.other == other
    ]


def _likeness(likeness: Likeness) -> dict[str, Any]:
    return {
        "what": likeness.what,
        "plan_mm": rounded(likeness.first_mm),
        "piece_mm": rounded(likeness.second_mm),
        "difference_mm": rounded(likeness.difference_mm),
        "u95_mm": rounded(likeness.u95_mm),
        "limit_mm": rounded(likeness.limit_mm),
        "verdict": likeness.verdict,
    }
