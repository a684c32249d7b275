"""The picture of what a trace measured, drawn on the photo."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.sourcewords import scale_words
from measure.landmarks import landmarks, told_apart
from measure.markwords import size_words
from measure.overlay import CYAN, ORANGE, WHITE, YELLOW, Overlay
from measure.pixelmarks import draw_pixels
from measure.result import CUT, TraceResult
from measure.units import METRIC, Units

__all__ = ["Rims", "annotate", "draw_target"]

FloatArray = NDArray[np.float64]
ByteArray = NDArray[np.uint8]

TICKS_PER_LABEL = 8.0
"""Letters' heights between the z labels."""
OUTER_SHARE = 0.9
"""A point nearer to the axis than this share of the farthest one at its z lies on an end's rim."""
SAMPLES = 240
"""Places along the axis at which the sides are kept."""
MOST_LANDMARKS = 12
SAME_MM = 4.0
"""Marks so near to each other that say the same are one."""
PAST_MM = 2.0
"""How far past the last row of a piece that is cut its sides may still be seen."""


@dataclass(frozen=True, slots=True)
class Rims:
    """Where the two sides of the piece lie in the photo, by z.

    Attributes
    ----------
    along, across : (2,) unit vectors in the picture, from z = 0 to the far end and square to it.
    z_mm : (n,) increasing, from 0 to the far end.
    sides_px : (2, n, 2) the side toward `-across` and the one toward `across`, pixels.
    """

    along: FloatArray
    across: FloatArray
    z_mm: FloatArray
    sides_px: FloatArray

    @classmethod
    def of(cls, result: TraceResult) -> Rims:
        """Return the sides as the outline points of a result show them.

        Of the points at one z the outer ones count: the rim of an end face is an arc whose points
        all have one z. Points out of order along the picture are passed over. Between points
        both sides are joined by straight lines.
        """
        start, end = result.axis_px
        reach = float(np.hypot(*(end - start)))
        if reach == 0.0:
            raise ValueError("the axis in the photo has no length")
        along = (end - start) / reach
        across = np.array([-along[1], along[0]])
        last = float(result.profile.z_mm[-1])
        far = result.length_mm
        if far is None:
            # Points on the line that cuts the piece have no place along it: theirs mean nothing.
            near = result.outline_z_mm[result.outline_z_mm < last + PAST_MM]
            far = max(0.0, last, *near)
        z = np.linspace(0.0, far, SAMPLES)
        straight = start + z[:, None] / far * (end - start)
        moved = result.outline_px - start
        sides = np.array([straight, straight])
        for index, sign in enumerate((-1.0, 1.0)):
            outer = _outer(result.outline_z_mm, sign * (moved @ across), far / SAMPLES)
            outer = outer[_rising((moved @ along)[outer])]
            if len(outer):
                for axis in (0, 1):
                    sides[index, :, axis] = np.interp(
                        z, result.outline_z_mm[outer], result.outline_px[outer, axis]
                    )
        return cls(along, across, z, sides)

    def middle(self, z_mm: float) -> FloatArray:
        """Return the pixel (2,) half way between the two sides at z."""
        return np.asarray((self.side(z_mm, -1) + self.side(z_mm, 1)) / 2.0)

    def side(self, z_mm: float, sign: int) -> FloatArray:
        """Return the pixel (2,) on the side toward `sign` times `across`, at z."""
        side = self.sides_px[0 if sign < 0 else 1]
        return np.array([np.interp(z_mm, self.z_mm, side[:, axis]) for axis in (0, 1)])

    def band(self, a_mm: float, b_mm: float) -> FloatArray:
        """Return the polygon (m, 2) between both sides from z = a to z = b."""
        z = np.linspace(a_mm, b_mm, 12)
        there = [self.side(float(v), -1) for v in z]
        back = [self.side(float(v), 1) for v in z[::-1]]
        return np.array(there + back)


def _outer(z: FloatArray, outward: FloatArray, width: float) -> NDArray[np.int64]:
    """Return the indices, in order of z, of the points farthest out in each stretch of z.

    `outward` is the distance from the axis, negative on the other side, whose points do not
    count.
    """
    mine = np.nonzero(outward > 0.0)[0]
    if not len(mine):
        return mine
    stretch = np.floor((z[mine] - z[mine].min()) / width).astype(np.int64)
    farthest = np.zeros(int(stretch.max()) + 1)
    np.maximum.at(farthest, stretch, outward[mine])
    outer = mine[outward[mine] >= OUTER_SHARE * farthest[stretch]]
    return np.asarray(outer[np.argsort(z[outer], kind="stable")])


def _rising(values: FloatArray) -> NDArray[np.int64]:
    """Return the indices of a longest subsequence of (n,) values that never falls.

    By the tails of the best subsequences of each length [Fredman1975]_.
    """
    tails: list[float] = []
    ends: list[int] = []
    before = np.full(len(values), -1, dtype=np.int64)
    for index, value in enumerate(values.tolist()):
        place = bisect_right(tails, value)
        before[index] = ends[place - 1] if place else -1
        tails[place : place + 1] = [value]
        ends[place : place + 1] = [index]
    chain = []
    index = ends[-1] if ends else -1
    while index >= 0:
        chain.append(index)
        index = int(before[index])
    return np.array(chain[::-1], dtype=np.int64)


def annotate(
    bgr: ByteArray, result: TraceResult, every_mm: float = 5.0, units: Units = METRIC
) -> bytes:
    """Return a JPEG, at most 1600 px on its longer side, of what was measured.

    It shows the outline points used, the axis, the end that z counts from, ticks at the
    stations, the diameter at the crests, hollows and shoulders, the stretches left out, hatched,
    and along two edges the photo's own pixels, for a box. A target that is not the project's own
    board is made unrecognisable.

    Parameters
    ----------
    bgr : (H, W, 3), uint8, the photo as displayed.
    every_mm : spacing of the ticks.
    units : how the numbers are written.
    """
    overlay = Overlay(bgr)
    rims = Rims.of(result)
    overlay.spare(result.outline_px)
    draw_target(overlay, result)
    draw_pixels(overlay, bgr)
    _draw_left_out(overlay, result, rims)
    overlay.dots(result.outline_px, CYAN)
    overlay.stroke(result.axis_px, WHITE, dashed=True)
    _draw_ends(overlay, result, rims, units)
    _draw_diameters(overlay, result, rims, units)
    _draw_stations(overlay, result, rims, units.step(every_mm), units)
    return overlay.jpeg()


def draw_target(overlay: Overlay, result: TraceResult) -> None:
    """Draw what was taken for the card or board; a card's artwork is made unrecognisable."""
    if not result.target_is_board:
        overlay.hide(result.target_px)
    ring = np.vstack([result.target_px, result.target_px[:1]])
    overlay.stroke(ring, WHITE)
    if result.target_is_board:
        return
    middle = result.target_px.mean(axis=0)
    overlay.plate(
        scale_words(result.scale_from), middle, np.array([0.0, -1.0]), must=True, leader=False
    )


def _draw_left_out(overlay: Overlay, result: TraceResult, rims: Rims) -> None:
    by_length = sorted(result.left_out, key=lambda part: part.z_from_mm - part.z_to_mm)
    for part in by_length:
        overlay.hatch(rims.band(part.z_from_mm, part.z_to_mm), ORANGE)
    said: set[str] = set()
    for part in by_length:
        if part.reason in said:
            continue  # the same hatching says the same: words once are enough
        said.add(part.reason)
        middle = (part.z_from_mm + part.z_to_mm) / 2.0
        # The questions that follow a reason are the report's.
        words = f"left out: {part.reason.split(':')[0]}"
        for sign in (1, -1):
            if overlay.plate(words, rims.side(middle, sign), sign * rims.across, ORANGE):
                break


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
    largest = result.largest()
    marks = [mark for mark in landmarks(result.profile) if not mark.vague]
    marks = told_apart(marks, largest.z_mm, largest.diameter_mm, largest.u95_mm)
    marks.sort(key=lambda mark: -mark.prominence_mm)
    wanted = [(largest.z_mm, units.number(largest.diameter_mm))]
    for mark in marks[:MOST_LANDMARKS]:
        words = size_words(result.profile, mark, units.number)
        if all(abs(mark.z_mm - z) > SAME_MM or said != words for z, said in wanted):
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
