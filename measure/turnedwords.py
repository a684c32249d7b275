"""What is said of several photos of one piece: screen, result.json, and the table of ovals."""

from __future__ import annotations

from typing import Any

import numpy as np

from measure.resultfile import rounded
from measure.turned import Together
from measure.units import Units

__all__ = ["oval_data", "oval_lines", "ovals_csv"]

EVERY_ROWS = 4
"""Every fourth row of the profile, 1 mm: an oval does not change faster."""


def oval_lines(together: Together, units: Units) -> list[str]:
    """Return the lines that go above the table of a trace."""
    photos = f"Photos    {len(together.photos)}, the first is {together.photos[0]}"
    if len(together.photos) == 1:
        return [f"Photos    only {together.photos[0]} was used"]
    if together.turned_rad is None:
        return [f"{photos}; piece not moved, solved as one"]
    turns = ", ".join(f"{np.rad2deg(turn):g}" for turn in together.turned_rad)
    lines = [f"{photos}; turned to {turns} degrees"]
    place = together.largest()
    if together.oval is None:
        if place is None:
            lines.append(
                "Oval      two sides show no difference; it may still be oval between them"
            )
        else:
            lines.append(
                f"Oval      by at least {units.fine(place.size_mm)} {units.name} at "
                f"{units.place(place.z_mm)}; two sides give a lower bound only"
            )
    elif place is None or place.u95_mm is None or place.turn_rad is None:
        lines.append("Oval      nothing beyond the uncertainty; diameters are the means of all")
    else:
        lines.append(
            f"Oval      most at {units.place(place.z_mm)}: by {units.fine(place.size_mm)} ±"
            f"{units.spread(place.u95_mm)} {units.name}, widest when turned to "
            f"{np.rad2deg(place.turn_rad):.0f} ±{np.rad2deg(place.turn_u95_rad or 0.0):.0f} degrees"
        )
    return lines


def oval_data(together: Together) -> dict[str, Any]:
    """Return what result.json says besides the trace; turns in degrees."""
    data: dict[str, Any] = {"photos": list(together.photos), "turned_deg": None, "oval": None}
    if together.turned_rad is None:
        return data
    place = together.largest()
    data["turned_deg"] = [rounded(float(np.rad2deg(turn)), 3) for turn in together.turned_rad]
    data["oval"] = {
        "lower_bound_only": together.oval is None,
        "found": place is not None,
        "z_mm": rounded(place.z_mm) if place else None,
        "size_mm": rounded(place.size_mm) if place else None,
        "size_u95_mm": rounded(place.u95_mm) if place else None,
        "widest_deg": _degrees(place.turn_rad) if place else None,
        "widest_u95_deg": _degrees(place.turn_u95_rad) if place else None,
    }
    return data


def _degrees(turn_rad: float | None) -> float | None:
    return None if turn_rad is None else rounded(float(np.rad2deg(turn_rad)), 2)


def ovals_csv(together: Together) -> bytes:
    """Return ovality.csv: the oval, or its lower bound, along the axis.

    The columns of the oval are empty where fewer than three sides were seen; `found` is 1 where
    the oval stands out of the noise.
    """
    lines = ["z_mm,at_least_mm,oval_mm,oval_u95_mm,widest_deg,widest_u95_deg,found"]
    bound, oval = together.bound_mm, together.oval
    for k in range(0, len(together.z_mm), EVERY_ROWS):
        row = f"{together.z_mm[k]:.3f},{0.0 if bound is None else bound[k]:.4f}"
        if oval is None:
            row += ",,,,,"
        else:
            turn, doubt = np.rad2deg(oval.widest_rad[k]), np.rad2deg(oval.widest_u95_rad[k])
            row += f",{oval.size_mm[k]:.4f},{oval.size_u95_mm[k]:.4f}"
            row += f",{turn:.1f},{doubt:.1f},{int(oval.found[k])}"
        lines.append(row)
    return ("\n".join(lines) + "\n").encode("ascii")
