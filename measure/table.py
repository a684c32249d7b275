"""The short table that a trace prints on the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil

import numpy as np
from numpy.typing import NDArray

from calib.sourcewords import source_words
from measure.profile import Profile, too_vague
from measure.result import CUT, TraceResult
from measure.setupwords import SETUP_WORDS, setup_words
from measure.stations import stations
from measure.units import Units

__all__ = ["PASSED", "in_blocks", "trace_table"]

WIDTH = 78
INDENT = 11 * " "
OTHERWISE = "If not so, all sizes are wrong: give --setup."
OTHERWISE_WORDS = {"bench": "If it stands or is in the lathe, all sizes are wrong: give --setup."}
PASSED = ", steep and unsure places aside"
MOST_LEFT_OUT = 6
ROWS_IN_ONE_BLOCK = 24
"""More rows than fit a terminal are set side by side."""


def trace_table(result: TraceResult, every_mm: float, units: Units) -> str:
    """Return the headline numbers, the stations with their ±, and what was left out."""
    lines = [f"{result.photo_name}; {source_words(result.scale_from, result.lens_from)}"]
    # A photo shows no difference between a card on the bench and one held level with the axis.
    # A sheet lies as its card does: there is nothing else that it could be taken for.
    if result.setup in SETUP_WORDS:
        taken = setup_words(result.setup, result.target_is_board)
        lines.append(f"Taken as       {taken}.")
        lines.append(f"{INDENT}{OTHERWISE_WORDS.get(result.setup, OTHERWISE)}")
    if result.length_mm is not None and result.length_u95_mm is not None:
        lines.append(f"Length         {units.with_spread(result.length_mm, result.length_u95_mm)}")
    else:
        where = "z = 0 is the cut" if result.z_zero == CUT else "the far end is cut off"
        lines.append(f"Length         not known: part of the piece was not measured, {where}")
    for word, row in (("Largest seen ", result.largest()), ("Smallest seen", result.smallest())):
        size = units.with_spread(row.diameter_mm, row.u95_mm)
        lines.append(f"{word}  {size} at {units.place(row.z_mm)}")
    if result.smaller_passed():
        lines[-1] += PASSED
    for z, d in result.known:
        lines.append(f"Caliper        {units.number(d)} {units.name} at {units.place(z)}, taken in")
    lines.append("")
    told = stations(result.profile, units.step(every_mm)).at_its_z()
    vague = too_vague(told.diameter_mm, told.u95_mm)
    lines += in_blocks(_heading(units), _rows(told, ~vague, units))
    if vague.any():
        places = ", ".join(units.place(z) for z in told.z_mm[vague])
        lines += ["", f"Too unsure to use, beside a step or a gap: at {places} {units.name}"]
    if result.left_out:
        lines.append("")
        longest = sorted(result.left_out, key=lambda part: part.z_from_mm - part.z_to_mm)
        shown = longest[:MOST_LEFT_OUT]
        for part in sorted(shown, key=lambda part: part.z_from_mm):
            lines.append(f"Left out  {units.span(part.z_from_mm, part.z_to_mm)}: {part.reason}")
        if len(longest) > len(shown):
            more = len(longest) - len(shown)
            words = "one" if more == 1 else "ones"
            lines.append(f"          and {more} shorter {words}: see the report")
    return "\n".join(lines)


def in_blocks(heading: str, rows: Sequence[str]) -> list[str]:
    """Return rows below a heading, in side by side blocks where there are many."""
    width = max(map(len, [heading, *rows]))
    gap = "    "
    fit = max((WIDTH + len(gap)) // (width + len(gap)), 1)
    blocks = min(fit, max(ceil(len(rows) / ROWS_IN_ONE_BLOCK), 1))
    deep = ceil(len(rows) / blocks)
    columns = [[heading, *rows[i * deep : (i + 1) * deep]] for i in range(blocks)]
    lines = []
    for i in range(deep + 1):
        cells = [column[i].ljust(width) if i < len(column) else "" for column in columns]
        lines.append(gap.join(cells).rstrip())
    return lines


def _heading(units: Units) -> str:
    if units.inches:
        return f"{'z, in':>8}  {'diameter':>8}  {'decimal':>7}  {'±':>5}"
    return f"{'z, mm':>6}  {'diameter':>8}  {'±':>5}"


def _rows(profile: Profile, shown: NDArray[np.bool_], units: Units) -> list[str]:
    rows = []
    table = np.column_stack([profile.z_mm, profile.diameter_mm, profile.u95_mm])[shown]
    for z, d, u in table.tolist():
        if units.inches:
            cells = f"{units.place(z):>8}  {units.number(d):>8}  {units.fine(d):>7}"
            rows.append(f"{cells}  {units.spread(u):>5}")
        else:
            rows.append(f"{units.place(z):>6}  {units.number(d):>8}  {units.spread(u):>5}")
    return rows
