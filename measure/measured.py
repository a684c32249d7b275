"""A measured piece, fresh from a photo or read back from an earlier trace."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calib.nearby import RESULTS, missing_file_advice
from calib.refusal import BadFileError
from measure.profile import Profile
from measure.profilefile import read_profile
from measure.result import CUT, TraceResult
from measure.resultfile import read_result

__all__ = ["Measured", "is_profile", "read_measured"]


@dataclass(frozen=True, slots=True)
class Measured:
    """What a check needs to know of a piece.

    Attributes
    ----------
    name : for headings: the photo's or the folder's name.
    profile : the diameters, z = 0 at the start end.
    length_mm, length_u95_mm : overall length; None when cut, or when only rows are known.
    start_cut, end_cut : whether chuck, frame or box cut the piece there.
    photo : name of the photo; empty if not known.
    setup, scale_from, lens_from : as in result.json; empty if not known.
    known_mm : places at which caliper readings were taken in.
    kind : of the result that the rows are of, such as "trace"; empty if not known.
    warned : what the trace warned of, (code, words).
    """

    name: str
    profile: Profile
    length_mm: float | None = None
    length_u95_mm: float | None = None
    start_cut: bool = False
    end_cut: bool = False
    photo: str = ""
    setup: str = ""
    scale_from: str = ""
    lens_from: str = ""
    known_mm: tuple[float, ...] = ()
    kind: str = ""
    warned: tuple[tuple[str, str], ...] = ()

    @classmethod
    def of_trace(cls, result: TraceResult) -> Measured:
        """Return what a trace gave."""
        return cls(
            name=Path(result.photo_name).stem,
            profile=result.profile,
            length_mm=result.length_mm,
            length_u95_mm=result.length_u95_mm,
            start_cut=result.z_zero == CUT,
            end_cut=result.far_end == CUT,
            photo=result.photo_name,
            setup=result.setup,
            scale_from=result.scale_from,
            lens_from=result.lens_from,
            known_mm=tuple(z for z, _ in result.known),
            kind=result.kind,
            warned=tuple((n.code, f"{n.message} {n.advice}") for n in result.notices),
        )

    @property
    def far_mm(self) -> float:
        """Z of the far end: the length if it is known, else the last row."""
        return self.length_mm if self.length_mm is not None else float(self.profile.z_mm[-1])


def is_profile(path: Path) -> bool:
    """Whether a path is an earlier trace (folder, profile.csv, result.json) and not a photo."""
    return path.is_dir() or path.suffix.lower() in (".csv", ".json")


def read_measured(path: Path) -> Measured:
    """Read profile.csv, and result.json beside it if there is one.

    Parameters
    ----------
    path : the folder of a trace, its profile.csv, or its result.json.

    Raises
    ------
    BadFileError
        A file is missing or cannot be read.
    """
    folder = path if path.is_dir() else path.parent
    rows = path if path.suffix.lower() == ".csv" else folder / "profile.csv"
    if not rows.is_file():
        raise BadFileError(
            "no-profile",
            f"{rows} is not there{_of_another_kind(folder)}.",
            missing_file_advice(folder)
            if not folder.exists()
            else "Give the folder of an earlier trace, or its profile.csv.",
        )
    profile = read_profile(rows)
    facts = _facts(path, folder, rows)
    name = folder.name.removesuffix(RESULTS) if rows.name == "profile.csv" else rows.stem
    return Measured(
        name=name or rows.stem,
        profile=profile,
        length_mm=_number(facts, "length_mm"),
        length_u95_mm=_number(facts, "length_u95_mm"),
        start_cut=facts.get("z_zero") == CUT,
        end_cut=facts.get("far_end") == CUT,
        photo=str(facts.get("photo") or ""),
        setup=str(facts.get("setup") or ""),
        scale_from=str(facts.get("scale_from") or ""),
        lens_from=str(facts.get("lens_from") or ""),
        known_mm=_known_places(facts),
        kind=str(facts.get("kind") or ""),
        warned=_warnings(facts),
    )


def _warnings(facts: dict[str, Any]) -> tuple[tuple[str, str], ...]:
    """Return what the trace warned of, (code, words), as its result.json says."""
    listed = facts.get("warnings")
    items = [
        item for item in (listed if isinstance(listed, list) else []) if isinstance(item, dict)
    ]
    return tuple((str(n.get("code")), f"{n.get('message')} {n.get('advice')}") for n in items)


def _known_places(facts: dict[str, Any]) -> tuple[float, ...]:
    """Return where the trace took caliper readings in, as its result.json says."""
    known = facts.get("known")
    items = known if isinstance(known, list) else []
    places = [item.get("z_mm") for item in items if isinstance(item, dict)]
    return tuple(float(z) for z in places if isinstance(z, int | float))


def _of_another_kind(folder: Path) -> str:
    """Return what a folder without a profile holds instead, if it is a result's."""
    beside = folder / "result.json"
    kind = str(read_result(beside).get("kind") or "") if beside.is_file() else ""
    return f": the folder is of measure {kind}" if kind else ""


def _facts(path: Path, folder: Path, rows: Path) -> dict[str, Any]:
    """Return the trace's result.json; nothing if the rows stand alone."""
    if path.suffix.lower() == ".json":
        return read_result(path)
    beside = folder / "result.json"
    return read_result(beside) if rows.name == "profile.csv" and beside.is_file() else {}


def _number(facts: dict[str, Any], key: str) -> float | None:
    value = facts.get(key)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0.0 <= value < 1e5:
        return None
    return float(value)
