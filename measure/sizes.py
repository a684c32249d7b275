"""A size as the turner gives it: typed, or picked from a file of an earlier measurement.

Typed: ``43.6±0.1``, ``43.6+-0.1``, ``43.6``, ``1 5/8in``. Picked: ``FILE@WHICH``, with a
results folder, result.json, profile.csv or a mechanism file, and as WHICH a place along the
axis (``@12.5``, or ``@10..20`` for the largest there), the name of a circle or bore, or
``@step2``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calib.refusal import BadFileError, Notice, RefusalError
from calib.typedinches import inches_to_mm, lengths_to_mm
from measure.mating import FitPreset, Size
from measure.mechanism import read_mechanism
from measure.profile import LONGEST_BRIDGE_MM, Profile, too_vague

__all__ = ["GivenSize", "given_size", "size_lengths", "typed_size"]

TYPED_U95_MM = 0.1
"""Taken for a size typed without ±: calipers on wood (common practice, no source)."""
LARGEST_MM = 2000.0

_NUMBER = r"(?:\d+[.,]?\d*|[.,]\d+)"
_METRIC = re.compile(rf"\s*({_NUMBER})\s*(?:mm)?\s*(?:(?:±|\+-|\+/-)\s*({_NUMBER})\s*(?:mm)?)?\s*")
_SPREAD = re.compile(r"±|\+-|\+/-")
_INCH_UNITS = ("in", '"')


@dataclass(frozen=True, slots=True)
class GivenSize:
    """A size, what was assumed of it, and the fit that it asks for itself (a mechanism's)."""

    size: Size
    notices: tuple[Notice, ...] = ()
    wants: FitPreset | None = None


def given_size(text: str) -> GivenSize:
    """Return the size that a turner typed or pointed at.

    Raises
    ------
    BadFileError
        `size-text` if it is neither a size nor FILE@WHICH; what the file's reader raises.
    RefusalError
        `size-not-there` if the file holds nothing of that name or at that place.
    OSError
        If the file cannot be opened.
    """
    file, at, which = text.rpartition("@")
    if not at:
        return typed_size(text)
    path = Path(file)
    if path.suffix.lower() == ".toml":
        return _of_mechanism(path, which)
    if path.suffix.lower() == ".csv":
        return _of_profile(path, which, None)
    return _of_result(path, which)


def size_lengths(text: str) -> str:
    """Return what of a size is lengths in the turner's words: its place, or itself without ±."""
    _, at, which = text.rpartition("@")
    if at:
        return which if _place(which) is not None else ""
    value, *spreads = _SPREAD.split(text)
    return value if not _in_inches((value, *spreads)) else ""


def typed_size(text: str) -> GivenSize:
    """Return a typed size in mm or inches, with ± or without.

    Raises
    ------
    BadFileError
        `size-text` if it is none.
    """
    value, spread = _numbers(text)
    if value is None or not 0.0 < value <= LARGEST_MM or (spread or 0.0) >= value:
        raise BadFileError(
            "size-text",
            f'"{text}" is no size.',
            "Type it in mm as 43.6±0.1 (or 43.6+-0.1), or FILE@PLACE from a measurement.",
        )
    if spread is not None:
        return GivenSize(Size(value, spread))
    notice = Notice(
        "u95-assumed",
        f"{text.strip()} was given without ±; {TYPED_U95_MM} mm was taken.",
        "Type how well you know it, such as 43.6±0.05, if you know better.",
    )
    return GivenSize(Size(value, TYPED_U95_MM), (notice,))


def _numbers(text: str) -> tuple[float | None, float | None]:
    parts = _SPREAD.split(text)
    if _in_inches(parts):
        # Both are in the unit of either, and one of them need not say so.
        bare = [each.strip().removesuffix('"').removesuffix("in") for each in parts]
        text = "±".join(inches_to_mm(f"{each}in") for each in bare)
    found = _METRIC.fullmatch(text)
    if not found:
        return None, None
    return _float(found[1]), _float(found[2]) if found[2] else None


def _in_inches(parts: Sequence[str]) -> bool:
    return any(each.rstrip().endswith(_INCH_UNITS) for each in parts)


def _float(text: str) -> float:
    return float(text.replace(",", "."))


def _not_there(where: str, which: str, there: list[str]) -> RefusalError:
    has = ", ".join(there[:12]) if there else "nothing to pick from"
    return RefusalError(
        "size-not-there", f'{where} has no "{which}".', f"It has: {has}. Type one after the @."
    )


def _of_mechanism(path: Path, which: str) -> GivenSize:
    mechanism = read_mechanism(path)
    bores = [bore for bore in mechanism.bores if bore.name == which]
    if len(bores) != 1:
        raise _not_there(path.name, which, [bore.name for bore in mechanism.bores])
    bore = bores[0]
    # The tolerance is what the mechanism wants of the bore, not a doubt about its size.
    wants = FitPreset(
        mechanism.name, f"what the {bore.name} allows", -bore.tolerance_mm, bore.tolerance_mm
    )
    size = Size(bore.diameter_mm, 0.0, 0.0, f"{bore.name}, {mechanism.name}")
    return GivenSize(size, (), wants)


def _of_result(path: Path, which: str) -> GivenSize:
    from measure.resultfile import read_result

    file = path / "result.json" if path.is_dir() else path
    data = read_result(file)
    photo = f"{data.get('photo')} in {file.resolve().parent}"
    rows = _named_rows(data)
    if which in rows:
        row, source = rows[which], f"{which}, {data.get('photo')}"
        if "diameter_mm" in row and row["diameter_mm"] is None:
            raise RefusalError(
                "size-not-there",
                f"The diameter of {source}, was not told: its depth was not known.",
                f"Measure the face again with --depth {row.get('name') or which}:MM.",
            )
        return GivenSize(_row_size(row, source, photo, file), _bound_notices(row, which))
    profile = file.with_name("profile.csv")
    if _place(which) is not None and profile.is_file():
        return _of_profile(profile, which, photo)
    raise _not_there(file.name, which, list(rows) or ["a place along the axis, such as @12.5"])


def _named_rows(data: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Return the circles and steps of a result by the names that the turner types."""
    rows: dict[str, dict[str, Any]] = {}
    for key, label in (("circles", "circle"), ("steps", "step")):
        listed = data.get(key)
        for index, row in enumerate(listed if isinstance(listed, list) else [], start=1):
            if isinstance(row, dict):
                rows[str(row.get("name") or f"{label}{index}")] = row
                rows.setdefault(f"{label}{index}", row)
    return rows


def _row_size(row: dict[str, Any], source: str, photo: str, file: Path) -> Size:
    """Return the size of a circle, or of a step: what it sweeps, which its hole must clear."""
    try:
        swept = row.get("swept_diameter_mm") is not None
        diameter = float(row["swept_diameter_mm" if swept else "diameter_mm"])
        u95 = float(row["swept_u95_mm" if swept else "u95_mm"])
        return Size(diameter, u95, float(row.get("u95_common_mm") or 0.0), source, photo)
    except (KeyError, TypeError, ValueError):
        raise BadFileError(
            "result-damaged",
            f"{file.name} gives no diameter for {source}.",
            "Measure the photo again, or type the size.",
        ) from None


def _bound_notices(row: dict[str, Any], which: str) -> tuple[Notice, ...]:
    """Return a warning where a step was seen from one side only."""
    if not row.get("swept_is_lower_bound"):
        return ()
    return (
        Notice(
            "sweeps-more",
            f"{which} was seen from one side: it may sweep more than its photo shows.",
            "Bore scrap and measure the hole, or measure the tool turned a quarter as well.",
        ),
    )


def _place(which: str) -> tuple[float, float] | None:
    parts = lengths_to_mm(which).split("..")
    try:
        values = [_float(part) for part in parts]
    except ValueError:
        return None
    if len(values) not in (1, 2) or not all(map(math.isfinite, values)) or values[0] > values[-1]:
        return None
    return values[0], values[-1]


def _of_profile(path: Path, which: str, photo: str | None) -> GivenSize:
    from measure.profilefile import read_profile

    place = _place(which)
    if place is None:
        raise _not_there(path.name, which, ["a place along the axis, such as @12.5 or @10..20"])
    profile = read_profile(path)
    photo = photo or str(path.resolve().parent)
    if place[0] == place[1]:
        return GivenSize(_at(profile, place[0], path, photo))
    rows = np.nonzero((profile.z_mm >= place[0]) & (profile.z_mm <= place[1]))[0]
    if len(rows) == 0:
        raise _not_measured(profile, place, path)
    row = int(rows[np.argmax(profile.diameter_mm[rows])])
    size = _row(profile, row, f"largest of {which} mm, {path.parent.name}", photo)
    return GivenSize(size, _gap_notices(profile, place))


def _gap_notices(profile: Profile, place: tuple[float, float]) -> tuple[Notice, ...]:
    """Return a warning of the widest gap inside a stretch: the largest may stand in it."""
    z = profile.z_mm
    known = np.concatenate([[place[0]], z[(z >= place[0]) & (z <= place[1])], [place[1]]])
    widest = int(np.argmax(np.diff(known)))
    if known[widest + 1] - known[widest] <= LONGEST_BRIDGE_MM + 1e-9:
        return ()
    return (
        Notice(
            "size-over-gap",
            f"{known[widest]:g} to {known[widest + 1]:g} mm was left out: not seen in the photo.",
            "It may be thicker there: measure with calipers.",
        ),
    )


def _not_measured(profile: Profile, place: tuple[float, float], path: Path) -> RefusalError:
    which = f"{place[0]:g}" if place[0] == place[1] else f"{place[0]:g}..{place[1]:g}"
    z = profile.z_mm
    before, after = z[z < place[0]], z[z > place[1]]
    if len(before) and len(after):
        what = f"{before[-1]:g} to {after[0]:g} mm was left out: not seen in the photo."
        advice = "Take a place outside of that, or measure this one with calipers."
    else:
        what = f"The trace runs from {z[0]:g} to {z[-1]:g} mm."
        advice = "Take a place within."
    return RefusalError(
        "size-not-there", f"{path.parent.name} was not measured at {which} mm. {what}", advice
    )


def _at(profile: Profile, z: float, path: Path, photo: str) -> Size:
    near = np.nonzero(np.abs(profile.z_mm - z) <= LONGEST_BRIDGE_MM / 2.0 + 1e-9)[0]
    if len(near) == 0:
        raise _not_measured(profile, (z, z), path)
    row = int(near[np.argmin(np.abs(profile.z_mm[near] - z))])
    spread = float(np.ptp(profile.diameter_mm[near]))
    if spread > max(1.0, 3.0 * float(profile.u95_mm[row])):
        raise RefusalError(
            "size-on-shoulder",
            f"{z:g} mm is on a shoulder: two diameters meet there.",
            "Take a place a millimetre to one side of it.",
        )
    # Where the place counts, its error does.
    whole = profile.at_its_z()
    if too_vague(whole.diameter_mm, whole.u95_mm)[row]:
        raise RefusalError(
            "size-unsure",
            f"The diameter at {z:g} mm is known to ±{whole.u95_mm[row]:.1f} mm only.",
            "Take a place a few millimetres to one side, or measure this one with calipers.",
        )
    return _row(whole, row, f"at {z:g} mm, {path.parent.name}", photo)


def _row(profile: Profile, row: int, source: str, photo: str) -> Size:
    u95 = float(profile.u95_mm[row])
    common = min(float(profile.u95_common_mm[row]), u95)
    return Size(float(profile.diameter_mm[row]), u95, common, source, photo)
