"""Which photo to take next: the one that would teach most about the lens, computed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.lens import Lens
from calib.lenscalibrate import Calibration, corner_points
from calib.lenscoverage import bend_sd_px
from calib.lensmodel import FOCUS, PER_VIEW, PageView, Pose, page_jacobian, page_pixels

__all__ = ["Advice", "next_photo"]

FloatArray = NDArray[np.float64]

WORTH_SAYING = 0.1
"""Advice that gains less than this share of the uncertainty is not given."""
ENOUGH_FOCAL_SD, ENOUGH_BEND_SD = 0.0005, 4e-5
"""A lens known this well needs no further photo: the relative focal length, and the bending at
the picture's corners over its diagonal (0.2 px of 12 megapixels)."""
DIRECTIONS = {
    "left": (-1.0, 0.0),
    "right": (1.0, 0.0),
    "far side": (0.0, 1.0),
    "near side": (0.0, -1.0),
}


@dataclass(frozen=True, slots=True)
class Advice:
    """The photo to take next, and what it would give.

    Attributes
    ----------
    text : what to do.
    focal_sd, focal_sd_then : relative standard deviation of the focal length now, and with it.
    bend_sd_px, bend_sd_px_then : how well the bending at the picture's corners is known.
    """

    text: str
    focal_sd: float
    focal_sd_then: float
    bend_sd_px: float
    bend_sd_px_then: float


def next_photo(calibration: Calibration) -> Advice | None:
    """Return the best of a dozen further photos, or None if none is worth the trouble.

    Each is simulated with the page that was used and with corners as good as those seen; its
    information on the lens, pose and focus unknown, is added to that of the set.
    """
    lens = calibration.lens
    page = max((v.view.points_mm for v in calibration.used), key=len)
    sd = _corner_sd(calibration)
    now = np.linalg.inv(lens.covariance)
    corners = corner_points(lens.size_px)
    before = _figures(lens, lens.covariance, corners)
    if before[0] < ENOUGH_FOCAL_SD and before[1] < ENOUGH_BEND_SD * float(np.hypot(*lens.size_px)):
        return None
    best: tuple[float, Advice] | None = None
    for text, pose in _candidates(lens, page):
        gain = _information(calibration, page, pose, sd)
        if gain is None:
            continue
        after = _figures(lens, np.asarray(np.linalg.inv(now + gain)), corners)
        worth = 1.0 - float(np.sqrt((after[0] / before[0]) * (after[1] / before[1])))
        if best is None or worth > best[0]:
            best = (worth, Advice(text, before[0], after[0], before[1], after[1]))
    return best[1] if best is not None and best[0] > WORTH_SAYING else None


def _figures(lens: Lens, covariance: FloatArray, corners: FloatArray) -> tuple[float, float]:
    focal = float(np.sqrt(covariance[0, 0])) / lens.focal_px
    known = Lens(
        lens.focal_px, lens.centre_px, lens.k1, lens.k2, lens.size_px, covariance, lens.source
    )
    return focal, float(bend_sd_px(known, corners).max())


def _corner_sd(calibration: Calibration) -> float:
    own = float(np.median(np.concatenate([v.view.sd_px for v in calibration.used])))
    fit = calibration.fit
    return float(np.hypot(own, fit.floor_px) * np.sqrt(fit.clustering))


def _candidates(lens: Lens, page: FloatArray) -> Sequence[tuple[str, Pose]]:
    """Return further photos: aslant from four sides, and with the page in a corner."""
    extent = np.ptp(page, axis=0)
    size = np.array(lens.size_px)
    # So near that the page just fills the frame, or a little less.
    fill = float(np.max(extent / size) * lens.focal_px)
    out = []
    for name, (x, y) in DIRECTIONS.items():
        pose = _pose(38.0, np.array([x, y]), 1.05 * fill, np.zeros(2))
        out.append((f"the phone tilted about 40 degrees, from the {name}", pose))
    for name, sign in (
        ("top left", (-1.0, -1.0)),
        ("top right", (1.0, -1.0)),
        ("bottom left", (-1.0, 1.0)),
        ("bottom right", (1.0, 1.0)),
    ):
        shift = np.array(sign) * (size / 2.0 - extent / 2.0 / fill * lens.focal_px * 0.75) * 0.9
        pose = _pose(25.0, np.array([-sign[0], sign[1]]), 1.3 * fill, shift / lens.focal_px)
        out.append(
            (f"the page in the {name} corner of the picture, the phone tilted a little", pose)
        )
    return out


def _pose(tilt_deg: float, toward: FloatArray, distance: float, aside: FloatArray) -> Pose:
    """Return the pose of a camera that stands off from the page toward a direction in it."""
    tilt = np.radians(tilt_deg)
    direction = toward / np.linalg.norm(toward)
    back = np.array([*(np.sin(tilt) * direction), np.cos(tilt)])
    forward = -back
    right = np.cross(forward, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    return Pose(rotation, np.array([*(aside * distance), distance]), 0.0, np.zeros(3))


def _information(
    calibration: Calibration, page: FloatArray, pose: Pose, sd: float
) -> FloatArray | None:
    """Return the information of one more view on (f, cx, cy, k1, k2), or None if it sees little."""
    lens = calibration.lens
    common = calibration.fit.common
    view = PageView(page, np.zeros_like(page), np.full(len(page), sd))
    inside = np.all(
        (page_pixels(view, common, pose) > 5.0)
        & (page_pixels(view, common, pose) < np.array(lens.size_px) - 6.0),
        axis=1,
    )
    if inside.mean() < 0.3:
        return None
    view = PageView(page[inside], np.zeros((int(inside.sum()), 2)), np.full(int(inside.sum()), sd))
    shared, own = page_jacobian(view, common, pose)
    shared = shared[:, :5] / np.array([lens.focal_px, 1.0, 1.0, 1.0, 1.0])
    held = np.ones(PER_VIEW, dtype=np.bool_)
    held[FOCUS] = calibration.fit.terms.focusing
    held[FOCUS + 1 :] = calibration.fit.terms.bowed
    own = own[:, held]
    prior = np.array([0.0] * 6 + [calibration.focus_sd**-2] + [1.0] * 3)[held]
    block = own.T @ own / sd**2 + np.diag(prior)
    mixed = shared.T @ own / sd**2
    return np.asarray(shared.T @ shared / sd**2 - mixed @ np.linalg.solve(block, mixed.T))
