"""What is said of an end face: on the terminal, in the report and on the picture."""

from __future__ import annotations

from typing import Any

from calib.sourcewords import source_words
from measure.face import GIVEN, FaceCircle
from measure.hole import HoleResult
from measure.resultfile import notice_list, rounded
from measure.units import METRIC, Units

__all__ = ["CARD_WORDS", "circle_words", "hole_data", "hole_text"]

CARD_WORDS = {
    "coplanar": "card level with the face",
    "on-face": "card on the face",
    "at-foot": "card at the foot",
}


def hole_text(result: HoleResult, units: Units = METRIC) -> str:
    """Return what goes to the terminal."""
    lines = [
        f"{result.photo_name}: {CARD_WORDS[result.card]}; "
        f"{source_words(result.scale_from, result.lens_from)}",
        "",
    ]
    rows = [("circle", "diameter", "depth", "off centre")]
    rows += [circle_words(circle, units) for circle in result.circles]
    widths = [max(len(row[k]) for row in rows) for k in range(4)]
    lines += [
        "  ".join(word.ljust(width) for word, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]
    return "\n".join(lines)


def circle_words(circle: FaceCircle, units: Units) -> tuple[str, str, str, str]:
    """Return name, diameter, depth and how far off centre, in words."""
    diameter = "not told"
    if circle.diameter_mm is not None and circle.u95_mm is not None:
        diameter = units.with_spread(circle.diameter_mm, circle.u95_mm)
    depth = circle.where
    if circle.where == GIVEN and circle.depth_mm is not None:
        depth = f"{units.place(circle.depth_mm)} {units.name} (given)"
    elif circle.diameter_mm is None and circle.implied_depth_mm is not None:
        way = "deep" if circle.implied_depth_mm > 0.0 else "nearer"
        depth = f"looks {units.place(abs(circle.implied_depth_mm))} {units.name} {way}"
    off = ""
    if circle.off_centre_mm is not None and circle.off_centre_u95_mm is not None:
        u95 = circle.off_centre_u95_mm
        off = (
            f"{units.fine(circle.off_centre_mm)} ±{units.spread(u95)} {units.name}"
            if circle.off_centre_mm > u95
            else f"less than {units.spread(circle.off_centre_mm + u95)} {units.name}"
        )
    return circle.name, diameter, depth, off


def hole_data(result: HoleResult) -> dict[str, Any]:
    """Return what result.json and `--json` say."""
    known = [c.diameter_mm for c in result.circles if c.diameter_mm is not None]
    return {
        "kind": "hole",
        "photo": result.photo_name,
        "setup": "end",
        "card": result.card,
        "scale_from": result.scale_from,
        "lens_from": result.lens_from,
        "z_zero": "end",
        "length_mm": None,
        "length_u95_mm": None,
        "max_diameter_mm": rounded(max(known)) if known else None,
        "plane_mm": rounded(result.plane.height_mm),
        "plane_sd_mm": rounded(result.plane.sd_mm),
        "phone_mm": rounded(result.phone_mm, 1),
        "tilt_deg": rounded(result.tilt_deg, 2),
        "px_per_mm": rounded(result.px_per_mm, 3),
        "circles": [_circle(circle) for circle in result.circles],
        "warnings": notice_list(result.notices),
    }


def _circle(circle: FaceCircle) -> dict[str, Any]:
    return {
        "name": circle.name,
        "where": circle.where,
        "diameter_mm": rounded(circle.diameter_mm),
        "u95_mm": rounded(circle.u95_mm),
        "u95_common_mm": rounded(circle.u95_common_mm),
        "centre_mm": [rounded(float(v)) for v in circle.centre_mm],
        "depth_mm": rounded(circle.depth_mm),
        "off_centre_mm": rounded(circle.off_centre_mm),
        "off_centre_u95_mm": rounded(circle.off_centre_u95_mm),
        "implied_depth_mm": rounded(circle.implied_depth_mm),
        "implied_depth_u95_mm": rounded(circle.implied_u95_mm),
        "arc_deg": rounded(circle.arc_deg, 0),
    }
