"""The report of a drawing: one HTML page that needs nothing beside it and prints well."""

from __future__ import annotations

from dataclasses import replace

from calib.sourcewords import source_words
from measure.drawing import Drawing
from measure.drawingpath import FULL
from measure.drawingwords import read_as, scale_words
from measure.drawprofile import profile_svg
from measure.landmarks import Landmark, landmarks
from measure.markwords import mark_name, size_words
from measure.page import drawing as let_in
from measure.page import fill_page, picture_source
from measure.profile import Profile
from measure.stations import stations
from measure.units import METRIC, Units

__all__ = ["drawing_report"]


def drawing_report(
    drawing: Drawing, picture: bytes, every_mm: float = 5.0, units: Units = METRIC
) -> str:
    """Return the report as HTML.

    Parameters
    ----------
    picture : the annotated photo, a JPEG.
    every_mm : spacing of the table's rows.
    units : how the numbers are written.
    """
    result = drawing.result
    z, off = drawing.worst_asymmetry
    return fill_page(
        "drawing.html",
        title=f"{result.photo_name}: the drawing as a plan",
        photo=result.photo_name,
        read_as=read_as(drawing),
        scale=scale_words(drawing),
        sources=source_words(result.scale_from, result.lens_from),
        notices=result.notices,
        headline=_headline(drawing, units),
        picture=picture_source(picture),
        profile=let_in(profile_svg(result, units)),
        unit=units.name,
        unit_word=units.word,
        full=drawing.profile == FULL,
        differ=f"{units.fine(abs(off))} {units.name}",
        differ_at=f"{units.place(z)} {units.name}",
        prouder="upper" if off > 0.0 else "lower",
        line=units.fine(drawing.line_mm) if drawing.line_mm else "",
        left_out=[(units.span(p.z_from_mm, p.z_to_mm), p.reason) for p in result.left_out],
        marks=[_mark(result.profile, mark, units) for mark in landmarks(result.profile)],
        every=units.place(units.step(every_mm)),
        rows=_rows(stations(result.profile, units.step(every_mm)), units),
        tilt=f"{result.tilt_deg:.0f}",
    )


def _headline(drawing: Drawing, units: Units) -> list[tuple[str, str, str]]:
    result = drawing.result
    rows = []
    if result.length_mm is not None and result.length_u95_mm is not None:
        rows.append(("Length", units.with_spread(result.length_mm, result.length_u95_mm), ""))
    for name, row in (("Largest", result.largest()), ("Smallest", result.smallest())):
        size = units.with_spread(row.diameter_mm, row.u95_mm)
        rows.append((name, size, f"{units.place(row.z_mm)} {units.name}"))
    return rows


def _mark(profile: Profile, mark: Landmark, units: Units) -> dict[str, str]:
    # A narrow hollow that is drawn is as deep as it is drawn.
    diameter = size_words(profile, replace(mark, narrow=False), units.fine)
    return {
        "what": mark_name(mark),
        "place": units.place(mark.z_mm),
        "diameter": diameter,
        "spread": units.spread(mark.u95_mm),
    }


def _rows(profile: Profile, units: Units) -> list[dict[str, str]]:
    profile = profile.at_its_z()
    columns = (profile.z_mm, profile.diameter_mm, profile.u95_mm)
    return [
        {"place": units.place(z), "diameter": units.fine(d), "spread": units.spread(u)}
        for z, d, u in (map(float, row) for row in zip(*columns, strict=True))
    ]
