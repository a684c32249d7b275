"""The report of a check: one HTML page that needs nothing beside it and prints well."""

from __future__ import annotations

import numpy as np

from measure.check import CheckResult
from measure.checkstrip import check_strip, numbered
from measure.checkwords import APART_MM, Words, check_words
from measure.judge import OUTSIDE, UNSURE, WITHIN
from measure.page import drawing, fill_page, picture_source
from measure.pair import Likeness
from measure.pairwords import pair_lines
from measure.sketch import sketch_svg
from measure.units import METRIC, Units

__all__ = ["check_report", "station_rows"]

_VERDICT_WORDS = {WITHIN: "within", OUTSIDE: "OUTSIDE", UNSURE: "too close to call"}
_ALIKE_WORDS = {WITHIN: "alike", OUTSIDE: "DIFFERS", UNSURE: "too close to call"}


def check_report(
    result: CheckResult,
    picture: bytes | None,
    every_mm: float = 5.0,
    units: Units = METRIC,
    extra_files: tuple[str, ...] = (),
) -> str:
    """Return the report as HTML.

    Parameters
    ----------
    picture : the photo with the places marked, a JPEG; None when a profile was checked.
    every_mm : spacing of the table's rows along the plan.
    units : how the numbers are written.
    extra_files : files beside the report, to be named in it.
    """
    words = check_words(result, units, brief=False)
    strip = check_strip(result, units)
    return fill_page(
        "check.html",
        title=f"{result.piece.name}: checked",
        piece=result.piece.name,
        plan=result.plan.name,
        words=words,
        notices=result.notices,
        strip=drawing(sketch_svg(strip, "Deviations along the piece, to scale")),
        picture=None if picture is None else picture_source(picture),
        places=_listed(result, words),
        unit=units.name,
        every=units.place(units.step(every_mm)),
        flipped=result.placement.flipped or abs(result.placement.offset_mm) >= APART_MM,
        rows=station_rows(result, units.step(every_mm), units),
        plan_notes=result.plan.notes,
        pair=_pair(result, units),
        files=extra_files,
        tolerance=words.laid,
    )


def _listed(result: CheckResult, words: Words) -> list[tuple[str, str]]:
    """Return every place to look at, those in the drawing and on the photo with their number."""
    count = len(numbered(result))
    return [(str(k) if k <= count else "", line) for k, line in enumerate(words.places, 1)]


def station_rows(result: CheckResult, every_mm: float, units: Units) -> list[dict[str, str]]:
    """Return the rows nearest to the stations, with what to take off, as text."""
    rows = result.rows
    wanted = np.arange(result.plan.start_mm, result.plan.end_mm + 1e-9, every_mm)
    found: list[dict[str, str]] = []
    for z in wanted:
        i = int(np.argmin(np.abs(rows.z_mm - z)))
        if abs(float(rows.z_mm[i]) - z) > 0.3:
            continue
        deviation, u95 = float(rows.deviation_mm[i]), float(rows.u95_mm[i])
        size = units.fine(abs(deviation)) if units.inches else f"{abs(deviation):.2f}"
        found.append(
            {
                "z": units.place(float(z)),
                "piece_z": units.place(float(rows.piece_z_mm[i])),
                "plan": units.number(float(rows.plan_diameter_mm[i])),
                "now": units.number(float(rows.diameter_mm[i])),
                "size": f"{size} {'proud' if deviation > 0.0 else 'shy'}",
                "spread": units.spread(u95),
                "steep": "square to the curve" if rows.normal[i] else "",
                "verdict": _VERDICT_WORDS[str(rows.verdict[i])],
            }
        )
    return found


def _pair(result: CheckResult, units: Units) -> dict[str, object] | None:
    pair = result.pair
    if pair is None:
        return None
    return {
        "verdict": {WITHIN: "They look alike.", UNSURE: "Too close to call.",
                    OUTSIDE: "They do not look alike."}[pair.verdict],
        "whole": [_likeness("whole piece", "", item, units) for item in pair.whole],
        "features": [
            _likeness(twin.name, units.place(twin.z_mm), item, units)
            for twin in pair.twins
            for item in twin.likenesses
        ],
        "lone": pair_lines(pair, units),
        "first": result.plan.name,
        "second": result.piece.name,
    }  # fmt: skip


def _likeness(name: str, place: str, item: Likeness, units: Units) -> dict[str, str]:
    return {
        "name": name,
        "place": place,
        "what": item.what,
        "first": units.number(item.first_mm),
        "second": units.number(item.second_mm),
        "difference": units.fine(item.difference_mm),
        "spread": units.spread(item.u95_mm),
        "verdict": _ALIKE_WORDS[item.verdict],
    }
