"""The Plan: what a piece was meant to be, with its tolerances."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from measure.tolerances import general_tolerance

__all__ = ["STEEP", "Plan", "Zone"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

STEEP = 1.0
"""Slope |dr/dz| above which a diameter is ill defined and the normal distance is judged."""
_SLOPE_HALF_WINDOW_MM = 0.5
"""Half the chord over which a traced plan's slope is taken: its rows carry noise."""


@dataclass(frozen=True, slots=True)
class Zone:
    """A stretch of the plan with a rule of its own, mm.

    Attributes
    ----------
    name : such as "tenon"; may be empty.
    z_from_mm, z_to_mm : its ends, in order.
    proud_mm, shy_mm : its tolerance on the diameter; None where the general one holds.
    judged : False leaves the stretch out of the verdict.
    """

    name: str
    z_from_mm: float
    z_to_mm: float
    proud_mm: float | None = None
    shy_mm: float | None = None
    judged: bool = True

    def __post_init__(self) -> None:
        """Refuse ends that are not in order."""
        if not self.z_from_mm < self.z_to_mm:
            raise ValueError(f"zone from {self.z_from_mm} to {self.z_to_mm}; need from < to")


@dataclass(frozen=True, slots=True)
class Plan:
    """Planned diameters along the axis; arrays have shape (n,), mm.

    Attributes
    ----------
    name : for headings.
    z_mm, diameter_mm : corners of the planned outline, joined by straight lines; z begins at 0
        for drawn plans. Two rows at one z are a shoulder.
    u95_mm, u95_common_mm : how well the plan itself is known; 0 for a drawn one.
    proud_mm, shy_mm : tolerance of the row itself, NaN where it has none.
    longest_bridge_mm : a wider step in z is a gap that is not judged; infinite for drawn plans.
    general : class of ISO 2768-1 or (proud, shy) that holds where nothing else does; None if
        the plan does not say.
    zones : stretches with rules of their own.
    datum : "start", "end", "best" or the z of a shoulder; None if the plan does not say.
    source : where it comes from, such as "CSV", "DXF", "trace".
    photo : name of the photo that a traced plan comes from; empty otherwise.
    whole_mm : z of both ends where the rows may stop short of them, as a trace's do; None if
        the first and the last row are the ends.
    length_u95_mm : 95 % half-width of the length; 0 for a drawn plan.
    start_cut, end_cut : whether a traced plan's end there is not its own but the photo's.
    """

    name: str
    z_mm: FloatArray
    diameter_mm: FloatArray
    u95_mm: FloatArray
    u95_common_mm: FloatArray
    proud_mm: FloatArray
    shy_mm: FloatArray
    longest_bridge_mm: float = np.inf
    general: str | tuple[float, float] | None = None
    zones: tuple[Zone, ...] = ()
    datum: str | float | None = None
    source: str = "CSV"
    photo: str = ""
    notes: tuple[str, ...] = field(default_factory=tuple)
    whole_mm: tuple[float, float] | None = None
    length_u95_mm: float = 0.0
    start_cut: bool = False
    end_cut: bool = False

    def __post_init__(self) -> None:
        """Refuse arrays that do not fit together."""
        n = len(self.z_mm)
        names = ("diameter_mm", "u95_mm", "u95_common_mm", "proud_mm", "shy_mm")
        for name in names:
            if getattr(self, name).shape != (n,):
                raise ValueError(f"{name} has shape {getattr(self, name).shape}, need ({n},)")
        if n < 2 or np.any(np.diff(self.z_mm) < 0.0):
            raise ValueError("a plan needs two rows or more, in order along the axis")

    @property
    def start_mm(self) -> float:
        """Z of the start end: of the first row, unless the rows stop short of it."""
        return float(self.z_mm[0]) if self.whole_mm is None else self.whole_mm[0]

    @property
    def end_mm(self) -> float:
        """Z of the far end, likewise."""
        return float(self.z_mm[-1]) if self.whole_mm is None else self.whole_mm[1]

    @property
    def length_mm(self) -> float:
        """Planned length."""
        return self.end_mm - self.start_mm

    def segments(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return (starts, ends, slopes): (m, 2), (m, 2) as (z, r), and |dr/dz| of each, (m,).

        Segments across gaps are left out. A shoulder's slope is infinite.
        """
        points = np.column_stack([self.z_mm, self.diameter_mm / 2.0])
        dz, dr = np.diff(points, axis=0).T
        keep = (dz <= self.longest_bridge_mm + 1e-9) & ((dz > 0.0) | (dr != 0.0))
        slope = np.full(len(dz), np.inf)
        rising = dz > 0.0
        slope[rising] = np.abs(dr[rising] / dz[rising])
        if np.isfinite(self.longest_bridge_mm):
            smooth = rising & keep
            slope[smooth] = self._chord_slope(np.nonzero(smooth)[0])
        return points[:-1][keep], points[1:][keep], slope[keep]

    def _chord_slope(self, segment: NDArray[np.int64]) -> FloatArray:
        """Return |dr/dz| over a chord of 1 mm, kept inside the run between shoulders and gaps.

        A chord that reached into a gap would have no slope, and its rows no uncertainty.
        """
        step = np.diff(self.z_mm)
        breaks = np.nonzero((step <= 0.0) | (step > self.longest_bridge_mm + 1e-9))[0]
        after = np.searchsorted(breaks, segment)
        low = self.z_mm[np.concatenate([[0], breaks + 1])[after]]
        high = self.z_mm[np.concatenate([breaks, [len(self.z_mm) - 1]])[after]]
        middle = (self.z_mm[segment] + self.z_mm[segment + 1]) / 2.0
        a = np.maximum(middle - _SLOPE_HALF_WINDOW_MM, low)
        b = np.minimum(middle + _SLOPE_HALF_WINDOW_MM, high)
        radius_a = self.at(a, after_shoulder=True) / 2.0
        radius_b = self.at(b, after_shoulder=False) / 2.0
        return np.asarray(np.abs(radius_b - radius_a) / np.maximum(b - a, 1e-6))

    def at(self, z_mm: FloatArray, after_shoulder: bool = True) -> FloatArray:
        """Return the planned diameter at z, NaN outside the plan and in its gaps.

        On a shoulder the side farther from z = 0 is given, or the nearer one.
        """
        return self._row(self.diameter_mm, np.asarray(z_mm, dtype=np.float64), after_shoulder)

    def u95_at(self, z_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return (u95, its common part) of the planned diameter at z, mm."""
        z = np.asarray(z_mm, dtype=np.float64)
        return self._row(self.u95_mm, z, True), self._row(self.u95_common_mm, z, True)

    def _row(self, values: FloatArray, z: FloatArray, after: bool) -> FloatArray:
        right = np.searchsorted(self.z_mm, z, side="right" if after else "left")
        left = np.clip(right - 1, 0, len(self.z_mm) - 2)
        za, zb = self.z_mm[left], self.z_mm[left + 1]
        span = zb - za
        t = np.divide(z - za, span, out=np.ones_like(z), where=span > 0.0)
        result = values[left] * (1.0 - t) + values[left + 1] * t
        outside = (z < self.z_mm[0] - 1e-9) | (z > self.z_mm[-1] + 1e-9)
        gap = (span > self.longest_bridge_mm + 1e-9) & (z > za + 1e-9) & (z < zb - 1e-9)
        return np.asarray(np.where(outside | gap, np.nan, result))

    def tolerance_at(
        self, z_mm: FloatArray, general: str | tuple[float, float] | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Return (proud, shy) limits, mm, at z.

        What a row says wins over its zone, a zone over `general`, `general` over the plan's own
        general tolerance; without any of them class m of ISO 2768-1 holds.
        """
        z = np.asarray(z_mm, dtype=np.float64)
        rule = general if general is not None else (self.general or "m")
        if isinstance(rule, str):
            proud = general_tolerance(np.nan_to_num(self.at(z)), rule)
            shy = proud.copy()
        else:
            proud, shy = np.full(z.shape, rule[0]), np.full(z.shape, rule[1])
        for zone in self.zones:
            inside = (z >= zone.z_from_mm - 1e-9) & (z <= zone.z_to_mm + 1e-9)
            if zone.proud_mm is not None:
                proud[inside] = zone.proud_mm
            if zone.shy_mm is not None:
                shy[inside] = zone.shy_mm
        # A row's tolerance holds from the row half way to its neighbours: the nearest row.
        nearest = self._nearest_row(z)
        own_proud, own_shy = self.proud_mm[nearest], self.shy_mm[nearest]
        return (
            np.where(np.isfinite(own_proud), own_proud, proud),
            np.where(np.isfinite(own_shy), own_shy, shy),
        )

    def _nearest_row(self, z: FloatArray) -> NDArray[np.int64]:
        right = np.clip(np.searchsorted(self.z_mm, z), 1, len(self.z_mm) - 1)
        left_nearer = z - self.z_mm[right - 1] <= self.z_mm[right] - z
        return np.asarray(np.where(left_nearer, right - 1, right))

    def judged_at(self, z_mm: FloatArray) -> BoolArray:
        """Return whether each z takes part in the verdict."""
        z = np.asarray(z_mm, dtype=np.float64)
        judged = np.ones(z.shape, dtype=bool)
        for zone in self.zones:
            if not zone.judged:
                judged &= ~((z >= zone.z_from_mm - 1e-9) & (z <= zone.z_to_mm + 1e-9))
        return judged
