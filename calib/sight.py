"""What the photo says of a target: points on its sides or corners, and how far off they are.

The residuals here are one part of every estimate, with or without a piece in the photo.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.lens import Lens, straighten
from calib.solve import Remembered, Solution, solve
from calib.vectors import cross
from calib.view import VIEW_SIZE, View

__all__ = [
    "BIAS_SCALE",
    "CornerSight",
    "SideSight",
    "Sight",
    "extras_start",
    "extras_steps",
    "fit_view",
    "lens_prior",
    "residuals_of",
    "sight_residuals",
    "view_steps",
]

FloatArray = NDArray[np.float64]

SIDE_NORMALS = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])
"""Outward normals of the sides 0 to 3 in the target frame: right, top, left, bottom."""
SIDE_DIRECTIONS = np.column_stack([-SIDE_NORMALS[:, 1], SIDE_NORMALS[:, 0]])
"""Which way they run."""


BIAS_SCALE = 2.0
"""Cauchy scale of a side's common error: a few sides are far off, most are not."""
MIRRORED_TIMES, MIRRORED_PX = 4.0, 5.0
"""A first pose that misses the corners by so many times what the better one does, and by so much,
is the plane seen as in a mirror: no step leads from it to anything better (rendered photos)."""


@dataclass(frozen=True, slots=True)
class SideSight:
    """Points found on the four sides of a rectangle.

    Attributes
    ----------
    size_mm, size_sd_mm : (width, height) along X and Y, and their standard deviations.
    thickness_mm : the face lies this far above what the rectangle lies on.
    points_px : (n, 2).
    side : (n,) index into `SIDE_NORMALS`.
    sd_px : (n,) standard deviation across the side.
    bias_px, bias_sd_px : (4,) error that all points of a side share, outward positive.
    corners_px : (4, 2) corners at (-,+), (+,+), (+,-), (-,-), the first guess of the pose.
    """

    size_mm: FloatArray
    size_sd_mm: FloatArray
    thickness_mm: float
    points_px: FloatArray
    side: NDArray[np.int64]
    sd_px: FloatArray
    bias_px: FloatArray
    bias_sd_px: FloatArray
    corners_px: FloatArray


@dataclass(frozen=True, slots=True)
class CornerSight:
    """Marked points of a printed board.

    Attributes
    ----------
    points_px, points_mm : (n, 2) in the photo, and on the page as drawn.
    sd_px : (n,) standard deviation of each coordinate.
    scale, scale_sd : (2,) true over drawn size along X and Y, and its standard deviation.
    thickness_mm : of the sheet.
    """

    points_px: FloatArray
    points_mm: FloatArray
    sd_px: FloatArray
    scale: FloatArray
    scale_sd: FloatArray
    thickness_mm: float


Sight = SideSight | CornerSight


def extras_start(sight: Sight) -> FloatArray:
    """Return the first guess of the target's own unknowns: size (2,) and, for sides, bias (4,)."""
    if isinstance(sight, SideSight):
        return np.concatenate([sight.size_mm, sight.bias_px])
    return sight.scale.copy()


def extras_steps(sight: Sight) -> FloatArray:
    """Return difference steps for the unknowns of `extras_start`."""
    if isinstance(sight, SideSight):
        return np.array([1e-3, 1e-3, 1e-2, 1e-2, 1e-2, 1e-2])
    return np.array([1e-5, 1e-5])


def view_steps(view: View) -> FloatArray:
    """Return difference steps for a view's parameter vector."""
    f = view.lens.focal_px
    distance = float(view.translation_mm[2])
    turn = 0.02 / f
    return np.array(
        [
            0.05,
            0.05,
            0.05,
            1e-4,
            1e-4,
            turn,
            turn,
            turn,
            *(distance / f * np.array([0.02, 0.02, 0.1])),
        ]
    )


def sight_residuals(view: View, extras: FloatArray, sight: Sight) -> FloatArray:
    """Return whitened residuals of a target and the priors of its own unknowns, shape (m,)."""
    return residuals_of(sight)(view, extras)


def residuals_of(sight: Sight) -> Callable[[View, FloatArray], FloatArray]:
    """Return the function from view and own unknowns of a target to its `sight_residuals`.

    Asked for many views, it removes the distortion of the points only where the lens is another.
    """
    if isinstance(sight, CornerSight):
        return lambda view, extras: _of_corners(view, extras, sight)
    points_px = sight.points_px
    straight = Remembered(lambda lens: straighten(points_px, lens), slice(None))
    return lambda view, extras: _of_sides(view, extras, sight, straight(view.lens.vector()))


def _of_sides(view: View, extras: FloatArray, sight: SideSight, straight: FloatArray) -> FloatArray:
    beyond_px = _beyond_sides(view, extras[:2], sight.side, straight)
    r = (beyond_px - extras[2:6][sight.side]) / sight.sd_px
    size = (extras[:2] - sight.size_mm) / sight.size_sd_mm
    bias = (extras[2:6] - sight.bias_px) / sight.bias_sd_px
    return np.concatenate([r, size, bias])


def _of_corners(view: View, extras: FloatArray, sight: CornerSight) -> FloatArray:
    world = np.column_stack([sight.points_mm * extras, np.zeros(len(sight.points_mm))])
    r2 = (view.to_pixels(world) - sight.points_px) / sight.sd_px[:, None]
    return np.concatenate([r2.ravel(), (extras - sight.scale) / sight.scale_sd])


def _beyond_sides(
    view: View, size_mm: FloatArray, side: NDArray[np.int64], straight: FloatArray
) -> FloatArray:
    """Return how far, px, each point lies outside its side, (n,); inside is negative.

    `side` (n,) is the side of each point, `straight` (n, 2) where it lies without distortion.

    A side and the camera make a plane, which cuts the undistorted picture in a straight line.
    What distortion changes of a length of a pixel is far below what any edge is known to.
    """
    rotation, t = view.rotation, view.translation_mm
    half = 0.5 * np.array([size_mm[0], size_mm[1], size_mm[0], size_mm[1]])
    middle = (half[:, None] * SIDE_NORMALS) @ rotation[:, :2].T + t
    along = SIDE_DIRECTIONS @ rotation[:, :2].T
    lines = cross(middle, along)
    # The target's centre lies inside of all of them.
    scale = -view.lens.focal_px * np.sign(lines @ t) / np.hypot(lines[:, 0], lines[:, 1])
    lines *= scale[:, None]
    line = lines[side]
    return np.asarray(line[:, 0] * straight[:, 0] + line[:, 1] * straight[:, 1] + line[:, 2])


def lens_prior(lens: Lens) -> Callable[[FloatArray], FloatArray]:
    """Return the function from a vector to whitened residuals of its first five against the prior.

    Those are the lens parameters.
    """
    whiten, known = np.linalg.cholesky(np.linalg.inv(lens.covariance)).T, lens.vector()

    def residuals(vector: FloatArray) -> FloatArray:
        return np.asarray(whiten @ (vector[:5] - known))

    return residuals


def _first_poses(sight: Sight, lens: Lens) -> list[tuple[FloatArray, FloatArray]]:
    K = np.array(
        [[lens.focal_px, 0, lens.centre_px[0]], [0, lens.focal_px, lens.centre_px[1]], [0, 0, 1]]
    )
    if isinstance(sight, SideSight):
        w, h = sight.size_mm / 2
        world = np.array([[-w, h, 0], [w, h, 0], [w, -h, 0], [-w, -h, 0]])
        pixels = sight.corners_px
    else:
        world = np.column_stack([sight.points_mm * sight.scale, np.zeros(len(sight.points_mm))])
        pixels = sight.points_px
    distortion = np.array([lens.k1, lens.k2, 0.0, 0.0])
    _, rvecs, tvecs, off_px = cv2.solvePnPGeneric(
        world, pixels.astype(np.float64), K, distortion, flags=cv2.SOLVEPNP_IPPE
    )
    off = np.ravel(np.asarray(off_px, dtype=np.float64))
    most = max(MIRRORED_TIMES * float(off.min()), MIRRORED_PX)
    return [
        (np.asarray(r, dtype=np.float64).ravel(), np.asarray(t, dtype=np.float64).ravel())
        for r, t, miss in zip(rvecs, tvecs, off, strict=True)
        if miss <= most
    ]


def fit_view(sight: Sight, lens: Lens) -> tuple[View, Solution]:
    """Estimate the view from a target alone, with the lens prior.

    Returns
    -------
    The view with its covariance, target size error included, and the solution whose parameters
    are the view's vector followed by the target's own unknowns.
    """
    best: tuple[View, Solution] | None = None
    prior, of_target = lens_prior(lens), residuals_of(sight)
    for rotation, translation in _first_poses(sight, lens):
        if translation[2] <= 0:
            continue
        start = View(lens, rotation, translation, np.zeros((VIEW_SIZE, VIEW_SIZE)))

        def residuals(x: FloatArray, start: View = start) -> FloatArray:
            view = start.with_vector(x[:VIEW_SIZE])
            return np.concatenate([of_target(view, x[VIEW_SIZE:]), prior(x)])

        x0 = np.concatenate([start.vector(), extras_start(sight)])
        steps = np.concatenate([view_steps(start), extras_steps(sight)])
        m = sight.points_px.shape[0] * (1 if isinstance(sight, SideSight) else 2)
        scale = np.full(len(residuals(x0)), np.inf)
        scale[:m] = 3.0
        if isinstance(sight, SideSight):
            # A shadow's border taken for a side is off by more than any honest spread.
            scale[m + 2 : m + 6] = BIAS_SCALE
        solution = solve(residuals, x0, steps, scale, iterations=12, tolerance=0.02)
        view = start.with_vector(solution.x[:VIEW_SIZE])
        view = View(
            view.lens,
            view.rotation_vector,
            view.translation_mm,
            solution.covariance[:VIEW_SIZE, :VIEW_SIZE],
        )
        # A pose seen from behind the face is the mirror solution.
        if view.camera_centre_mm[2] > 0 and (best is None or solution.cost < best[1].cost):
            best = (view, solution)
    if best is None:
        raise ValueError("no pose in front of the camera fits the target")
    return best
