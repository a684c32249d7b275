"""What holds a piece or a card: chuck and centre of a lathe, a block or a rod behind the card."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sample_images.rendering.cards import CORNER_MM, THICKNESS_MM, Card
from sample_images.rendering.scene import Flat, Prop, pose, rotation_about

__all__ = ["block_behind", "lathe", "rod_behind", "upright_card"]

FloatArray = NDArray[np.float64]

IRON, STEEL, WOOD = (0.045, 0.055, 0.06), (0.8, 0.8, 0.8), (0.35, 0.24, 0.14)


def upright_card(card: Card, place: FloatArray) -> Flat:
    """Return a card whose face looks toward -y of its place, (4, 4)."""
    face = place @ pose(rotation_about("x", np.pi / 2.0), np.zeros(3))
    return Flat(card.width_mm, card.height_mm, THICKNESS_MM, CORNER_MM, card.art, card.seed, face)


def block_behind(card: Flat) -> Prop:
    """Return the block of wood that a card on its long edge leans on."""
    centre = card.to_world[:3, 3]
    size = np.array([34.0, 16.0, 26.0])
    back = card.thickness_mm + size[1] / 2.0 + 0.05
    return Prop("block", size, pose(np.eye(3), [centre[0], centre[1] + back, size[2] / 2.0]), WOOD)


def rod_behind(card: Flat) -> Prop:
    """Return the rod that holds a card from behind."""
    centre = card.to_world[:3, 3]
    size = np.array([9.0, 180.0, 9.0])
    back = card.thickness_mm + size[1] / 2.0 + 0.05
    return Prop("block", size, pose(np.eye(3), centre + np.array([0.0, back, 0.0])), WOOD)


def lathe(
    zr: FloatArray, piece_to_world: FloatArray, grip_mm: float, centre_at_a: bool
) -> tuple[Prop, ...]:
    """Return a lathe round a piece that is chucked at end B: chuck, bed, and a centre at end A.

    Parameters
    ----------
    grip_mm : how much of end B the jaws cover.
    centre_at_a : whether the tailstock's centre is run up to end A.
    """
    length = float(zr[-1, 0])
    grip = float(zr[zr[:, 0] >= length - grip_mm - 1e-6, 1].max())
    jaws = [[0.0, grip + 9.0], [18.0, grip + 11.0], [18.0, 47.0], [75.0, 47.0], [75.0, 30.0]]
    props = [_on_axis(np.array(jaws), piece_to_world, length - grip_mm)]
    if centre_at_a:
        # A 60 degree centre, its point 4 mm deep in the end.
        cone = [[0.0, 11.0], [30.0, 11.0], [30.0, 7.0], [42.0, 7.0], [54.124, 0.0]]
        props.append(_on_axis(np.array(cone), piece_to_world, 4.0 - 54.124))
        quill = [[0.0, 16.0], [90.0, 16.0]]
        props.append(_on_axis(np.array(quill), piece_to_world, 4.0 - 54.124 - 90.0))
    middle = (piece_to_world @ np.array([0.0, 0.0, length / 2.0, 1.0]))[:3]
    for y in (middle[1] - 20.0, middle[1] + 75.0):
        way = np.array([1400.0, 38.0, 40.0])
        props.append(Prop("block", way, pose(np.eye(3), [middle[0], y, 20.0]), IRON))
    return tuple(props)


def _on_axis(zr: FloatArray, piece_to_world: FloatArray, at_mm: float) -> Prop:
    along = pose(np.eye(3), np.array([0.0, 0.0, at_mm]))
    return Prop("turned", zr, piece_to_world @ along, STEEL, metal=True)
