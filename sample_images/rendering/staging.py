"""Setting the stage: a piece laid down, a card beside it, and a camera that frames both."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.rendering.camera import Camera, facing
from sample_images.rendering.cards import CORNER_MM, THICKNESS_MM, Card
from sample_images.rendering.contour import outline_of
from sample_images.rendering.meshes import rounded_outline
from sample_images.rendering.resting import lying
from sample_images.rendering.scene import Flat, pose, rotation_about

__all__ = [
    "StageError",
    "apart_px",
    "drawn_camera",
    "framed",
    "laid_card",
    "laid_piece",
    "outline_px",
    "placed_beside",
    "target_outline",
]

FloatArray = NDArray[np.float64]
Rng = np.random.Generator

DIAGONAL_35MM = float(np.hypot(36.0, 24.0))


class StageError(Exception):
    """These draws make no picture that a turner would take; draw again."""


def laid_piece(
    zr: FloatArray, yaw_rad: float, spin_rad: float, lifts: tuple[float, float] = (0.0, 0.0)
) -> FloatArray:
    """Return piece_to_world, (4, 4), of a piece that rests on the bench, middle over the origin."""
    height, tilt = lying(zr).heights(*lifts)
    rotation = (
        rotation_about("z", yaw_rad)
        @ rotation_about("y", np.pi / 2.0 - tilt)
        @ rotation_about("z", spin_rad)
    )
    half = zr[-1, 0] / 2.0 * rotation[:2, 2]
    return pose(rotation, np.array([-half[0], -half[1], height]))


def laid_card(card: Card, x: float, y: float, turn_rad: float) -> Flat:
    """Return a card flat on the bench, face up, its middle at (x, y)."""
    place = pose(rotation_about("z", turn_rad), np.array([x, y, THICKNESS_MM]))
    return Flat(card.width_mm, card.height_mm, THICKNESS_MM, CORNER_MM, card.art, card.seed, place)


def placed_beside(
    rng: Rng, card: Card, zr: FloatArray, yaw_rad: float, gap_mm: float, side: int
) -> Flat:
    """Return the card beside a lying piece, its nearest point `gap_mm` off the thickest part."""
    turn = rng.normal(0.0, np.deg2rad(8.0)) + (np.pi / 2.0 if rng.random() < 0.2 else 0.0)
    turn += np.pi if rng.random() < 0.3 else 0.0
    reach = abs(card.width_mm / 2.0 * np.sin(turn)) + abs(card.height_mm / 2.0 * np.cos(turn))
    across = side * (float(zr[:, 1].max()) + gap_mm + reach)
    free = max(zr[-1, 0] / 2.0 - 35.0, 0.0)
    along = rng.uniform(-free, free)
    c, s = np.cos(yaw_rad), np.sin(yaw_rad)
    return laid_card(card, along * c - across * s, along * s + across * c, yaw_rad + turn)


def drawn_camera(rng: Rng, size_px: tuple[int, int], focal_35mm: int) -> Camera:
    """Return a camera at the origin whose lens is drawn from the phone lenses' prior.

    Focal length within 3 % of what EXIF says, principal point 20 px at 12 MP, k1 0.015 and
    k2 0.01 (standard deviations).
    """
    diagonal = float(np.hypot(*size_px))
    true = focal_35mm * (1.0 + rng.uniform(-0.03, 0.03))
    shift = rng.normal(0.0, 20.0 * diagonal / 5040.0, 2)
    return Camera(
        size_px=size_px,
        focal_px=true / DIAGONAL_35MM * diagonal,
        centre_px=((size_px[0] - 1) / 2.0 + shift[0], (size_px[1] - 1) / 2.0 + shift[1]),
        k1=float(np.clip(rng.normal(0.0, 0.015), -0.0375, 0.0375)),
        k2=float(np.clip(rng.normal(0.0, 0.01), -0.025, 0.025)),
        rotation=np.eye(3),
        translation=np.zeros(3),
        aperture_mm=float(rng.uniform(0.3, 1.0)),
    )


def target_outline(target: Flat) -> FloatArray:
    """Return the outline of a card's face in the world, (n, 3), mm."""
    flat = rounded_outline(target.width_mm, target.height_mm, target.corner_mm, 12)
    points = np.column_stack([flat, np.zeros(len(flat))])
    return np.asarray(points @ target.to_world[:3, :3].T + target.to_world[:3, 3])


def outline_px(camera: Camera, zr: FloatArray, piece_to_world: FloatArray) -> FloatArray:
    """Return the piece's outline in the picture, (n, 2), both sides, hidden parts too."""
    outline = outline_of(zr, piece_to_world, camera.position, 1.0, 5)
    return camera.to_pixels(outline.points.reshape(-1, 3))


def framed(
    camera: Camera,
    zr: FloatArray,
    piece_to_world: FloatArray,
    others: FloatArray,
    direction: FloatArray,
    up: FloatArray,
    fill: float,
    drift: tuple[float, float] = (0.0, 0.0),
) -> Camera:
    """Return the camera moved so that piece and card fill the frame.

    Parameters
    ----------
    others : (n, 3) world points that must be in the picture as well.
    direction : (3,) from the subject toward the camera.
    up : (3,) world direction that is up in the picture.
    fill : the larger of the two extents, as a fraction of the frame's side.
    drift : how far off the middle the subject lies, as a fraction of the free margin.

    Raises
    ------
    StageError
        No distance frames it.
    """
    direction = direction / np.linalg.norm(direction)
    frame = np.array(camera.size_px, float)
    middle = (
        piece_to_world[:3, 3] + piece_to_world[:3, 2] * zr[-1, 0] / 2.0 + others.mean(axis=0)
    ) / 2.0
    distance = 400.0
    for _ in range(60):
        rotation, shift = facing(middle + distance * direction, middle, up)
        camera = replace(camera, rotation=rotation, translation=shift)
        if camera.depth(others).min() < 30.0:
            distance *= 1.5
            continue
        points = np.concatenate([outline_px(camera, zr, piece_to_world), camera.to_pixels(others)])
        low, high = points.min(axis=0), points.max(axis=0)
        extent = float(np.max((high - low) / frame))
        aim = frame / 2.0 + np.array(drift) * (frame - (high - low)) / 2.0
        off = (low + high) / 2.0 - aim
        middle = middle + rotation.T @ np.append(off / camera.focal_px * distance, 0.0)
        distance *= 1.0 + 0.8 * (extent / fill - 1.0)
        if abs(extent / fill - 1.0) < 1e-3 and np.abs(off).max() < 2.0:
            depth = camera.depth(piece_to_world[:3, 3] + piece_to_world[:3, 2] * zr[-1, 0] / 2.0)
            return replace(camera, focus_mm=float(depth))
    raise StageError("no distance frames piece and card")


def apart_px(
    camera: Camera, zr: FloatArray, piece_to_world: FloatArray, points: FloatArray
) -> float:
    """Return how far world points, (n, 3), stay clear of the piece's hull in the picture, px."""
    hull = cv2.convexHull(outline_px(camera, zr, piece_to_world).astype(np.float32))
    return min(
        -cv2.pointPolygonTest(hull, (float(x), float(y)), True) for x, y in camera.to_pixels(points)
    )
