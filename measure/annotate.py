"""The picture of what a trace measured, drawn on the photo."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.landmarks import SHOULDER, landmarks
from measure.overlay import CYAN, ORANGE, WHITE, YELLOW, Overlay
from measure.result import CUT, TraceResult
from measure.units import METRIC, Units

__all__ = ["Rims", "annotate"]

FloatArray = NDArray[np.float64]
ByteArray = NDArray[np.uint8]

TICKS_PER_LABEL = 8.0
"""Letters' heights between the z labels."""
LONGEST_WORDS = 44
MOST_LANDMARKS = 12


@dataclass(frozen=True, slots=True)
class Rims:
    """Where the two sides of the piece lie in the photo, by z.

    Attributes
    ----------
    start_px : (2,) the axis at z = 0.
    along, across : (2,) unit vectors in the picture, from z = 0 to the far end and square to it.
    z_mm : (n,) increasing; `axis_px` : (n,) distance along the axis in pixels at z.
    sides_px : (2, n) distance from the axis to the side at `-across` and at `across`, pixels.
    """

    start_px: FloatArray
    along: FloatArray
    across: FloatArray
    z_mm: FloatArray
    axis_px: FloatArray
    sides_px: FloatArray

    @classmethod
    def of(cls, result: TraceResult) -> Rims:
        """Return the sides as the outline points of a result show them.

        Between stretches with points, both sides are joined by straight lines.
        """
        start, end = result.axis_px
        reach = float(np.hypot(*(end - start)))
        if reach == 0.0:
            raise ValueError("the axis in the photo has no length")
        along = (end - start) / reach
        across = np.array([-along[1], along[0]])
        moved = result.outline_px - start
        far = result.length_mm or float(max(result.profile.z_mm[-1], *result.outline_z_mm, 1e-6))
        z = np.linspace(0.0, far, 240)
        place = z / far * reach
        sides = np.zeros((2, len(z)))
        for index, sign in enumerate((-1.0, 1.0)):
            on_side = np.sign(moved @ across) == sign
            if np.any(on_side):
                z_side = result.outline_z_mm[on_side]
                offset = np.abs(moved[on_side] @ across)
                order = np.argsort(z_side, kind="stable")
                sides[index] = np.interp(z, z_side[order], offset[order])
        if len(moved) > 1:
            order = np.argsort(result.outline_z_mm, kind="stable")
            place = np.interp(z, result.outline_z_mm[order], (moved @ along)[order])
        return cls(start, along, across, z, place, sides)

    def middle(self, z_mm: float) -> FloatArray:
        """Return the pixel (2,) on the axis at z."""
        place = float(np.interp(z_mm, self.z_mm, self.axis_px))
        return np.asarray(self.start_px + place * self.along)

    def side(self, z_mm: float, sign: int) -> FloatArray:
        """Return the pixel (2,) on the side at `sign` times `across`, at z."""
        offset = float(np.interp(z_mm, self.z_mm, self.sides_px[0 if sign < 0 else 1]))
        return np.asarray(self.middle(z_mm) + sign * offset * self.across)

    def band(self, a_mm: float, b_mm: float) -> FloatArray:
        """Return the polygon (m, 2) between both sides from z = a to z = b."""
        z = np.linspace(a_mm, b_mm, 12)
        there = [self.side(float(v), -1) for v in z]
        back = [self.side(float(v), 1) for v in z[::-1]]
        return np.array(there + back)


def annotate(
    bgr: ByteArray, result: TraceResult, every_mm: float = 5.0, units: Units = METRIC
) -> bytes:
    """Return a JPEG, at most 1600 px on its longer side, of what was measured.

    It shows the outline points used, the axis, the end that z counts from, ticks at the
    stations, the diameter at the crests, hollows and shoulders, and the stretches left out,
    hatched. A target that is not the project's own board is made unrecognisable.

    Parameters
    ----------
    bgr : (H, W, 3), uint8, the photo as displayed.
    every_mm : spacing of the ticks.
    units : how the numbers are written.
    """
    overlay = Overlay(bgr)
    if not result.target_is_board:
        overlay.hide(result.target_px)
    rims = Rims.of(result)
    _draw_target(overlay, result)
    _draw_left_out(overlay, result, rims)
    overlay.dots(result.outline_px, CYAN)
    overlay.stroke(result.axis_px, WHITE, dashed=True)
    _draw_ends(overlay, result, rims, units)
    _draw_diameters(overlay, result, rims, units)
    _draw_stations(overlay, result, rims, units.step(every_mm), units)
    return overlay.jpeg()


def _draw_target(overlay: Overlay, result: TraceResult) -> None:
    ring = np.vstack([result.target_px, result.target_px[:1]])
    overlay.stroke(ring, WHITE)
    if result.target_is_board:
        return
    middle = result.target_px.mean(axis=0)
    overlay.plate(result.scale_from, middle, np.array([0.0, -1.0]), must=True, leader=False)


def _draw_left_out(overlay: Overlay, result: TraceResult, rims: Rims) -> None:
    by_length = sorted(result.left_out, key=lambda part: part.z_from_mm - part.z_to_mm)
    for part in by_length:
        overlay.hatch(rims.band(part.z_from_mm, part.z_to_mm), ORANGE)
    for part in by_length[:6]:
        middle = (part.z_from_mm + part.z_to_mm) / 2.0
        words = f"left out: {part.reason}"
        if len(words) > LONGEST_WORDS:
            words = words[: LONGEST_WORDS - 3] + "..."
        overlay.plate(words, rims.side(middle, 1), rims.across, ORANGE)


def _draw_ends(overlay: Overlay, result: TraceResult, rims: Rims, units: Units) -> None:
    far = float(rims.z_mm[-1])
    ends = (
        (0.0, f"z = 0 {units.name}", result.z_zero, -1.0),
        (far, "far end", result.far_end, 1.0),
    )
    for z, name, kind, sign in ends:
        cut = kind == CUT
        lip = overlay.unit_px * 1.2 * rims.across
        line = np.array([rims.side(z, -1) - lip, rims.side(z, 1) + lip])
        overlay.stroke(line, YELLOW, dashed=cut)
        words = f"{name}, cut" if cut else name
        if z == 0.0 or cut:
            overlay.plate(words, rims.middle(z), sign * rims.along, YELLOW, must=z == 0.0)


def _draw_diameters(overlay: Overlay, result: TraceResult, rims: Rims, units: Units) -> None:
    marks = sorted(landmarks(result.profile), key=lambda mark: -mark.prominence_mm)
    largest = result.largest()
    wanted = [(largest.z_mm, units.number(largest.diameter_mm))]
    for mark in marks[:MOST_LANDMARKS]:
        words = units.number(mark.diameter_mm)
        if mark.kind == SHOULDER and mark.other_mm is not None:
            words = f"{units.number(mark.other_mm)} / {words}"
        if all(abs(mark.z_mm - z) > 1e-6 for z, _ in wanted):
            wanted.append((mark.z_mm, words))
    for z, words in wanted:
        line = np.array([rims.side(z, -1), rims.side(z, 1)])
        put = overlay.plate(f"dia {words}", rims.side(z, -1), -rims.across, must=z == largest.z_mm)
        # At the ends the bar that marks them is line enough.
        if put and 1.0 < z < rims.z_mm[-1] - 1.0:
            overlay.stroke(line, WHITE, dashed=True, fine=True)


def _draw_stations(
    overlay: Overlay, result: TraceResult, rims: Rims, every_mm: float, units: Units
) -> None:
    far = float(rims.z_mm[-1])
    tick = 0.45 * overlay.unit_px * rims.across
    reach = float(np.hypot(*(rims.middle(far) - rims.middle(0.0))))
    fit = max(int(reach / (TICKS_PER_LABEL / 2.0 * overlay.unit_px)), 1)
    count = int(far / every_mm + 1e-9)
    step = max(-(-count // fit), 1)
    for index in range(count + 1):
        z = index * every_mm
        long = 1.8 if index % step == 0 else 1.0
        for sign in (-1, 1):
            rim = rims.side(z, sign)
            overlay.stroke(np.array([rim, rim + sign * long * tick]), WHITE, fine=True)
        if index and index % step == 0:
            at = rims.side(z, 1) + long * tick
            overlay.plate(units.place(z), at, rims.across, YELLOW)
