"""Test data, not measurements: cameras looking at a place, and smooth profiles with their slopes.

Everything is drawn by Hypothesis, so that a failure shrinks to the simplest case.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from hypothesis import strategies as st

from calib.lens import Lens
from calib.view import VIEW_SIZE, View
from measure.revolve import Axis

SIZE_PX = (4032, 3024)
LENGTH_MM = 160.0


def unit(v):
    return np.asarray(v, dtype=float) / np.linalg.norm(v)


def lens_of(focal_px=3100.0, centre_px=None, k1=0.0, k2=0.0, size_px=SIZE_PX):
    if centre_px is None:
        centre_px = ((size_px[0] - 1) / 2.0, (size_px[1] - 1) / 2.0)
    return Lens(focal_px, centre_px, k1, k2, size_px, np.eye(5), "calibrated")


def view_from(camera_mm, look_at_mm, lens, roll_rad=0.0, up=(0.0, -1.0, 0.0)):
    """Return the view of a camera at a place of the target frame, looking at another.

    `up` is what stands upright in the photo before it is rolled.
    """
    forward = unit(np.asarray(look_at_mm, dtype=float) - camera_mm)
    helper = -np.asarray(up, dtype=float)
    if np.linalg.norm(np.cross(helper, forward)) < 0.4:
        helper = np.array([1.0, 0.0, 0.0])
    right = unit(np.cross(helper, forward))
    down = np.cross(forward, right)
    c, s = np.cos(roll_rad), np.sin(roll_rad)
    R = np.stack([c * right + s * down, -s * right + c * down, forward])
    return View(lens, cv2.Rodrigues(R)[0].ravel(), -R @ camera_mm, np.zeros((VIEW_SIZE, VIEW_SIZE)))


@dataclass(frozen=True)
class Wave:
    """One smooth part of a profile: a sine, or a bead or cove of Gaussian shape."""

    kind: str
    height: float
    place: float
    width: float

    def value(self, z):
        t = (z - self.place) / self.width
        return self.height * (np.sin(t) if self.kind == "sine" else np.exp(-0.5 * t * t))

    def slope(self, z):
        t = (z - self.place) / self.width
        inner = np.cos(t) if self.kind == "sine" else -t * np.exp(-0.5 * t * t)
        return self.height / self.width * inner


@dataclass(frozen=True)
class SmoothProfile:
    """A radius that waves round a mean and stays above 3 mm."""

    mean: float
    waves: tuple[Wave, ...]

    def radius(self, z):
        return self.mean + sum(w.value(z) for w in self.waves)

    def slope(self, z):
        return sum((w.slope(z) for w in self.waves), np.zeros_like(z))


@dataclass(frozen=True)
class Scene:
    view: View
    axis: Axis
    profile: SmoothProfile


def number(low, high):
    return st.floats(low, high, allow_nan=False, allow_infinity=False)


@st.composite
def lenses(draw):
    focal = draw(number(1200.0, 7000.0))
    centre = (draw(number(1800.0, 2232.0)), draw(number(1300.0, 1724.0)))
    return lens_of(focal, centre, draw(number(-0.08, 0.08)), draw(number(-0.03, 0.03)))


@st.composite
def profiles(draw):
    mean = draw(number(8.0, 40.0))
    count = draw(st.integers(1, 4))
    waves = tuple(
        Wave(
            draw(st.sampled_from(["sine", "bump"])),
            # A nanometre is the least: of less, round-off decides which points are in line.
            round(draw(number(-0.9, 0.9)) * (mean - 3.0) / count, 6),
            draw(number(0.0, LENGTH_MM)),
            draw(number(3.0, 60.0)),
        )
        for _ in range(count)
    )
    return SmoothProfile(mean, waves)


@st.composite
def scenes(draw):
    """Any axis, any camera outside the piece, at 25 degrees to the axis or more."""
    middle = np.array([draw(number(-150.0, 150.0)), draw(number(-150.0, 150.0)), 0.0])
    middle[2] = draw(number(-60.0, 60.0))
    lat, lon = draw(number(-1.5, 1.5)), draw(number(-np.pi, np.pi))
    d = np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
    first = unit(np.cross(d, np.eye(3)[int(np.argmin(np.abs(d)))]))
    second = np.cross(d, first)
    round_axis, up_axis = draw(number(-np.pi, np.pi)), draw(number(-1.1, 1.1))
    distance = draw(number(250.0, 1500.0))
    away = np.cos(up_axis) * (np.cos(round_axis) * first + np.sin(round_axis) * second)
    camera = middle + distance * (away + np.sin(up_axis) * d)
    look = middle + np.array([draw(number(-20.0, 20.0)) for _ in range(3)])
    view = view_from(camera, look, draw(lenses()), draw(number(-np.pi, np.pi)))
    axis = Axis(middle - 0.5 * LENGTH_MM * d, d)
    return Scene(view, axis, draw(profiles()))
