"""What a turner should know about a check beside its verdict."""

from __future__ import annotations

import numpy as np

from calib.refusal import Notice
from measure.judge import Deviations
from measure.measured import Measured
from measure.plan import Plan
from measure.readings import BY_PLAN, Advice
from measure.register import Placement
from measure.units import METRIC, Units

__all__ = ["check_notices"]

_HIDDEN_MM = 0.5


def check_notices(
    piece: Measured,
    plan: Plan,
    placement: Placement,
    rows: Deviations,
    advice: Advice,
    units: Units = METRIC,
    *,
    same_photo: bool = False,
) -> tuple[Notice, ...]:
    """Return the notices of a check, in units for the screen or in mm for the files."""
    found: list[Notice] = []
    ends = np.sort(placement.to_plan(np.array([0.0, piece.far_mm])))
    # Where neither length is known better, the difference may be nothing but that.
    slack = max(
        1.0, 2.0 * placement.u95_mm, float(np.hypot(piece.length_u95_mm or 0.0, plan.length_u95_mm))
    )
    missing = max(ends[0] - plan.start_mm, 0.0) + max(plan.end_mm - ends[1], 0.0)
    extra = max(plan.start_mm - ends[0], 0.0) + max(ends[1] - plan.end_mm, 0.0)
    if missing > slack:
        found.append(
            Notice(
                "plan-longer",
                f"As it is laid on, {units.fine(missing)} {units.name} of the plan lie past the "
                "piece: not judged.",
                "If the piece should be whole, compare its length with the plan's.",
            )
        )
    if extra > slack:
        found.append(
            Notice(
                "piece-longer",
                f"The piece goes on {units.fine(extra)} {units.name} past the plan; that part "
                "is not judged.",
                "Mind it when parting off.",
            )
        )
    hidden = placement.datum in ("start", "end") and placement.u95_mm > _HIDDEN_MM
    if hidden:
        found.append(
            Notice(
                "datum-hidden",
                f"The {placement.datum} end is seen to ±{units.fine(placement.u95_mm)} "
                f"{units.name} only, and every slope and shoulder is as unsure.",
                "Lay it on with --datum best, unless places must count from that end.",
            )
        )
    narrow = 2.0 * rows.u95_mm > rows.proud_mm + rows.shy_mm
    if np.mean(narrow) > 0.1 and not hidden:
        found.append(_too_fine_tolerance(float(np.mean(narrow)), advice))
    same_name = bool(piece.photo) and piece.photo == plan.photo
    if same_name and not same_photo:
        found.append(
            Notice(
                "same-photo-name",
                f"Both were traced from a photo called {piece.photo}.",
                "If it is one and the same photo, add --same-photo: their common errors cancel.",
            )
        )
    return tuple(found)


def _too_fine_tolerance(share: float, advice: Advice) -> Notice:
    """Return the notice, with no more to do than helps."""
    proof = "photo and plan can prove" if advice.why_none == BY_PLAN else "the photo can prove"
    todo = {
        None: "Take the caliper readings that are named and give them with --known, or allow more.",
        BY_PLAN: "Trace the planned piece better, with --known, or allow more.",
    }
    return Notice(
        "tolerance-too-fine",
        f"Over {100.0 * share:.0f} % of the piece the tolerance is finer than {proof}.",
        todo.get(advice.why_none, "Allow more, or measure what matters with calipers."),
    )
