"""Densities of common turning woods, for the weight of a blank."""

from __future__ import annotations

import difflib

from calib.refusal import BadFileError

__all__ = ["DENSITY_SOURCE", "SPECIFIC_GRAVITY", "density_kg_m3"]

SPECIFIC_GRAVITY: dict[str, float] = {
    # Oven-dry mass over volume at 12 % moisture, [FPL282] table 5-3b; from memory.
    "ash": 0.60,  # white ash
    "aspen": 0.38,  # quaking aspen
    "basswood": 0.37,  # American basswood
    "beech": 0.64,  # American beech
    "birch": 0.62,  # yellow birch
    "butternut": 0.38,
    "cherry": 0.50,  # black cherry
    "elm": 0.50,  # American elm
    "hickory": 0.72,  # shagbark hickory
    "maple": 0.63,  # sugar (hard) maple
    "red maple": 0.54,
    "silver maple": 0.47,
    "red oak": 0.63,  # northern red oak
    "white oak": 0.68,
    "oak": 0.68,  # white oak
    "poplar": 0.42,  # yellow-poplar
    "sycamore": 0.49,  # American sycamore
    "walnut": 0.55,  # black walnut
    # Of imported woods table 5-5 gives it at green volume, 0.55 for teak, and table 4-4 the
    # shrinkage, 7.0 % in volume from green to dry: from 30 % down to 12 % moisture 18/30 of it.
    "teak": 0.55 / (1.0 - 0.070 * 18.0 / 30.0),
}

MOISTURE = 0.12
WATER_KG_M3 = 1000.0
DENSITY_SOURCE = "USDA Wood Handbook, table 5-3, specific gravity at 12 % moisture, from memory"


def density_kg_m3(wood: str) -> float:
    """Return the density at 12 % moisture of a wood by name, or of a plain number in kg/m³.

    The handbook's specific gravity is dry mass over moist volume, so the water comes on top:
    density = gravity x 1000 x 1.12 [FPL282, section 4, from memory].

    Raises
    ------
    BadFileError
        `unknown-wood` if the name is not in the table, or the number is absurd.
    """
    text = wood.strip().lower()
    try:
        number = float(text)
    except ValueError:
        gravity = SPECIFIC_GRAVITY.get(text)
        if gravity is not None:
            return gravity * WATER_KG_M3 * (1.0 + MOISTURE)
        near = difflib.get_close_matches(text, SPECIFIC_GRAVITY, n=1)
        hint = f"Did you mean {near[0]}? " if near else ""
        raise BadFileError(
            "unknown-wood",
            f'The table has no wood called "{wood.strip()[:40]}".',
            f"{hint}Give one of {', '.join(sorted(SPECIFIC_GRAVITY))}, or a density in kg/m3.",
        ) from None
    if not 80.0 <= number <= 1500.0:
        raise BadFileError(
            "unknown-wood",
            f"A density of {number:g} kg/m3 is no wood's.",
            "Give between 80 and 1500 kg/m3, or the name of a wood.",
        )
    return number
