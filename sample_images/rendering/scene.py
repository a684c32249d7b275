"""What is in a photo: the piece, what it lies on, what measures it, the light, the phone."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.rendering.camera import Camera

__all__ = ["Board", "Flat", "Light", "Phone", "Prop", "Scene", "digest", "pose", "rotation_about"]

FloatArray = NDArray[np.float64]

RENDERER = 3
"""Counts changes of the renderer that change every picture."""


@dataclass(frozen=True, slots=True)
class Flat:
    """A card: its true size, look and place (target frame: origin in the middle of its face)."""

    width_mm: float
    height_mm: float
    thickness_mm: float
    corner_mm: float
    art: str
    art_seed: int
    to_world: FloatArray


@dataclass(frozen=True, slots=True)
class Board:
    """A printed page: a picture and the true size that the printer gave it, mm.

    `nominal_mm` is the size it should have; the face is `thickness_mm` over the bench.
    """

    name: str
    picture: str
    nominal_mm: tuple[float, float]
    true_mm: tuple[float, float]
    thickness_mm: float
    to_world: FloatArray


@dataclass(frozen=True, slots=True)
class Prop:
    """Something else in the picture: a "block" (size x, y, z) or "turned" (meridian as (n, 2))."""

    kind: str
    size: FloatArray
    to_world: FloatArray
    colour: tuple[float, float, float]
    metal: bool = False


@dataclass(frozen=True, slots=True)
class Light:
    """The room's even light and one lamp or window, a square that faces the origin.

    Attributes
    ----------
    azimuth_deg, elevation_deg : where the lamp is, seen from the origin.
    distance_mm, side_mm : how far and how large; small and far throws hard shadows.
    strength : irradiance of the lamp over that of the room.
    """

    azimuth_deg: float
    elevation_deg: float
    distance_mm: float
    side_mm: float
    strength: float
    warmth: float = 0.0


@dataclass(frozen=True, slots=True)
class Phone:
    """What the phone does to the picture, and what it writes about itself."""

    focal_35mm: int
    focal_mm: float
    blur_px: float
    vignette: float
    electrons: float
    read_electrons: float
    tone: float
    sharpen: float
    sharpen_px: float
    quality: int
    subsampling: str
    orientation: int
    balance: tuple[float, float, float]
    brightness: float = 0.78
    seed: int = 0


@dataclass(frozen=True, slots=True)
class Scene:
    """Everything that a photo depends on.

    Attributes
    ----------
    setup : "bench", "upright" or "plane", as the tool calls them.
    zr : (n, 2) meridian of the piece, mm.
    piece_to_world : (4, 4).
    material : a wood, "laminated", or "steel".
    told : what the turner tells the tool, for instance {"known": [[97.0, 44.03]]}.
    drawn : errors drawn that the tool is not told, for the record.
    bench_edge_mm : y where the bench ends and the room shows; None if it fills the picture.
    free_z : None, or from..to of z that is not inside a chuck.
    """

    name: str
    seed: int
    setup: str
    zr: FloatArray
    piece_to_world: FloatArray
    material: str
    support: str
    support_turn_deg: float
    targets: tuple[Flat | Board, ...]
    camera: Camera
    light: Light
    phone: Phone
    props: tuple[Prop, ...] = ()
    bench_edge_mm: float | None = None
    told: dict[str, Any] = dataclasses.field(default_factory=dict)
    drawn: dict[str, Any] = dataclasses.field(default_factory=dict)
    free_z: tuple[float, float] | None = None


def digest(scene: Scene) -> str:
    """Return a short digest of everything in a scene: equal digests render alike."""

    def plain(value: Any) -> Any:
        if isinstance(value, np.ndarray):
            return np.round(value, 9).tolist()
        if isinstance(value, np.generic):
            return value.item()
        raise TypeError(f"got {type(value)}, need plain data")

    text = json.dumps([RENDERER, dataclasses.asdict(scene)], default=plain, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def rotation_about(axis: str, angle_rad: float) -> FloatArray:
    """Return the right-handed rotation, (3, 3), about a coordinate axis."""
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    i, j = {"x": (1, 2), "y": (2, 0), "z": (0, 1)}[axis]
    matrix = np.eye(3)
    matrix[i, i] = matrix[j, j] = c
    matrix[i, j], matrix[j, i] = -s, s
    return matrix


def pose(rotation: FloatArray, shift: FloatArray) -> FloatArray:
    """Return the (4, 4) of a rotation and a shift."""
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = rotation, shift
    return matrix
