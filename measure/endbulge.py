"""How far both ends of an outline bulge, beside what ends of a round piece would.

Seen aslant, the end of a turned piece is the half of an ellipse, or a dome, which bulges more. The
end of a sheet of paper, a box or a board is a straight line, wherever the phone was.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.vectors import cross
from calib.view import View
from measure.outline import Outline
from measure.pieceends import arc_of
from measure.revolve import Axis
from measure.setting import curves_of
from measure.sides import without_corners

__all__ = ["Bulge", "bulges_of", "end_bulge", "ends_straight"]

FloatArray = NDArray[np.float64]

MIDDLE, BESIDE = 0.25, (0.65, 0.85)
"""Where an end's middle lies and what lies beside it, from the axis to the sides: an arc is told
by what its middle stands out beyond its flanks, whatever it starts from."""
PLACES = 181
LEAST_POINTS = 2
SURE_PX = 5.0
"""An end that would bulge by less may look straight: blur, an eased edge, grain."""
STRAIGHT = 0.3
"""An end that bulges by a smaller share of what a round one would is straight: of 300 true ends
that picture or box did not cut, the least was 0.45 (rendered photos)."""


@dataclass(frozen=True, slots=True)
class Bulge:
    """By how much an end stands out in its middle, px; NaN where it has too few points.

    Attributes
    ----------
    seen_px : of the outline. `round_px` : of a circle about the axis.
    """

    seen_px: float
    round_px: float

    @property
    def tells(self) -> bool:
        """Whether a round end would bulge enough to be told, and the outline's is seen."""
        return bool(np.isfinite(self.seen_px)) and self.round_px > SURE_PX

    @property
    def straight(self) -> bool:
        """Whether it is no round end, nor a dome."""
        return self.tells and self.seen_px < STRAIGHT * self.round_px


def bulges_of(
    outline: Outline, view: View, axis: Axis, cut: tuple[bool, bool] = (False, False)
) -> list[Bulge]:
    """Return how far the ends bulge, the start first, but for what picture or box cuts.

    Parameters
    ----------
    outline, view, axis : as solved.
    cut : whether picture or box cuts the piece at its start and at its far end: a cut is straight.
    """
    return [
        end_bulge(outline, view, axis, first)
        for first, is_cut in zip((True, False), cut, strict=True)
        if not is_cut
    ]


def ends_straight(ends: Sequence[Bulge]) -> bool:
    """Return whether every end that tells is straight: what was followed is not round."""
    telling = [bulge for bulge in ends if bulge.tells]
    return bool(telling) and all(bulge.straight for bulge in telling)


def end_bulge(outline: Outline, view: View, axis: Axis, first: bool) -> Bulge:
    """Return how far the first or the last end of an outline bulges.

    Parameters
    ----------
    outline, view, axis : as solved.
    first : True for the end at small z.
    """
    curves, _ = curves_of(outline, view, axis)
    sides = (without_corners(curves[0], outline.bend), without_corners(curves[1], outline.bend))
    place = 0 if first else -1
    a, b = (outline.points_px[curve.index[place]] for curve in sides)
    z = float(np.mean([curve.z_mm[place] for curve in sides]))
    radius = float(np.mean([curve.r_mm[place] for curve in sides]))
    ahead = view.to_pixels(axis.at(np.array([z, z + (-1.0 if first else 1.0)])))
    chord = b - a
    length = float(np.linalg.norm(chord))
    outward = np.array([chord[1], -chord[0]]) / max(length, 1e-9)
    if outward @ (ahead[1] - ahead[0]) < 0.0:
        outward = -outward

    def stands_out(points_px: FloatArray) -> float:
        across = 2.0 * ((points_px - a) @ chord) / max(length, 1e-9) ** 2 - 1.0
        out = (points_px - a) @ outward
        low, high = BESIDE
        flanks = [out[(side * across > low) & (side * across < high)] for side in (1.0, -1.0)]
        parts = [out[np.abs(across) < MIDDLE], *flanks]
        if min(len(part) for part in parts) < LEAST_POINTS:
            return float("nan")
        middle, one, other = (float(np.median(part)) for part in parts)
        return middle - 0.5 * (one + other)

    circle = view.to_pixels(_circle(axis, z, radius))
    # Of the end's circle only the outer half bounds the picture.
    outer = (circle - a) @ outward > 0.0
    arc = outline.points_px[arc_of(outline, sides, first)]
    return Bulge(stands_out(arc), stands_out(circle[outer]))


def _circle(axis: Axis, z_mm: float, radius_mm: float) -> FloatArray:
    """Return places (n, 3) of the circle about the axis at z."""
    helper = np.eye(3)[int(np.argmin(np.abs(axis.direction)))]
    one = cross(axis.direction, helper)
    one /= np.linalg.norm(one)
    other = cross(axis.direction, one)
    angle = np.linspace(0.0, 2.0 * np.pi, PLACES)[:, None]
    return np.asarray(axis.at(z_mm) + radius_mm * (np.cos(angle) * one + np.sin(angle) * other))
