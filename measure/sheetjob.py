"""Run `measure sheet`: read piece and mechanism, work the sheet out, write what was asked for."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.ending import Outcome
from calib.folders import write_files_whole
from calib.refusal import BadFileError, Notice
from measure.blank import Allowances, parse_layers, parse_plank
from measure.inches import MM_PER_INCH
from measure.measured import Measured, read_measured
from measure.mechanism import Mechanism, read_mechanism
from measure.onelines import one_line
from measure.outlines import dxf_text, profile_rows_csv, stl_bytes, svg_text
from measure.pdfpen import missing_letters
from measure.planfile import read_plan
from measure.planunits import ask_for_units
from measure.profilefile import INCH_DIAMETER, INCH_LENGTH
from measure.setupwords import SETUP_WORDS, setup_words
from measure.sheet import DRAWING_TOLERANCE_MM, SheetRequest, make_sheet
from measure.sheetpdf import sheet_pdf
from measure.sheettext import sheet_data, sheet_text
from measure.solid import profile_of_plan
from measure.template import paper
from measure.units import Units, units_for
from measure.woods import density_kg_m3

__all__ = ["SheetAsked", "run_sheet"]

FloatArray = NDArray[np.float64]

TOOL = "cutter"
ALL_SIZES = ("rest-unsure", "start-hidden", "goes-on", "sides-differ")
"""What a trace warned of that bears on all sizes or places of a sheet."""
LEAST_MIXED_MM, SAME_RATIO = 0.3, 0.01
"""A jump of the diameter by 25.4 times, so near, is a change of units; tips under 0.3 mm apart."""


@dataclass(frozen=True, slots=True)
class SheetAsked:
    """What stood on the command line; None where the turner said nothing."""

    piece: Path
    out: Path | None = None
    mechanism: Path | None = None
    split: float | None = None
    foot: str = "start"
    fair: bool = False
    name: str | None = None
    paper: str = "a4"
    min_wall: float = 5.0
    neck_clearance: float = 0.4
    allow_diameter: float = 10.0
    allow_length: float = 70.0
    layers: str | None = None
    plank: str | None = None
    wood: str | None = None
    plan_units: str | None = None
    dxf: Path | None = None
    svg: Path | None = None
    csv: Path | None = None
    stl: Path | None = None
    inches: bool = False


def run_sheet(asked: SheetAsked) -> Outcome:
    """Read, work out, write.

    Raises
    ------
    BadFileError, RefusalError
        As the steps say; nothing is written then.
    """
    on = paper(asked.paper)
    asked = _with_endings(asked)
    mechanism = None if asked.mechanism is None else read_mechanism(asked.mechanism)
    sheet = make_sheet(_request(asked, mechanism))
    units = units_for(asked.inches)
    files = {_out(asked): sheet_pdf(sheet, on, units)}
    bores = sheet.section.bores if sheet.section is not None else ()
    chains = list(sheet.chains)
    if asked.dxf is not None:
        note = f"mm, 1:1, lines and arcs within {DRAWING_TOLERANCE_MM:g} mm of the outline"
        files[asked.dxf] = dxf_text(chains, sheet.name, bores, note).encode("utf-8")
    if asked.svg is not None:
        files[asked.svg] = svg_text(chains, sheet.name, bores).encode("utf-8")
    if asked.csv is not None:
        files[asked.csv] = profile_rows_csv(sheet.profile)
    if asked.stl is not None and sheet.gaps:
        # The other results do not need what is missing, so they are not held back for it.
        sheet = replace(sheet, notices=(*sheet.notices, _no_solid(asked.stl)))
    elif asked.stl is not None:
        files[asked.stl] = stl_bytes(sheet.profile)
    if any(path.exists() and path.samefile(asked.piece) for path in files):
        raise BadFileError("same-file", "A result would overwrite the piece it is made from.",
                           "Give it another name with --out.")  # fmt: skip
    write_files_whole(files)
    return Outcome(
        sheet_text(sheet, units, list(files)), sheet_data(sheet, list(files)), sheet.notices
    )


def _no_solid(path: Path) -> Notice:
    old = " The file of that name is an older one." if path.exists() else ""
    return Notice(
        "gap-in-solid",
        f"{path.name} was not written: part of the piece was not seen, so there is no solid.{old}",
        "Fill the gaps from caliper readings in a plan, and make the solid from that.",
    )


def _request(asked: SheetAsked, mechanism: Mechanism | None) -> SheetRequest:
    _check_numbers(asked)
    piece, traced, notes = _read_piece(asked)
    _check_units(piece.profile.z_mm, piece.profile.diameter_mm, asked.piece.name)
    allow, units = _allowances(asked), units_for(asked.inches)
    return SheetRequest(
        name=one_line(asked.name or "") or one_line(piece.name),
        profile=piece.profile,
        length_mm=piece.length_mm,
        length_u95_mm=piece.length_u95_mm,
        traced=traced,
        taken=_taken(piece) if traced else "",
        foot_at_start=asked.foot == "start",
        fair=asked.fair,
        mechanism=mechanism,
        split_mm=asked.split,
        min_wall_mm=asked.min_wall,
        neck_clearance_mm=asked.neck_clearance,
        allow=allow,
        layers=parse_layers(asked.layers, allow) if asked.layers is not None else (),
        plank=parse_plank(asked.plank) if asked.plank is not None else None,
        density_kg_m3=density_kg_m3(asked.wood) if asked.wood is not None else None,
        wood=(asked.wood or "").strip(),
        notices=(*_trace_notices(piece, units), *_letter_notices(asked, piece.name, mechanism)),
        outline_notes=notes,
        units=units,
    )


def _letter_notices(
    asked: SheetAsked, name: str, mechanism: Mechanism | None
) -> tuple[Notice, ...]:
    """Say which letters the PDF's fonts do not have."""
    words = [one_line(asked.name or "") or one_line(name), asked.layers or "", asked.wood or ""]
    if mechanism is not None:
        words += [mechanism.name, mechanism.shaft_fixed_by, *(b.name for b in mechanism.bores)]
    missing = missing_letters("".join(words))
    if not missing:
        return ()
    return (
        Notice(
            "letters-missing",
            f"The PDF has no letters for {missing[:20]}: it shows a question mark in their place.",
            "Write the names in other letters, such as with --name.",
        ),
    )


def _with_endings(asked: SheetAsked) -> SheetAsked:
    """Return what was asked, its files named as their kinds are: no viewer opens others."""
    return replace(
        asked,
        out=_ended("--out", asked.out, ".pdf"),
        dxf=_ended("--dxf", asked.dxf, ".dxf"),
        svg=_ended("--svg", asked.svg, ".svg"),
        csv=_ended("--csv", asked.csv, ".csv"),
        stl=_ended("--stl", asked.stl, ".stl"),
    )


def _ended(option: str, path: Path | None, kind: str) -> Path | None:
    """Return a name with the ending of its kind; refuse one that says another kind."""
    if path is None or path.suffix.lower() == kind or path.is_dir():
        return path
    if path.suffix:
        raise BadFileError(
            "option-value",
            f"{option} writes {kind[1:].upper()}, not a {path.suffix} file.",
            f"Say {option} {path.with_suffix(kind)}.",
        )
    return path.with_name(path.name + kind) if path.name else path


def _check_numbers(asked: SheetAsked) -> None:
    for option, value, most in (
        ("--min-wall", asked.min_wall, 100.0),
        ("--neck-clearance", asked.neck_clearance, 5.0),
        ("--allow-diameter", asked.allow_diameter, 500.0),
        ("--allow-length", asked.allow_length, 2000.0),
    ):
        if not (math.isfinite(value) and 0.0 <= value <= most):
            raise BadFileError("option-value", f"{option} {value:g} makes no sense.",
                               f"Give between 0 and {most:g} mm.")  # fmt: skip
    if asked.foot not in ("start", "end"):
        raise BadFileError("option-value", f'--foot "{asked.foot[:20]}" is not known.',
                           "Say start (where z = 0) or end.")  # fmt: skip


def _check_units(z_mm: FloatArray, diameter_mm: FloatArray, name: str) -> None:
    d = np.maximum(diameter_mm, LEAST_MIXED_MM)
    ratio = np.maximum(d[1:] / d[:-1], d[:-1] / d[1:])
    jumps = np.flatnonzero(np.abs(ratio / MM_PER_INCH - 1.0) < SAME_RATIO)
    if len(jumps):
        z = float(z_mm[jumps[0]])
        raise BadFileError(
            "profile-inches",
            f"{name} seems to mix inches and millimetres: at {z:g} mm the diameter jumps by 25.4 "
            "times.",
            "Put all its rows in one unit.",
        )


def _allowances(asked: SheetAsked) -> Allowances:
    usual = Allowances()
    parting = min(usual.parting_mm, asked.allow_length)
    squaring = min(usual.squaring_mm, asked.allow_length - parting)
    return replace(
        usual,
        diameter_mm=asked.allow_diameter,
        parting_mm=parting,
        squaring_mm=squaring,
        chucking_mm=asked.allow_length - parting - squaring,
    )


def _read_piece(asked: SheetAsked) -> tuple[Measured, bool, tuple[str, ...]]:
    """Return the piece, whether it is a trace, and what to say of how either was read."""
    plan = read_plan(asked.piece, asked.plan_units, use="measure sheet")
    traced = plan.source == "trace"
    if traced and asked.piece.suffix.lower() != ".toml":
        piece = read_measured(asked.piece)
        if piece.kind == TOOL:
            raise BadFileError(
                "no-profile",
                f"{asked.piece.name} is a tool's: no sheet makes one.",
                "Give the folder of a trace, its profile.csv, or a drawing.",
            )
        return piece, True, tuple(words for code, words in piece.warned if code in ALL_SIZES)
    long, thick = float(np.ptp(plan.z_mm)), float(plan.diameter_mm.max())
    if asked.plan_units is None and long < INCH_LENGTH and thick < INCH_DIAMETER:
        what = f"is {long:g} long and {thick:g} thick, which looks like inches"
        raise ask_for_units(asked.piece.name, what)
    # Rows of a drawing stand at its corners: on the grid a jump between them is a slope.
    _check_units(plan.z_mm, plan.diameter_mm, asked.piece.name)
    piece = Measured(
        plan.name,
        profile_of_plan(plan),
        None if plan.whole_mm is None else plan.whole_mm[1],
        plan.length_u95_mm or None,
        plan.start_cut,
        plan.end_cut,
    )
    return piece, traced, plan.notes


def _taken(piece: Measured) -> str:
    """Return how a traced piece was taken to lie, in the turner's words; empty if not known."""
    if piece.setup not in SETUP_WORDS:
        return ""
    return f"Traced as: {setup_words(piece.setup, 'board' in piece.scale_from.lower())}"


def _trace_notices(measured: Measured, units: Units) -> tuple[Notice, ...]:
    ends = [n for n, cut in (("start", measured.start_cut), ("far end", measured.end_cut)) if cut]
    notices = []
    if ends:
        notices.append(
            Notice(
                "end-cut",
                f"The photo cut the piece at the {' and the '.join(ends)}: the sheet's length is "
                "not the piece's.",
                "Trace a photo of the whole piece, or measure the rest with calipers.",
            )
        )
    elif measured.far_mm - float(measured.profile.z_mm[-1]) > 0.5:
        notices.append(
            Notice(
                "end-unseen",
                f"The piece is {units.number(measured.far_mm)} {units.name} long, its outline is "
                f"known only to {units.number(float(measured.profile.z_mm[-1]))} {units.name}.",
                "Measure the far end with calipers.",
            )
        )
    return tuple(notices)


def _out(asked: SheetAsked) -> Path:
    if asked.out is not None:
        return asked.out
    if asked.piece.is_dir():
        return asked.piece / "sheet.pdf"
    return asked.piece.with_name(f"{asked.piece.stem}-sheet.pdf")
