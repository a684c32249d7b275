"""Making a plan from rows, after checking that a piece can be so."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.refusal import BadFileError
from measure.plan import Plan
from measure.profile import LONGEST_BRIDGE_MM, Profile

__all__ = ["LARGEST_MM", "checked_plan", "plan_of_profile"]

FloatArray = NDArray[np.float64]

LARGEST_MM = 5000.0
"""No turned piece in a photo is larger, mm: greater numbers are slips of the pen."""


def checked_plan(
    name: str,
    z_mm: FloatArray,
    diameter_mm: FloatArray,
    *,
    proud_mm: FloatArray | None = None,
    shy_mm: FloatArray | None = None,
    source: str = "CSV",
    where: str = "row",
    units: str | None = None,
) -> Plan:
    """Return a drawn plan, z moved to begin at 0, after checking that a piece can be so.

    `units` are those that the turner said the numbers were in, before they came to be mm.

    Raises
    ------
    BadFileError
        Too few rows, values that are missing, negative or absurd, decreasing z, three or more
        rows at one z.
    """
    z = np.asarray(z_mm, dtype=np.float64)
    d = np.asarray(diameter_mm, dtype=np.float64)
    none = np.full(z.shape, np.nan)
    _check_rows(name, z, d, where, units)
    for limits in (proud_mm, shy_mm):
        if limits is not None and np.any(limits[np.isfinite(limits)] < 0.0):
            raise BadFileError(
                "plan-values",
                f"{name}: a tolerance is negative.",
                "Write how much proud and how much shy is allowed, both as positive numbers.",
            )
    return Plan(
        name=name,
        z_mm=z - z[0],
        diameter_mm=d,
        u95_mm=np.zeros_like(z),
        u95_common_mm=np.zeros_like(z),
        proud_mm=none if proud_mm is None else proud_mm,
        shy_mm=none if shy_mm is None else shy_mm,
        source=source,
    )


def _check_rows(name: str, z: FloatArray, d: FloatArray, where: str, units: str | None) -> None:
    def bad(code: str, index: int, what: str, advice: str) -> BadFileError:
        return BadFileError(code, f"{name}, {where} {index + 1}: {what}.", advice)

    if len(z) < 2:
        raise BadFileError(
            "plan-short",
            f"{name} has fewer than two rows.",
            "A plan needs its corners: two or more.",
        )
    values = "Correct the number, or take the row out."
    for index in np.nonzero(~np.isfinite(z) | ~np.isfinite(d))[0][:1]:
        raise bad("plan-values", index, "a value is missing or no number", values)
    for index in np.nonzero(d < 0.0)[0][:1]:
        raise bad("plan-values", index, f"the diameter {d[index]:g} is negative", values)
    if units not in (None, "mm") and (np.ptp(z) > LARGEST_MM or np.max(d) > LARGEST_MM):
        raise BadFileError(
            "plan-units",
            f"In {units}, {name} would be {np.ptp(z):.0f} mm long. Is the plan in mm?",
            "If so, say --plan-units mm.",
        )
    for index in np.nonzero((d > LARGEST_MM) | (np.abs(z) > LARGEST_MM))[0][:1]:
        what = f"z {z[index]:g} or diameter {d[index]:g} mm is absurd"
        raise bad("plan-values", index, what, values)
    for index in np.nonzero(np.diff(z) < 0.0)[0][:1]:
        what = f"z goes back from {z[index]:g} to {z[index + 1]:g}"
        raise bad("plan-order", index + 1, what, "Put the rows in order along the axis.")
    for index in np.nonzero((np.diff(z)[1:] == 0.0) & (np.diff(z)[:-1] == 0.0))[0][:1]:
        what = f"three rows or more at z = {z[index]:g}"
        raise bad("plan-order", index + 2, what, "A shoulder is two rows at one z; take one out.")
    if z[-1] - z[0] < 1.0:
        raise BadFileError(
            "plan-short",
            f"{name} is {z[-1] - z[0]:g} mm long.",
            "Check the units: z is in millimetres unless the heading or --plan-units says inch.",
        )
    if not np.any(d > 0.0):
        raise BadFileError("plan-values", f"{name} has no diameter above 0.", values)


def plan_of_profile(profile: Profile, name: str, photo: str = "") -> Plan:
    """Return an earlier trace as a plan; its own uncertainty goes with it."""
    none = np.full(profile.z_mm.shape, np.nan)
    if len(profile.pieces()) > len(profile.z_mm) // 2 or len(profile.z_mm) < 2:
        raise BadFileError(
            "plan-sparse",
            f"{name}: the rows are too far apart to be an outline.",
            "Give profile.csv, whose rows are 0.25 mm apart, not a station list.",
        )
    return Plan(
        name=name,
        z_mm=profile.z_mm,
        diameter_mm=profile.diameter_mm,
        u95_mm=profile.u95_mm,
        u95_common_mm=profile.u95_common_mm,
        proud_mm=none,
        shy_mm=none.copy(),
        longest_bridge_mm=LONGEST_BRIDGE_MM,
        source="trace",
        photo=photo,
    )
