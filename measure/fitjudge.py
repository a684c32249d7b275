"""A part and a hole held against every fit that a turner may want."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from calib.refusal import BadFileError, Notice
from measure.mating import FitPreset, Mating, Size, mate
from measure.resultfile import notice_list, rounded
from measure.sizes import GivenSize

__all__ = ["FitReport", "fit_data", "judge_fit"]

LARGEST_RATIO = 2.0
"""A part and a hole that differ by more were hardly meant for each other."""


@dataclass(frozen=True, slots=True)
class FitReport:
    """What two sizes give for each fit, in the order of the presets.

    `of_mechanism` says that the part is the bore that a mechanism needs, not a piece of wood.
    """

    part: Size
    hole: Size
    fits: tuple[tuple[FitPreset, Mating], ...]
    notices: tuple[Notice, ...]
    of_mechanism: bool = False

    @property
    def mating(self) -> Mating:
        """Clearance and chance of going in, which do not depend on the fit."""
        return self.fits[0][1]


def judge_fit(part: GivenSize, hole: GivenSize, presets: Sequence[FitPreset]) -> FitReport:
    """Hold a part against a hole.

    A mechanism's file says itself how far its bore may be off, and then that is the fit.

    Raises
    ------
    BadFileError
        `two-mechanisms` if both sizes come from mechanism files.
    """
    if part.wants and hole.wants:
        raise BadFileError(
            "two-mechanisms",
            "Both sizes come from a mechanism file.",
            "Give the mechanism's bore first, and the bore that was measured second.",
        )
    if hole.wants:
        # The mechanism states the bore it needs: that bore is the part, what is there the hole.
        part, hole = hole, part
    wanted = [part.wants] if part.wants else list(presets)
    fits = tuple((preset, mate(part.size, hole.size, preset)) for preset in wanted)
    notices = [*part.notices, *hole.notices, *_oddities(part.size, hole.size)]
    return FitReport(part.size, hole.size, fits, tuple(notices), bool(part.wants))


def _oddities(part: Size, hole: Size) -> list[Notice]:
    ratio = max(part.diameter_mm, hole.diameter_mm) / min(part.diameter_mm, hole.diameter_mm)
    if ratio <= LARGEST_RATIO:
        return []
    return [
        Notice(
            "sizes-far-apart",
            f"The sizes differ by a factor of {ratio:.1f}.",
            "Check that both are diameters of parts that belong together, in the same unit.",
        )
    ]


def fit_data(report: FitReport) -> dict[str, Any]:
    """Return what `--json` and result.json say; chances from 0 to 1, lengths in mm."""
    mating = report.mating
    return {
        "kind": "fit",
        "part": _size_data(report.part),
        "hole": _size_data(report.hole),
        "clearance_mm": rounded(mating.clearance_mm),
        "u95_mm": rounded(mating.u95_mm),
        "one_photo": mating.one_photo,
        "chance_goes_in": rounded(mating.chance_goes_in),
        "fits": [_fit_row(preset, one) for preset, one in report.fits],
        "warnings": notice_list(report.notices),
    }


def _size_data(size: Size) -> dict[str, Any]:
    return {
        "diameter_mm": rounded(size.diameter_mm),
        "u95_mm": rounded(size.u95_mm),
        "u95_common_mm": rounded(size.u95_common_mm),
        "source": size.source,
    }


def _fit_row(preset: FitPreset, mating: Mating) -> dict[str, Any]:
    return {
        "name": preset.name,
        "least_mm": rounded(preset.least_mm),
        "most_mm": rounded(preset.most_mm),
        "chance_tight": rounded(mating.chance_tight),
        "chance_wanted": rounded(mating.chance_wanted),
        "chance_loose": rounded(mating.chance_loose),
        "take_off_mm": rounded(mating.take_off_mm),
        "safe_first_mm": rounded(mating.safe_first_mm),
        "too_loose_mm": rounded(mating.too_loose_mm),
    }
