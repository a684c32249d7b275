"""What is asked of a trace and what it gives: the types that join the steps to the reports."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calib.refusal import Notice
from measure.landmarks import steep_rows
from measure.profile import Profile, too_vague

__all__ = ["CUT", "END", "SETUPS", "Extreme", "LeftOut", "TraceRequest", "TraceResult"]

FloatArray = NDArray[np.float64]

SETUPS = ("bench", "upright", "level", "plane")
"""How the piece and the target lie; see the README."""

END = "end"
"""z = 0 (or the far side) is a real end of the piece."""
CUT = "cut"
"""z = 0 (or the far side) is where the chuck, the frame or the box cuts the piece."""


@dataclass(frozen=True, slots=True)
class TraceRequest:
    """What the turner asks for.

    Attributes
    ----------
    setup : one of `SETUPS`.
    target : "id1", "a4", "letter", "a3", "pocket", or "WxH[xT]" in mm.
    axis_height_mm : height of the axis over the bench, for `level`; else None.
    axis_offset_mm : how far the axis lies behind the target's face, for `plane`; nearer to the
        phone than the face is negative.
    start : "left", "right", "top" or "bottom": the end that z counts from; None to choose.
    every_mm : spacing of the stations.
    box_px : (x, y, width, height) in pixels of the displayed photo; None for all of it.
    known : caliper readings as (z, diameter), mm.
    """

    setup: str = "bench"
    target: str = "id1"
    axis_height_mm: float | None = None
    axis_offset_mm: float = 0.0
    start: str | None = None
    every_mm: float = 5.0
    box_px: tuple[float, float, float, float] | None = None
    known: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A stretch of the axis that was not measured.

    Attributes
    ----------
    z_from_mm, z_to_mm : its ends, in order, mm.
    reason : short and in the turner's words, such as "hidden behind a bead" or "crank".
    """

    z_from_mm: float
    z_to_mm: float
    reason: str


@dataclass(frozen=True, slots=True)
class Extreme:
    """A row of the profile picked for its diameter, all mm."""

    z_mm: float
    diameter_mm: float
    u95_mm: float


@dataclass(frozen=True, slots=True)
class TraceResult:
    """What one photo gave. Pixels are (x, y) of the displayed photo, centres at integers.

    Attributes
    ----------
    photo_name : file name of the photo, without its folder.
    setup : one of `SETUPS`.
    scale_from : what fixed the scale, such as "ID-1 card".
    lens_from : what fixed the lens, such as "EXIF", "lens file", "assumed".
    z_zero : `END` or `CUT`; `far_end` likewise for the other side.
    length_mm, length_u95_mm : overall length and its 95 % half-width; None when a side is cut.
    profile : the diameters.
    notices : warnings, most important first.
    left_out : stretches not measured, in order along the axis.
    outline_px : (n, 2) outline points used; `outline_z_mm` : (n,) their z.
    axis_px : (2, 2) the axis in the photo, from z = 0 to the far end.
    target_px : (m, 2) polygon round the target in the photo.
    target_is_board : True for the project's own printed board, which shows nothing private;
        anything else is blurred in every picture.
    tilt_deg : angle between the line of sight and the target's normal.
    px_per_mm : scale at the middle of the axis.
    known : the caliper readings that took part, (z, diameter), mm.
    timings : seconds of each step.
    """

    photo_name: str
    setup: str
    scale_from: str
    lens_from: str
    z_zero: str
    length_mm: float | None
    length_u95_mm: float | None
    profile: Profile
    notices: tuple[Notice, ...]
    left_out: tuple[LeftOut, ...]
    outline_px: FloatArray
    outline_z_mm: FloatArray
    axis_px: FloatArray
    target_px: FloatArray
    tilt_deg: float
    px_per_mm: float
    far_end: str = END
    target_is_board: bool = False
    known: tuple[tuple[float, float], ...] = ()
    timings: Mapping[str, float] = field(default_factory=dict)
    kind: str = "trace"

    def __post_init__(self) -> None:
        """Refuse parts that do not fit together."""
        if len(self.profile.z_mm) == 0:
            raise ValueError("the profile has no rows; a trace that measured nothing must refuse")
        n = len(self.outline_z_mm)
        if self.outline_px.shape != (n, 2):
            raise ValueError(f"outline_px has shape {self.outline_px.shape}, need ({n}, 2)")
        if self.axis_px.shape != (2, 2):
            raise ValueError(f"axis_px has shape {self.axis_px.shape}, need (2, 2)")
        if (self.length_mm is None) != (self.length_u95_mm is None):
            raise ValueError("length_mm and length_u95_mm must both be given or both be None")
        if CUT in (self.z_zero, self.far_end) and self.length_mm is not None:
            raise ValueError(f"a cut piece has no length, got {self.length_mm}")

    def largest(self) -> Extreme:
        """Return the row whose diameter is the largest for sure, by the lower end of its interval.

        The rim of an end, unsure by a broken edge, is not told before the wood beside it. The
        first one if several are equal; rows too unsure to be of use are passed over.
        """
        surely = self.profile.diameter_mm - self.profile.at_its_z().u95_mm
        return self._row(int(np.argmax(np.where(self._vague, -np.inf, surely))))

    def smallest(self) -> Extreme:
        """Return the row whose diameter is the smallest for sure; the first one if several are.

        Steep places, such as the tip of a dome, are passed over unless all is steep, and so are
        rows too unsure to be of use.
        """
        passed = steep_rows(self.profile) | self._vague
        if np.all(passed):
            passed = self._vague
        surely = self.profile.diameter_mm + self.profile.at_its_z().u95_mm
        return self._row(int(np.argmin(np.where(passed, np.inf, surely))))

    def smaller_passed(self) -> bool:
        """Return whether a row shows a smaller diameter, to 0.1 mm, than the smallest told."""
        least = float(np.min(self.profile.diameter_mm))
        return round(least, 1) < round(self.smallest().diameter_mm, 1)

    def max_diameter_mm(self) -> float:
        """Return the largest diameter, mm."""
        return self.largest().diameter_mm

    def measured_mm(self) -> float:
        """Return the length of axis that the profile covers, mm, gaps not counted."""
        z = self.profile.z_mm
        return float(sum(z[piece][-1] - z[piece][0] for piece in self.profile.pieces()))

    def typical_u95_mm(self) -> float:
        """Return the median u95 over the profile, error of z included, mm."""
        return float(np.median(self.profile.at_its_z().u95_mm))

    @property
    def _vague(self) -> NDArray[np.bool_]:
        told = self.profile.at_its_z()
        return too_vague(told.diameter_mm, told.u95_mm)

    def _row(self, index: int) -> Extreme:
        p = self.profile.at_its_z()
        return Extreme(float(p.z_mm[index]), float(p.diameter_mm[index]), float(p.u95_mm[index]))
