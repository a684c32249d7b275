"""What `measure sheet` says on the screen, and hands to other programs."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from measure.features import OUTLINE
from measure.sheet import Sheet
from measure.sheetframe import fair_words, shaft_words
from measure.units import Units

__all__ = ["sheet_data", "sheet_text"]


def sheet_text(sheet: Sheet, units: Units, files: list[Path]) -> str:
    """Return the lines for the screen."""
    u = units.name
    long = f"{units.number(sheet.length_mm)} {u}"
    if sheet.length_u95_mm is not None:
        long = units.with_spread(sheet.length_mm, sheet.length_u95_mm)
    lines = [
        f"{sheet.name}: {long} long, "
        f"largest Ø {units.number(sheet.largest_mm)} {u}, {len(sheet.settings)} "
        f"{'setting' if len(sheet.settings) == 1 else 'settings'}."
    ]
    if sheet.taken:
        lines.append(
            f"{sheet.taken}. If it was not, all sizes are wrong: trace it again with --setup."
        )
    for blank in sheet.blanks:
        side = units.place(blank.side_mm)
        lines.append(f"Blank, {blank.part}: {side} × {side} × {units.place(blank.length_mm)} {u}.")
    if sheet.count is not None:
        of_layer = " of the thickest layer" if sheet.layers else ""
        lines.append(f"The plank gives {sheet.count}{of_layer}.")
    if sheet.blank_kg is not None:
        lines.append(f"The blank weighs about {sheet.blank_kg:.2f} kg.")
    if sheet.section is not None:
        least = [float(np.nanmin(w.nominal_mm)) for w in sheet.section.walls
                 if np.isfinite(w.nominal_mm).any()]  # fmt: skip
        if least:
            seen = " that was seen" if sheet.gaps else ""
            thinnest = units.number(max(min(least), 0.0))
            lines.append(f"Thinnest wall{seen} {thinnest} {u}. {sheet.first_drill}")
        if sheet.section.shaft_cut_mm is not None:
            lines.append(f"{shaft_words(sheet, sheet.section.shaft_cut_mm, units)}.")
    if sheet.stray is not None:
        count = sum(f.kind != OUTLINE for f in sheet.features)
        lines.append(f"{count} features. {fair_words(sheet.stray, units)}")
    lines += sheet.outline_notes
    lines += [f"Wrote {path}" for path in files]
    return "\n".join(lines)


def sheet_data(sheet: Sheet, files: list[Path]) -> dict[str, Any]:
    """Return what `--json` prints: plain lists, numbers and text."""
    section = sheet.section
    data: dict[str, Any] = {
        "kind": "sheet",
        "name": sheet.name,
        "length_mm": sheet.length_mm,
        "length_u95_mm": sheet.length_u95_mm,
        "unseen_mm": sheet.unseen_mm,
        "max_diameter_mm": sheet.largest_mm,
        "volume_mm3": sheet.volume_mm3,
        "features": [asdict(f) for f in sheet.features],
        "settings": [asdict(s) for s in sheet.settings],
        "blanks": [asdict(b) for b in sheet.blanks],
        "layers": [asdict(layer) for layer in sheet.layers],
        "plank_count": sheet.count,
        "blank_kg": sheet.blank_kg,
        "piece_kg": sheet.piece_kg,
        "speeds_rpm": asdict(sheet.speeds),
        "outline_notes": list(sheet.outline_notes),
        "gaps": [asdict(g) for g in sheet.gaps],
        "fair": None if sheet.stray is None else asdict(sheet.stray),
        "bores": [],
        "thin": [],
        "shaft_cut_mm": None if section is None else section.shaft_cut_mm,
        "files": [str(path) for path in files],
        "warnings": [asdict(n) for n in sheet.notices],
    }
    if section is not None:
        data["bores"] = [
            {"name": b.bore.name, "part": b.bore.part, "from_end": b.bore.from_end,
             "diameter_mm": b.bore.diameter_mm, "depth_mm": b.bore.depth_mm}
            for b in section.bores
        ]  # fmt: skip
        data["thin"] = [asdict(t) for t in section.thin]
    # To plain lists and numbers, as they are printed.
    plain: dict[str, Any] = json.loads(json.dumps(data))
    return plain
