"""Which saved lens belongs to a photo, turned and scaled to it; none where none surely does."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.exif import CameraId
from calib.lens import Lens
from calib.lensfile import SavedLens, saved_lenses
from calib.orientation import displayed_points, displayed_size
from calib.photo import Photo
from calib.refusal import Notice

__all__ = ["LensChoice", "choose_lens", "scaled_lens", "turned_lens"]

FloatArray = NDArray[np.float64]

SAME_FOCAL = 0.01
SAME_ASPECT = 0.001
INVERSE_ORIENTATION = {6: 8, 8: 6}
"""EXIF orientations that undo each other; the rest undo themselves."""


@dataclass(frozen=True, slots=True)
class LensChoice:
    """The saved lens for a photo, or None; its name; and what the turner should know."""

    lens: Lens | None
    name: str | None
    notices: tuple[Notice, ...]


def choose_lens(photo: Photo) -> LensChoice:
    """Return the saved lens for a photo.

    A lens file that cannot be read is named in a notice if no other fits, not a reason to
    refuse: without it the photo is measured with the lens that EXIF gives.
    """
    saved, troubles = saved_lenses()
    name, why = _match(
        saved, photo.camera, photo.size_px, photo.focal_35mm, photo.orientation, photo.framing
    )
    if name is None:
        return LensChoice(None, None, troubles + (() if why is None else (_left_out(why),)))
    lens = _fitted(saved[name], photo.size_px, photo.orientation)
    return LensChoice(lens, name, ())


def _match(
    saved: Mapping[str, SavedLens], camera: CameraId, size_px: tuple[int, int],
    focal_35mm: float | None, orientation: int, framing: str,
) -> tuple[str | None, str | None]:  # fmt: skip
    """Return the name of the lens that fits, or None and why one of this camera does not."""
    if not camera.make and not camera.model:
        return None, None
    mine = {name: lens for name, lens in saved.items() if _same_body(lens.camera, camera)}
    if not mine:
        return None, None
    same = {n: s for n, s in mine.items() if _same_lens(s.camera, camera)}
    if not same:
        return None, "it was taken with another of the camera's lenses or zooms"
    stated = camera.focal_35mm
    if framing not in ("whole", "rescaled"):
        return None, "it is cropped, zoomed or in another format"
    if stated is not None and (focal_35mm is None or not _close(focal_35mm, stated)):
        return None, "it is cropped or zoomed"
    stored = _stored_size(size_px, orientation)
    fitting = [n for n, s in same.items() if _same_shape(s.lens.size_px, stored)]
    if not fitting:
        return None, "its shape is another than that of the calibration photos"
    exact = [n for n in fitting if same[n].lens.size_px == stored]
    # Several sizes of one lens: the one that need not be scaled, else the largest.
    return (exact or sorted(fitting, key=lambda n: -same[n].lens.size_px[0]))[0], None


def _same_body(a: CameraId, b: CameraId) -> bool:
    return (a.make.lower(), a.model.lower()) == (b.make.lower(), b.model.lower())


def _same_lens(a: CameraId, b: CameraId) -> bool:
    pairs = ((a.lens_focal_mm, b.lens_focal_mm), (a.focal_35mm, b.focal_35mm))
    return all(
        (x is None and y is None) or (x is not None and y is not None and _close(x, y))
        for x, y in pairs
    )


def _close(a: float, b: float) -> bool:
    return abs(a / b - 1.0) < SAME_FOCAL


def _stored_size(size_px: tuple[int, int], orientation: int) -> tuple[int, int]:
    return displayed_size(size_px, INVERSE_ORIENTATION.get(orientation, orientation))


def _same_shape(a: tuple[int, int], b: tuple[int, int]) -> bool:
    # Whole pixels: a quarter of 4032 x 3024 may be a pixel off.
    slack = SAME_ASPECT + 1.0 / min(*a, *b)
    return abs((a[0] / a[1]) / (b[0] / b[1]) - 1.0) < slack


def _fitted(saved: SavedLens, size_px: tuple[int, int], orientation: int) -> Lens:
    """Return the lens for the displayed picture, autofocus added to its focal variance."""
    lens = scaled_lens(saved.lens, _stored_size(size_px, orientation))
    covariance = lens.covariance.copy()
    covariance[0, 0] += (saved.focus_sd * lens.focal_px) ** 2
    return turned_lens(replace(lens, covariance=covariance), orientation)


def scaled_lens(lens: Lens, size_px: tuple[int, int]) -> Lens:
    """Return a lens for the same picture at another size (of the same shape)."""
    if size_px == lens.size_px:
        return lens
    scale = float(np.hypot(*size_px) / np.hypot(*lens.size_px))
    # Pixel centres at integers: the picture's edge is at -1/2 at every size.
    centre = ((lens.centre_px[0] + 0.5) * scale - 0.5, (lens.centre_px[1] + 0.5) * scale - 0.5)
    change = np.diag([scale, scale, scale, 1.0, 1.0])
    return replace(
        lens,
        focal_px=lens.focal_px * scale,
        centre_px=centre,
        size_px=size_px,
        covariance=change @ lens.covariance @ change,
    )


def turned_lens(lens: Lens, orientation: int) -> Lens:
    """Return a lens of the stored picture for the displayed one."""
    centre = displayed_points(np.array(lens.centre_px), lens.size_px, orientation)
    steps = displayed_points(np.eye(2), lens.size_px, orientation) - displayed_points(
        np.zeros((2, 2)), lens.size_px, orientation
    )
    change = np.eye(5)
    change[1:3, 1:3] = steps.T
    return replace(
        lens,
        centre_px=(float(centre[0]), float(centre[1])),
        size_px=displayed_size(lens.size_px, orientation),
        covariance=change @ lens.covariance @ change.T,
    )


def _left_out(why: str) -> Notice:
    return Notice(
        "lens-not-used",
        f"The saved lens of this camera does not fit this photo: {why}.",
        "Take the photo as the calibration photos were taken: same lens, no zoom, same size.",
    )
