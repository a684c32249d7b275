"""The units of a plan: what the turner says, and numbers that look like inches."""

from __future__ import annotations

from calib.refusal import BadFileError

__all__ = ["MM_PER_UNIT", "ask_for_units", "mm_per_unit"]

MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "inch": 25.4}
"""Millimetres in each unit that `--plan-units` takes; the inch is exact since 1959."""


def mm_per_unit(units: str) -> float:
    """Return how many millimetres a unit has.

    Raises
    ------
    BadFileError
        The unit is none that plans use.
    """
    word = {"in": "inch", "inches": "inch"}.get(units.strip().lower(), units.strip().lower())
    if word not in MM_PER_UNIT:
        raise BadFileError(
            "plan-units", f"The plan's units {units!r} are not known.", "Say mm, cm or inch."
        )
    return MM_PER_UNIT[word]


def ask_for_units(name: str, what: str) -> BadFileError:
    """Return the refusal of a plan that does not say its units."""
    return BadFileError(
        "plan-units", f"{name} {what}.", "Add --plan-units mm or --plan-units inch."
    )
