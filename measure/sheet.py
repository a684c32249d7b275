"""Everything that stands on a making sheet, worked out; the pages only draw it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calib.refusal import Notice, RefusalError
from measure.advice import cautions, first_drill, making_steps
from measure.arcs import chains_of
from measure.blank import (
    Allowances,
    Blank,
    Layer,
    Plank,
    blank_for,
    check_layers,
    count_from,
)
from measure.chain import Chain
from measure.curvestations import with_stations
from measure.fair import FairCurve, fair_profile, to_profile
from measure.features import Feature, name_features
from measure.finefeatures import with_fine_marked
from measure.mechanism import Mechanism
from measure.profile import Profile
from measure.settings import Setting, settings_of
from measure.sheetnotices import (
    foot_notices,
    gap_notices,
    section_notices,
    stray_notices,
    unit_notices,
)
from measure.shortruns import with_short_runs
from measure.solid import Gap, gaps_of, turned_round, volume_mm3
from measure.speeds import Speeds, lathe_speeds
from measure.storystick import Mark, stick_marks
from measure.stray import Stray
from measure.units import METRIC, Units
from measure.wall import NECK_CLEARANCE_MM, Section, WoodPart, section_of, wood_parts

__all__ = ["DRAWING_TOLERANCE_MM", "Sheet", "SheetRequest", "make_sheet"]

FloatArray = NDArray[np.float64]

DRAWING_TOLERANCE_MM = 0.01
"""Lines and arcs of drawings keep this near to the rows."""
SECOND_CHUCKING_MM = 25.0
"""More length when body and cap are cut from one blank: a second spigot and a parting cut
(common practice, no source)."""


@dataclass(frozen=True, slots=True)
class SheetRequest:
    """What the sheet is asked for.

    Attributes
    ----------
    name : of the piece, as the turner calls it.
    profile : z from the end that was chosen when it was measured.
    foot_at_start : False if the foot is the far end of the profile.
    fair : draw the fitted lines and arcs in place of the rows.
    split_mm : height of the joint between body and cap above the foot.
    density_kg_m3, wood : for the weight; None for none.
    outline_notes : how a drawing was read, or what a trace warned of, a sentence or two each.
    units : for the words of the notices.
    length_mm, length_u95_mm : of the whole piece as it was traced; None where only the rows
        are known.
    traced : whether the rows were measured, not planned.
    taken : how a traced piece was taken to lie, in the turner's words; empty if not known.
    """

    name: str
    profile: Profile
    length_mm: float | None = None
    length_u95_mm: float | None = None
    traced: bool = False
    taken: str = ""
    foot_at_start: bool = True
    fair: bool = False
    mechanism: Mechanism | None = None
    split_mm: float | None = None
    min_wall_mm: float = 5.0
    neck_clearance_mm: float = NECK_CLEARANCE_MM
    allow: Allowances = field(default_factory=Allowances)
    layers: tuple[Layer, ...] = ()
    plank: Plank | None = None
    density_kg_m3: float | None = None
    wood: str = ""
    notices: tuple[Notice, ...] = ()
    outline_notes: tuple[str, ...] = ()
    units: Units = METRIC


@dataclass(frozen=True, slots=True)
class Sheet:
    """What the sheet says; z and heights in mm above the foot.

    Attributes
    ----------
    profile : as drawn.
    chains : lines and arcs of the drawing, one for each gapless stretch.
    length_mm, length_u95_mm : overall length; its half-width is None where it is not known.
    traced : whether the rows were measured, not planned.
    taken : how a traced piece was taken to lie; empty if not known.
    features : in order along z; a run too short between gaps is one outline.
    gaps : what was not seen, at the ends too.
    stray : how far the fair curve is from the rows, None unless asked for.
    blanks : one for each part, and both in one length where there are two.
    count : how many of the last blank, or of its thickest layer, the plank gives; None without
        a plank.
    blank_kg, piece_kg : weights, None without a density; the piece as bored, None with gaps.
    volume_mm3 : of the outside; None with gaps.
    """

    name: str
    profile: Profile
    length_mm: float
    length_u95_mm: float | None
    traced: bool
    taken: str
    chains: tuple[Chain, ...]
    features: tuple[Feature, ...]
    settings: tuple[Setting, ...]
    marks: tuple[Mark, ...]
    gaps: tuple[Gap, ...]
    stray: Stray | None
    parts: tuple[WoodPart, ...]
    section: Section | None
    mechanism: Mechanism | None
    blanks: tuple[Blank, ...]
    layers: tuple[Layer, ...]
    plank: Plank | None
    count: int | None
    wood: str
    density_kg_m3: float | None
    blank_kg: float | None
    piece_kg: float | None
    volume_mm3: float | None
    speeds: Speeds
    steps: tuple[str, ...]
    cautions: tuple[str, ...]
    first_drill: str
    allow: Allowances
    outline_notes: tuple[str, ...]
    notices: tuple[Notice, ...]

    @property
    def unseen_mm(self) -> float:
        """How much of the length was not seen."""
        return sum(gap.z_to_mm - gap.z_from_mm for gap in self.gaps)

    @property
    def is_seen_to_the_ends(self) -> bool:
        """Whether the rows reach both ends."""
        ends = [z for gap in self.gaps for z in (gap.z_from_mm, gap.z_to_mm)]
        return 0.0 not in ends and self.length_mm not in ends

    @property
    def largest_mm(self) -> float:
        """Largest diameter that was seen."""
        return float(np.max(self.profile.diameter_mm))


def make_sheet(request: SheetRequest) -> Sheet:
    """Work out the sheet.

    Raises
    ------
    RefusalError
        The profile is no piece (`profile-point`), a bore breaks out, the plank is too small,
        the layers too thin.
    """
    # Rows may reach a little beyond a length that is not known to the millimetre.
    length = max(request.length_mm or 0.0, float(request.profile.z_mm[-1]))
    measured = request.profile
    if not request.foot_at_start:
        measured = turned_round(measured, length)
    if not any(measured.z_mm[p][-1] - measured.z_mm[p][0] >= 1.0 for p in measured.pieces()):
        raise RefusalError(
            "profile-point",
            "The profile has no stretch of 1 mm or more, so there is nothing to draw.",
            "Give the profile.csv of a trace, or a plan of the whole piece.",
        )
    curve = fair_profile(measured)
    ends = (0.0, length)
    features = with_short_runs(name_features(curve, measured, ends), curve, measured)
    if request.traced:  # what a plan says of a narrow groove is so
        features = with_fine_marked(features, measured)
    profile = to_profile(curve, measured) if request.fair else measured
    settings = with_stations(settings_of(features), features, curve, measured)
    parts = wood_parts(length, request.mechanism, request.split_mm, request.neck_clearance_mm)
    section = None
    if request.mechanism is not None:
        section = section_of(profile, request.mechanism, parts, request.min_wall_mm)
    blanks = _blanks(profile, parts, request.allow)
    gaps = gaps_of(profile, ends)
    volume = None if gaps else volume_mm3(profile.z_mm, profile.diameter_mm)
    if request.layers:
        check_layers(request.layers, max(b.side_mm for b in blanks))
    chosen = blanks[-1]
    count = None
    if request.plank is not None:
        count = count_from(
            request.plank,
            chosen.side_mm,
            chosen.length_mm,
            request.allow.kerf_mm,
            request.layers,
        )
    speeds = lathe_speeds(float(np.max(profile.diameter_mm)), chosen.side_mm)
    density = request.density_kg_m3
    left = None if volume is None else volume - _bored_mm3(section)
    return Sheet(
        name=request.name,
        profile=profile,
        length_mm=length,
        length_u95_mm=request.length_u95_mm,
        traced=request.traced,
        taken=request.taken,
        chains=_chains(curve, profile, request.fair),
        features=features,
        settings=settings,
        marks=stick_marks(features, settings, length),
        gaps=gaps,
        stray=curve.stray if request.fair else None,
        parts=parts,
        section=section,
        mechanism=request.mechanism,
        blanks=blanks,
        layers=request.layers,
        plank=request.plank,
        count=count,
        wood=request.wood,
        density_kg_m3=density,
        blank_kg=None if density is None else _kg(density, chosen),
        piece_kg=None if density is None or left is None else density * left * 1e-9,
        volume_mm3=volume,
        speeds=speeds,
        steps=making_steps(parts, section, bool(request.layers)),
        cautions=cautions(length, _stem_mm(profile)),
        first_drill=first_drill(section, request.units),
        allow=request.allow,
        outline_notes=request.outline_notes,
        notices=(*request.notices, *_notices(request, length, gaps, section, curve, profile)),
    )


def _chains(curve: FairCurve, profile: Profile, fair: bool) -> tuple[Chain, ...]:
    if fair:
        return curve.chains
    rows = [(profile.z_mm[p], 0.5 * profile.diameter_mm[p]) for p in profile.pieces()]
    return tuple(chains_of(rows, DRAWING_TOLERANCE_MM))


def _blanks(profile: Profile, parts: tuple[WoodPart, ...], allow: Allowances) -> tuple[Blank, ...]:
    upper = profile.diameter_mm + profile.u95_mm
    if len(parts) == 1:
        whole = blank_for("piece", float(np.max(upper)), parts[0].high_mm, allow)
        return (whole,)
    blanks = []
    for part in parts:
        inside = (profile.z_mm >= part.low_mm) & (profile.z_mm <= part.high_mm)
        largest = float(np.max(upper[inside])) if inside.any() else float(np.max(upper))
        blanks.append(blank_for(part.name, largest, part.high_mm - part.low_mm, allow))
    finished = sum(b.finished_mm for b in blanks)
    side = max(b.side_mm for b in blanks)
    total = blank_for("both in one length", 0.0, finished + SECOND_CHUCKING_MM, allow)
    return (*blanks, Blank(total.part, side, total.length_mm, finished))


def _stem_mm(profile: Profile) -> float:
    """Return the thinnest diameter away from the ends, where a tip or tenon may be thin."""
    z, d = profile.z_mm, profile.diameter_mm
    inside = (z > 0.15 * z[-1]) & (z < 0.85 * z[-1])
    return float(np.min(d[inside] if inside.any() else d))


def _kg(density: float, blank: Blank) -> float:
    return density * blank.side_mm**2 * blank.length_mm * 1e-9


def _bored_mm3(section: Section | None) -> float:
    """Return the volume of the bores inside the wood, mm³, a hidden neck's wood taken off it."""
    if section is None:
        return 0.0
    total = 0.0
    for part, wall in zip(section.parts, section.walls, strict=True):
        bore = np.minimum(wall.bore_mm, np.nan_to_num(wall.outside_mm))
        total += volume_mm3(wall.height_mm, bore)
        if part.neck_mm is not None:
            total -= 0.25 * np.pi * part.neck_mm[0] ** 2 * part.neck_mm[1]
    return total


def _notices(
    request: SheetRequest,
    length: float,
    gaps: tuple[Gap, ...],
    section: Section | None,
    curve: FairCurve,
    profile: Profile,
) -> list[Notice]:
    units, mechanism = request.units, request.mechanism
    notices = gap_notices(gaps, length, units)
    notices += stray_notices(curve.stray, units) if request.fair else []
    notices += unit_notices(profile, units)
    notices += foot_notices(profile, request.foot_at_start, units)
    if section is not None and mechanism is not None:
        notices += section_notices(section, mechanism.shaft_length_mm, units)
    return notices
