"""Whether a plan is of this piece at all, and in the units it seems to be in."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from calib.refusal import RefusalError
from measure.measured import Measured
from measure.plan import Plan

__all__ = ["refuse_other_piece", "refuse_other_units"]

FloatArray = NDArray[np.float64]

# Rules of thumb, no source: a copy that a turner would still call one of this plan keeps within
# these; the worst pair of unlike pieces in the tests is twice as far off.
_SPREAD_MM, _SPREAD_PART = 1.5, 0.25
_OFFSET_PART = 0.2
_ALL_PROUD = 0.9
_INCH = 25.4
_INCH_SLACK = 0.15


def refuse_other_units(piece: Measured, plan: Plan) -> None:
    """Refuse a plan whose numbers are inches taken for millimetres, or the reverse.

    Raises
    ------
    RefusalError
        Length and largest diameter both are 25.4 times too small or too large, within 15 %.
    """
    measured = np.array([piece.far_mm, float(np.max(piece.profile.diameter_mm))])
    planned = np.array([plan.length_mm, float(np.max(plan.diameter_mm))])
    for factor, seems, say in ((_INCH, "inches", "inch"), (1.0 / _INCH, "millimetres", "mm")):
        if np.all(np.abs(planned * factor / measured - 1.0) < _INCH_SLACK):
            raise RefusalError(
                "plan-units",
                f"The plan's numbers look like {seems}: it would be {planned[0]:.3g} mm long, "
                f"the piece is {measured[0]:.0f} mm.",
                f"If so, say --plan-units {say}.",
            )


def refuse_other_piece(
    piece: Measured,
    plan: Plan,
    to_plan: Callable[[FloatArray], FloatArray],
    *,
    explicit_datum: bool,
) -> None:
    """Refuse a plan of another piece altogether, saying how different they are.

    A blank that is proud everywhere may still become the piece: with a datum that the turner
    names it is judged.

    Raises
    ------
    RefusalError
        At the best fit half of the piece is still far off the plan.
    """
    z = to_plan(piece.profile.z_mm)
    planned = plan.at(z)
    seen = np.isfinite(planned)
    e = (piece.profile.diameter_mm - planned)[seen]
    if len(e) < 2:
        raise RefusalError(
            "other-piece",
            "The plan and the piece do not overlap along the axis.",
            "Check the plan, or name the end to start from with --datum start or end.",
        )
    middle = float(np.median(e))
    spread = 1.4826 * float(np.median(np.abs(e - middle)))
    inside = planned[seen]
    shape = 1.4826 * float(np.median(np.abs(inside - np.median(inside))))
    size = float(np.median(inside))
    unlike = spread > max(_SPREAD_MM, _SPREAD_PART * shape)
    unlike = unlike or abs(middle) > _OFFSET_PART * size
    if not unlike or (explicit_datum and np.mean(e > 0.0) >= _ALL_PROUD):
        return
    half = float(np.median(np.abs(e)))
    advice = "Check the plan. To judge a rough blank against it, say --datum start or end."
    if explicit_datum:
        advice = "Check the plan and the end: even a rough blank must be proud nearly everywhere."
    raise RefusalError(
        "other-piece",
        f"This is not the planned piece: lengths {piece.far_mm:.0f} and {plan.length_mm:.0f} mm, "
        f"largest {np.max(piece.profile.diameter_mm):.1f} and {np.max(plan.diameter_mm):.1f} mm; "
        f"at the best fit half of it is more than {half:.1f} mm off.",
        advice,
    )
