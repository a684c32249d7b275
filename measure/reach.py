"""One side of an outline over an axis: how far the piece reaches out from it, and where.

Frame: the target frame, mm. The plane through the camera, an outline point and the direction of
the axis touches a piece that is straight along the axis, whatever its section. Its distance
from the axis is the reach of the section in the direction of the plane's normal: r for a
cylinder, r plus the offset along the normal for a cylinder beside the axis, and exactly known
for a flat blade too. A change of radius along the axis enters only to second order.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.vectors import cross
from measure.lineruns import fit_line
from measure.revolve import Axis

__all__ = ["MiddleLine", "SideReach", "axis_of_shank", "frame_of", "paired_rows", "reach_over"]

FloatArray = NDArray[np.float64]

GRID_MM = 0.25
SHANK_ROWS = 12
"""Fewest rows of `GRID_MM` that both sides must share for the middle of a shank."""
LEAST_NOISE_MM = 0.01


@dataclass(frozen=True, slots=True)
class SideReach:
    """Outline points of one side, all of shape (n,).

    Attributes
    ----------
    z_mm : along the axis.
    reach_mm : from the axis to the plane that touches the section there.
    lean_rad : angle of that plane's normal toward the camera, from square to the line of
        sight; the same for a whole straight step.
    """

    z_mm: FloatArray
    reach_mm: FloatArray
    lean_rad: FloatArray

    def between(self, z_from: float, z_to: float) -> SideReach:
        """Return the points with z_from <= z <= z_to."""
        keep = (self.z_mm >= z_from) & (self.z_mm <= z_to)
        return SideReach(self.z_mm[keep], self.reach_mm[keep], self.lean_rad[keep])


@dataclass(frozen=True, slots=True)
class MiddleLine:
    """The axis of a shank: how well the picture fixes it across the line of sight.

    Attributes
    ----------
    axis : the shank's own axis.
    middle_mm : z of the middle of the stretch it was fitted to.
    covariance : (2, 2) of its shift at `middle_mm` (mm) and of its turn (radians).
    """

    axis: Axis
    middle_mm: float
    covariance: FloatArray

    def shift_sd(self, z_mm: float) -> float:
        """Return the standard deviation of the axis's place across the picture at z, mm."""
        lever = np.array([1.0, z_mm - self.middle_mm])
        return math.sqrt(max(0.0, float(lever @ self.covariance @ lever)))

    def with_rims_off(self, end_sd_mm: float, length_mm: float) -> MiddleLine:
        """Return it with what rims that are seen in the wrong place add.

        Parameters
        ----------
        end_sd_mm : how far the rim of one side may be off at one end of the shank, standard
            deviation; sides and ends each by themselves.
        length_mm : of the stretch that the line was fitted to.
        """
        # Middle of two rims, at two ends: a quarter each of the sum, and a half of the difference.
        shift, turn = 0.5 * end_sd_mm, end_sd_mm / length_mm
        return replace(self, covariance=self.covariance + np.diag([shift**2, turn**2]))


def frame_of(camera_mm: FloatArray, axis: Axis) -> tuple[FloatArray, FloatArray]:
    """Return (across, toward): unit vectors square to the axis, (3,) each.

    `toward` points from the axis to the camera, `across` = `toward` x direction lies square to
    the line of sight.
    """
    back = camera_mm - axis.point_mm
    toward = back - (back @ axis.direction) * axis.direction
    toward = toward / np.linalg.norm(toward)
    return cross(toward, axis.direction), toward


def reach_over(camera_mm: FloatArray, rays: FloatArray, axis: Axis) -> SideReach:
    """Return z, reach and lean of the outline points of one side.

    Parameters
    ----------
    camera_mm : (3,) camera centre.
    rays : (n, 3) directions to outline points of one side, any length.
    axis : to measure from.

    Raises
    ------
    ValueError
        If the camera stands on the axis.
    """
    d = axis.direction
    back = camera_mm - axis.point_mm
    if np.linalg.norm(cross(back, d)) < 1e-9:
        raise ValueError("the camera is on the axis; no side of the piece is seen")
    _, toward = frame_of(camera_mm, axis)
    normal = cross(rays, d)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    reach = normal @ back
    # Outward normals: both point to the side that the camera is on.
    normal *= np.sign(reach)[:, None]
    tangent = cross(d, normal)
    s = -(tangent @ back) / np.sum(tangent * rays, axis=-1)
    z = back @ d + s * (rays @ d)
    return SideReach(z, np.abs(reach), np.arcsin(np.clip(normal @ toward, -1.0, 1.0)))


def axis_of_shank(
    camera_mm: FloatArray,
    rays: tuple[FloatArray, FloatArray],
    axis: Axis,
    z_from: float,
    z_to: float,
) -> MiddleLine:
    """Return the axis of the shank between z_from and z_to, in the plane square to the sight.

    The sides of a cylinder lie symmetrically about the plane through the camera and its axis;
    so the shift and turn that make them equal are found. The depth is kept as given.

    Parameters
    ----------
    camera_mm : (3,) camera centre.
    rays : outline points of the two sides, (n, 3) and (m, 3); the first is on the `across`
        side of `frame_of`.
    axis : a good first guess.
    z_from, z_to : the stretch, mm.

    Raises
    ------
    ValueError
        If the sides share fewer than `SHANK_ROWS` rows there.
    """
    across, _ = frame_of(camera_mm, axis)
    for _ in range(3):
        sides = [reach_over(camera_mm, side, axis).between(z_from, z_to) for side in rays]
        z, a, b, lean = paired_rows(sides[0], sides[1])
        if len(z) < SHANK_ROWS:
            raise ValueError(f"the sides share {len(z)} rows of shank, need {SHANK_ROWS}")
        middle = 0.5 * (a - b) / np.cos(lean)
        value, slope, _ = fit_line(z, middle, LEAST_NOISE_MM)
        centre = float(z.mean())
        noise = np.median(np.abs(middle - value - slope * (z - centre))) / 0.6745
        value, slope, weights = fit_line(z, middle, max(float(noise), LEAST_NOISE_MM))
        residual = middle - value - slope * (z - centre)
        turned = axis.direction + slope * across
        axis = Axis(
            axis.point_mm + (value - slope * centre) * across, turned / np.linalg.norm(turned)
        )
    return MiddleLine(axis, centre, _line_covariance(z - centre, residual, weights))


def paired_rows(
    a: SideReach, b: SideReach
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return both sides on shared rows of `GRID_MM`: z, reach of each, mean lean."""
    if len(a.z_mm) == 0 or len(b.z_mm) == 0:
        return (np.empty(0),) * 4
    first = math.floor(min(a.z_mm.min(), b.z_mm.min()) / GRID_MM)
    last = math.floor(max(a.z_mm.max(), b.z_mm.max()) / GRID_MM)
    rows = []
    for row in range(first, last + 1):
        low, high = row * GRID_MM, (row + 1) * GRID_MM
        here = [side.between(low, np.nextafter(high, low)) for side in (a, b)]
        if all(len(side.z_mm) for side in here):
            lean = 0.5 * sum(float(side.lean_rad.mean()) for side in here)
            reach = [float(np.median(side.reach_mm)) for side in here]
            rows.append((0.5 * (low + high), *reach, lean))
    z, ra, rb, lean_rad = np.array(rows).reshape(-1, 4).T
    return z, ra, rb, lean_rad


def _line_covariance(u: FloatArray, residual: FloatArray, weights: FloatArray) -> FloatArray:
    """Return the covariance (2, 2) of value and slope of a fitted line.

    Neighbouring rows share their errors, so the variance is raised by (1 + p) / (1 - p) with p
    the correlation of neighbours (first-order autoregression [BoxJenkins]).
    """
    n = len(u)
    clipped = residual * weights
    variance = float(clipped @ clipped) / max(float(np.sum(weights**2)) - 2.0, 1.0)
    variance = max(variance, LEAST_NOISE_MM**2)
    p = float(clipped[1:] @ clipped[:-1]) / max(float(clipped @ clipped), 1e-18)
    p = min(max(p, 0.0), 0.95)
    share = weights.sum()
    spread = max(float(weights @ u**2), 1e-12)
    # Weighted-down rows count for less than a row each.
    raised = variance * (1.0 + p) / (1.0 - p) * n / share
    return np.asarray(raised * np.diag([1.0 / share, 1.0 / spread]))
