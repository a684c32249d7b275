"""Reading a plan from whatever file holds it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from calib.headers import picture_kind
from calib.nearby import RESULTS, missing_file_advice
from calib.refusal import BadFileError
from measure.measured import Measured, read_measured
from measure.plan import Plan
from measure.planmaking import checked_plan, plan_of_profile
from measure.planunits import mm_per_unit

__all__ = ["plan_of_piece", "read_plan"]

_HEAD_BYTES = 64
_KINDS = "CSV, DXF, SVG, TOML, or an earlier trace (its folder, profile.csv or result.json)"


def read_plan(
    path: Path,
    units: str | None = None,
    *,
    layer: str | None = None,
    axis: str | None = None,
    use: str = "--plan",
) -> Plan:
    """Read a plan.

    Parameters
    ----------
    path : CSV table, DXF or SVG drawing, TOML plan file, or an earlier trace.
    units : "mm", "cm" or "inch" if the turner says so; wins over the file.
    layer, axis : of a drawing, see `measure.plantoml`.
    use : what to type before the plan once there is one, for the advice.

    Raises
    ------
    BadFileError
        The file is missing, of another kind, or no plan.
    """
    if not path.exists():
        raise BadFileError("no-plan", f"The plan {path} is not there.", missing_file_advice(path))
    if path.is_dir() or path.suffix.lower() == ".json" or _is_trace(path):
        if units is not None and mm_per_unit(units) != 1.0:
            raise BadFileError(
                "plan-units", f"{path.name} is a trace, in mm.", "Leave --plan-units out."
            )
        return plan_of_piece(read_measured(path))
    suffix = path.suffix.lower()
    if suffix == ".csv":
        from measure.plancsv import read_plan_csv

        return read_plan_csv(path, units)
    if suffix == ".toml":
        return _of_toml(path, units)
    if suffix in (".dxf", ".svg"):
        return _of_drawing(path, units, layer, axis)
    with path.open("rb") as file:
        if picture_kind(file.read(_HEAD_BYTES))[0] in ("jpeg", "png", "heic"):
            raise _no_plan_yet(path, use)
    raise BadFileError(
        "plan-kind", f"{path.name} is no kind of plan that is known.", f"Give {_KINDS}."
    )


def _no_plan_yet(photo: Path, use: str) -> BadFileError:
    typed, folder = (
        f'"{name}"' if " " in str(name) else str(name)
        for name in (photo, photo.with_name(f"{photo.stem}{RESULTS}"))
    )
    return BadFileError(
        "plan-kind",
        f"{photo.name} is a photo, no plan yet.",
        f"First type: measure drawing {typed} (of a piece: measure trace {typed}). "
        f"Then {use} {folder}.",
    )


def plan_of_piece(piece: Measured) -> Plan:
    """Return an earlier trace as a plan that reaches to the piece's ends, seen or not."""
    plan = plan_of_profile(piece.profile, piece.name, piece.photo)
    return replace(
        plan,
        whole_mm=(
            min(0.0, float(plan.z_mm[0])),
            max(piece.far_mm, float(plan.z_mm[-1])),
        ),
        length_u95_mm=piece.length_u95_mm or 0.0,
        start_cut=piece.start_cut,
        end_cut=piece.end_cut,
    )


def _is_trace(path: Path) -> bool:
    """Whether a CSV table is a profile, whose rows carry an uncertainty."""
    if path.suffix.lower() != ".csv":
        return False
    with path.open("rb") as file:
        return b"u95_mm" in file.readline(1000)


def _of_toml(path: Path, units: str | None) -> Plan:
    from measure.plantoml import read_plan_toml

    said = read_plan_toml(path)
    if said.rows is not None:
        factor = mm_per_unit(units or said.units or "mm")
        plan = checked_plan(
            said.name, said.rows[:, 0] * factor, said.rows[:, 1] * factor, units=units
        )
        plan = replace(plan, source="TOML")
    elif said.profile is not None and said.profile.suffix.lower() == ".toml":
        raise BadFileError(
            "plan-file", f"{path.name} names another plan file.", "Name the outline itself."
        )
    else:
        assert said.profile is not None  # read_plan_toml wants one of the two
        plan = read_plan(said.profile, units or said.units, layer=said.layer, axis=said.axis)
    return replace(plan, name=said.name, general=said.tolerance, zones=said.zones, datum=said.datum)


def _of_drawing(path: Path, units: str | None, layer: str | None, axis: str | None) -> Plan:
    from measure.planoutline import outline_rows
    from measure.planstretches import close_rows
    from measure.profile import LONGEST_BRIDGE_MM

    if path.suffix.lower() == ".dxf":
        from measure.plandxf import dxf_chains as chains_of
    else:
        from measure.plansvg import svg_chains as chains_of
    outline = outline_rows(chains_of(path, units, layer), path.name, axis)
    z, d = outline.z_mm, outline.diameter_mm
    if outline.gaps_mm:
        z, d = close_rows(z, d, outline.gaps_mm)
    plan = checked_plan(path.stem, z, d, where="corner", units=units)
    if outline.gaps_mm:
        plan = replace(plan, longest_bridge_mm=LONGEST_BRIDGE_MM)
    notes: tuple[str, ...] = (f"Read as a {outline.kind} outline.",)
    if outline.asymmetry_mm > 0.05:
        notes += (f"Its two sides differ by up to {outline.asymmetry_mm:.2f} mm in radius.",)
    if outline.gaps_mm:
        notes += (f"It is left open in {len(outline.gaps_mm)} places, which are not judged.",)
    return replace(plan, source=path.suffix[1:].upper(), notes=notes)
