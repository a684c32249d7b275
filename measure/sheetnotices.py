"""What is to be said beside a making sheet: gaps, a curve that strays, thin walls, a thin foot."""

from __future__ import annotations

import numpy as np

from calib.refusal import Notice
from measure.profile import Profile
from measure.solid import Gap
from measure.stray import OVER_MM, Stray, is_within
from measure.units import Units
from measure.wall import Section

__all__ = ["foot_notices", "gap_notices", "section_notices", "stray_notices", "unit_notices"]

THIN_FOOT = 0.6
"""A foot thinner than this share of the other end may be the top (common practice, no source)."""
THIN_MM, SLENDER = 5.0, 20.0
"""Few pieces are thinner than this and this many times longer; of 20 to 120 mm, read as inches,
all are thinner (common practice, no source)."""


def unit_notices(profile: Profile, units: Units) -> list[Notice]:
    """Ask whether the diameters alone are in inches: what is as thin as this is hardly turned."""
    thick, long = float(np.max(profile.diameter_mm)), float(np.ptp(profile.z_mm))
    if thick >= THIN_MM or long < SLENDER * thick:
        return []
    return [
        Notice(
            "thin-piece",
            f"The piece is {units.number(thick)} {units.name} thick and {units.number(long)} long.",
            "Sizes are read as millimetres: if the diameters are in inches, multiply them by 25.4.",
        )
    ]


def gap_notices(gaps: tuple[Gap, ...], length_mm: float, units: Units) -> list[Notice]:
    """Say how much was not seen."""
    if not gaps:
        return []
    unseen = sum(g.z_to_mm - g.z_from_mm for g in gaps)
    places = "one place" if len(gaps) == 1 else f"{len(gaps)} places"
    return [
        Notice(
            "profile-gap",
            f"{units.place(unseen)} of {units.place(length_mm)} {units.name} were not seen, in "
            f"{places}: left open in every drawing, without a setting.",
            "Measure these places at the piece before you turn them.",
        )
    ]


def stray_notices(s: Stray, units: Units) -> list[Notice]:
    """Say where a fair curve leaves the measurement."""
    if is_within(s):
        return []
    spread, place, u = units.spread, units.place, units.name
    return [
        Notice(
            "fair-strays",
            f"The fair curve leaves the measurement by {spread(s.mean_mm)} {u} on the diameter "
            f"over {place(OVER_MM)} {u} at {place(s.mean_z_mm)} "
            f"(known to ±{spread(s.mean_allowed_mm)}), in a single row by "
            f"{spread(s.distance_mm)} at {place(s.z_mm)} (±{spread(s.allowed_mm)}); "
            f"{100.0 * s.share_outside:.1f} % of the rows lie beyond their own ±.",
            "Compare these places on the sheet with the piece, or leave --fair out.",
        )
    ]


def foot_notices(profile: Profile, foot_at_start: bool, units: Units) -> list[Notice]:
    """Ask whether a thin end is the foot; z of the profile counts from it."""
    foot, top = float(profile.diameter_mm[0]), float(profile.diameter_mm[-1])
    if foot >= THIN_FOOT * top:
        return []
    other = "end" if foot_at_start else "start"
    return [
        Notice(
            "thin-foot",
            f"The foot is the thin end: Ø {units.number(foot)} {units.name}, at the top "
            f"{units.number(top)}.",
            f"If the piece stands on the other end, give --foot {other}.",
        )
    ]


def section_notices(section: Section, sold_mm: float | None, units: Units) -> list[Notice]:
    """Say where the wall is thin, which bores are wider than their end, whether the shaft is short.

    `sold_mm` is the length of the mechanism's shaft, None if its file does not say.
    """
    notices, u = [], units.name
    if section.thin:
        least = min(section.thin, key=lambda t: t.worst_mm)
        notices.append(
            Notice(
                "thin-wall",
                f"The wall at {units.place(least.at_mm)} {u} is {units.number(least.nominal_mm)} "
                f"and may be {units.number(least.worst_mm)}, less than "
                f"{units.number(section.min_wall_mm)} {u}.",
                "See the section on the sheet; choose a smaller bore or leave the place proud.",
            )
        )
    for placed in section.opens:
        notices.append(
            Notice(
                "bore-mouth",
                f'The bore "{placed.bore.name}" is wider than the rounded end it leaves by.',
                "Flatten that end to the bore's rim, or check the mechanism file.",
            )
        )
    cut = section.shaft_cut_mm
    if sold_mm is not None and cut is not None and cut > sold_mm:
        notices.append(
            Notice(
                "shaft-short",
                f"The shaft must be {units.number(cut)} {u} long, it is sold with "
                f"{units.number(sold_mm)}.",
                "Get a longer shaft, or make the piece shorter.",
            )
        )
    return notices
