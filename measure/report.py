"""The report of a trace: one HTML page that needs nothing beside it and prints well."""

from __future__ import annotations

from collections.abc import Sequence

from calib.sourcewords import source_words
from measure.drawprofile import profile_svg
from measure.landmarks import Landmark, landmarks
from measure.markwords import mark_name, size_words
from measure.page import drawing, fill_page, picture_source
from measure.profile import Profile, too_vague
from measure.result import CUT, TraceResult
from measure.setupwords import setup_words
from measure.stations import stations
from measure.table import PASSED
from measure.units import METRIC, Units

__all__ = ["trace_report"]


def trace_report(
    result: TraceResult,
    picture: bytes,
    every_mm: float = 5.0,
    units: Units = METRIC,
    remarks: Sequence[str] = (),
) -> str:
    """Return the report as HTML.

    Parameters
    ----------
    picture : the annotated photo, a JPEG.
    every_mm : spacing of the table's rows.
    units : how the numbers are written.
    remarks : sentences for the top of the page, such as how oval the piece is.
    """
    return fill_page(
        "trace.html",
        remarks=list(remarks),
        title=f"{result.photo_name}: measured",
        photo=result.photo_name,
        setup=setup_words(result.setup, result.target_is_board),
        sources=source_words(result.scale_from, result.lens_from),
        notices=result.notices,
        headline=_headline(result, units),
        picture=picture_source(picture),
        profile=drawing(profile_svg(result, units)),
        unit=units.name,
        unit_word=units.word,
        inches=units.inches,
        left_out=[(units.span(p.z_from_mm, p.z_to_mm), p.reason) for p in result.left_out],
        marks=[_mark(result.profile, mark, units) for mark in landmarks(result.profile)],
        every=units.place(units.step(every_mm)),
        rows=_rows(stations(result.profile, units.step(every_mm)), units),
        target="board" if result.target_is_board else "card",
        tilt=f"{result.tilt_deg:.0f}",
        px_per_mm=f"{result.px_per_mm:.1f}",
        known=[f"{units.number(d)} {units.name} at {units.place(z)}" for z, d in result.known],
    )


def _headline(result: TraceResult, units: Units) -> list[tuple[str, str, str]]:
    """Return (name, value, place) of the numbers on top."""
    if result.length_mm is not None and result.length_u95_mm is not None:
        length = units.with_spread(result.length_mm, result.length_u95_mm)
    else:
        cut = "z = 0 is a cut" if result.z_zero == CUT else "the far end is cut off"
        length = f"not known, {cut}"
    rows = [("Length", length, "")]
    for name, row in (("Largest seen", result.largest()), ("Smallest seen", result.smallest())):
        size = units.with_spread(row.diameter_mm, row.u95_mm)
        rows.append((name, size, f"{units.place(row.z_mm)} {units.name}"))
    if result.smaller_passed():
        name, size, place = rows[-1]
        rows[-1] = (name, size, place + PASSED)
    return rows


def _mark(profile: Profile, mark: Landmark, units: Units) -> dict[str, str]:
    size = _row(mark.z_mm, mark.diameter_mm, mark.u95_mm, units)
    for key, write in (("diameter", units.number), ("decimal", units.fine)):
        size[key] = size_words(profile, mark, write)
    return {"what": mark_name(mark), **size}


def _rows(profile: Profile, units: Units) -> list[dict[str, str | bool]]:
    rows = []
    profile = profile.at_its_z()
    table = (profile.z_mm, profile.diameter_mm, profile.u95_mm, profile.u95_common_mm)
    vague = too_vague(profile.diameter_mm, profile.u95_mm)
    for z, d, u, common, unsure in zip(*table, vague, strict=True):
        rows.append({**_row(z, d, u, units), "common": units.spread(common), "vague": unsure})
    return rows


def _row(z_mm: float, diameter_mm: float, u95_mm: float, units: Units) -> dict[str, str]:
    return {
        "place": units.place(float(z_mm)),
        "diameter": units.number(float(diameter_mm)),
        "decimal": units.fine(float(diameter_mm)),
        "spread": units.spread(float(u95_mm)),
    }
