"""The truth file beside a rendered photo: what was there, and what the turner would type for it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.lens import Lens
from calib.printed import PrintScale, bar_reading, scale_of
from measure.result import TraceRequest

__all__ = ["Truth", "read_truth", "truth_path"]

FloatArray = NDArray[np.float64]

FINE_MM = 0.05
"""Spacing of the points by which a place in the picture is looked up on the true axis, mm."""
SETUPS = {"lying": "bench", "standing": "plane", "upright": "upright"}
"""Set-up by the kind of pose, for truth files that name the pose only."""


@dataclass(frozen=True)
class Truth:
    """What a rendered photo shows; z counts from end A, millimetres, displayed pixels."""

    data: dict[str, Any]

    @property
    def name(self) -> str:
        return str(self.data["name"])

    @cached_property
    def meridian(self) -> FloatArray:
        """(n, 2) of (z, r); a square shoulder is two points with one z."""
        return np.array(self.data["profile_zr"], dtype=np.float64)

    @property
    def length_mm(self) -> float:
        return float(self.meridian[-1, 0])

    @property
    def visible(self) -> list[tuple[float, float]]:
        """Stretches of the axis where both rims are seen and that were asked for."""
        seen = [(float(a), float(b)) for a, b in self.data.get("visible_z", [(0, self.length_mm)])]
        if "box" not in self.told:
            return seen
        x, y, w, h = self.told["box"]
        z, pixels = self._along
        inside = np.all((pixels >= (x, y)) & (pixels <= (x + w, y + h)), axis=1)
        if not inside.any():
            return []
        low, high = float(z[inside].min()), float(z[inside].max())
        cut = [(max(a, low), min(b, high)) for a, b in seen]
        return [(a, b) for a, b in cut if b > a]

    @property
    def told(self) -> dict[str, Any]:
        """What the turner tells the tool besides the set-up."""
        return dict(self.data.get("told", {}))

    @cached_property
    def _along(self) -> tuple[FloatArray, FloatArray]:
        z = np.arange(-5.0, self.length_mm + 5.0, FINE_MM)
        start, direction = (np.array(self.data["axis_world"][key]) for key in ("A", "dir"))
        return z, self.to_pixels(start + z[:, None] * direction)

    def to_pixels(self, world: FloatArray) -> FloatArray:
        """Project world points, shape (n, 3), with the true camera."""
        rotation = np.array(self.data["R_world_to_cam"])
        shift = np.array(self.data["t_world_to_cam"], dtype=np.float64)
        camera, bend = np.array(self.data["K"]), np.array(self.data["dist_k1k2p1p2k3"])
        pixels = cv2.projectPoints(world, cv2.Rodrigues(rotation)[0], shift, camera, bend)[0]
        return np.asarray(pixels, dtype=np.float64).reshape(-1, 2)

    def z_at(self, pixel: FloatArray) -> float:
        """Return the z of the point of the true axis that is nearest to a pixel, mm."""
        z, pixels = self._along
        nearest = int(np.argmin(np.sum((pixels - pixel) ** 2, axis=1)))
        nearest = min(max(nearest, 1), len(z) - 2)
        before, after = pixels[nearest - 1], pixels[nearest + 1]
        along = after - before
        share = float((pixel - before) @ along / (along @ along))
        return float(z[nearest - 1] + share * (z[nearest + 1] - z[nearest - 1]))

    def runs_backward(self, axis_px: FloatArray) -> bool:
        """Return whether an axis in the picture, shape (2, 2), runs from end B to end A."""
        a, b = np.array(self.data["axis_px"])
        return float((axis_px[1] - axis_px[0]) @ (b - a)) < 0.0

    def request(self) -> TraceRequest:
        """Return what the turner asks for."""
        told = self.told
        setup = self.data.get("setup") or SETUPS[self.data["pose_kind"]]
        return TraceRequest(
            setup=setup,
            target=told.get("target", "id1"),
            start=told.get("from"),
            box_px=tuple(told["box"]) if "box" in told else None,
            known=tuple((float(z), float(d)) for z, d in told.get("known", [])),
        )

    def lens(self) -> Lens | None:
        """Return the calibrated lens that goes with the photo, autofocus term included."""
        told = self.told.get("lens")
        if told is None:
            return None
        focal = float(told["focal_px"])
        # The focal length was off by both when the photo was taken.
        focal_sd = focal * np.hypot(told["focal_relative_sd"], told["autofocus_relative_sd"])
        centre_sd = told["centre_sd_px"]
        sd = np.array([focal_sd, centre_sd, centre_sd, told["k1_sd"], told["k2_sd"]])
        cx, cy = told["centre_px"]
        width, height = told["size_px"]
        return Lens(
            focal_px=focal,
            centre_px=(float(cx), float(cy)),
            k1=float(told["k1"]),
            k2=float(told["k2"]),
            size_px=(int(width), int(height)),
            covariance=np.diag(sd**2),
            source="calibrated",
        )

    def print_scale(self) -> PrintScale | None:
        """Return what the turner's reading of the check bars says of the printed board."""
        told = self.told.get("print")
        if told is None:
            return None
        return scale_of(bar_reading(told["bar_x"], told["bar_y"], told["bar_u"]))


def truth_path(photo: Path) -> Path:
    """Return the path of the truth file beside a photo."""
    return photo.with_suffix(".truth.json")


def read_truth(photo: Path) -> Truth:
    """Read the truth file beside a photo."""
    return Truth(json.loads(truth_path(photo).read_text(encoding="utf-8")))
