"""A small scene for the tests of the renderer: few pixels, a lens that bends a good deal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sample_images.rendering.camera import Camera
from sample_images.rendering.cards import Card
from sample_images.rendering.phone import drawn_phone
from sample_images.rendering.pieces import NAMED
from sample_images.rendering.scene import Light, Scene
from sample_images.rendering.staging import framed, laid_card, laid_piece, target_outline

FloatArray = NDArray[np.float64]


def small_scene(name: str = "pepper mill", tilt_deg: float = 25.0) -> Scene:
    """A named piece lying beside a card, seen by a bent and off-centre lens, 756 x 567 px."""
    zr = NAMED[name]()
    place = laid_piece(zr, 0.15, 1.0)
    flat = laid_card(Card(85.55, 54.0, "colourful", 4), -12.0, -72.0, 0.1)
    lens = Camera(
        (756, 567), 558.4, (384.6, 279.3), 0.03, -0.02, np.eye(3), np.zeros(3), 0.0, 300.0
    )
    tilt = np.deg2rad(tilt_deg)
    toward = np.array([0.3 * np.sin(tilt), -np.sin(tilt), np.cos(tilt)])
    camera = framed(lens, zr, place, target_outline(flat), toward, np.array([0.0, 1.0, 0.0]), 0.82)
    phone = replace(drawn_phone(np.random.default_rng(3), 26), blur_px=0.6)
    light = Light(30.0, 50.0, 900.0, 60.0, 2.0)
    return Scene(
        "small", 7, "bench", zr, place, "beech", "planks", 20.0, (flat,), camera, light, phone
    )


def edge_offsets(
    picture: FloatArray, at: FloatArray, outward: FloatArray, reach: float = 3.0
) -> FloatArray:
    """Distance, px, from points to the edge of a bright thing on black, along outward normals.

    The sum of the brightness along the normal, from `reach` inside, is where the edge is: exact
    for a straight edge under any symmetric blur. NaN where the line does not run from bright to
    dark, because something else is near.
    """
    from scipy.ndimage import map_coordinates

    step = 0.05
    s = np.arange(-reach, reach, step) + step / 2.0
    line = at[:, None, :] + s[None, :, None] * outward[:, None, :]
    value = map_coordinates(picture, np.moveaxis(line[..., ::-1], -1, 0), order=3, mode="nearest")
    whole = (np.abs(value[:, :8].mean(axis=1) - 1.0) < 0.03) & (value[:, -8:].mean(axis=1) < 0.03)
    return np.where(whole, value.sum(axis=1) * step - reach, np.nan)


def on_straight_stretch(
    at: FloatArray, outward: FloatArray, reach: float = 5.0
) -> NDArray[np.bool_]:
    """Which outline points, (n, 2) px, have only near-collinear ones within reach: no kink near.

    Judged on the analytic outline alone, never on the picture: where two parts of an outline meet
    at an angle a line across one of them crosses the other.
    """
    from scipy.spatial import cKDTree

    straight = np.empty(len(at), bool)
    for i, near in enumerate(cKDTree(at).query_ball_point(at, reach)):
        straight[i] = np.abs((at[near] - at[i]) @ outward[i]).max() < 0.3
    return straight
