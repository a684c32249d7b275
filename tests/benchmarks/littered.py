"""Rendered photos with other things drawn on the bench: whether the piece is still measured.

Run from the top folder: python -m tests.benchmarks.littered [--photos DIR] [--seeds N].
DIR is the folder of the accuracy benchmark; the sample photos unless given. Only wooden pieces
that lie on the bench count. A rule, a sheet cut by
the picture's edge, a pencil, coins, shavings and an offcut of the piece's own colour are drawn
into each photo, flat on the bench as the true camera sees them, clear of piece and target by a
finger's width. They are drawn, not rendered: they throw but a thin shadow.
"""

from __future__ import annotations

import argparse
import shutil
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tests.benchmarks.groundtruth import Truth, read_truth, truth_path
from tests.benchmarks.handedon import SAMPLES, is_of_wood, summary_line
from tests.benchmarks.tracedphoto import score_photo

__all__ = ["littered", "main", "on_bench"]

FloatArray = NDArray[np.float64]
Picture = NDArray[np.uint8]
Place = tuple[float, float, float]
"""Of a thing on the bench: x and y of its middle, mm, and its turn."""

QUALITY = 92
CLEAR_MM = 12.0
"""How far from piece and target things lie at least."""
TRIES = 400
SHIFT = 4
"""Corners are drawn to a sixteenth of a pixel."""
PALE, BRASS, YELLOW, STEEL = (226, 224, 216), (176, 150, 84), (214, 158, 42), (188, 190, 194)
DARK = (52, 50, 48)


def littered(photo: Path, seed: int, folder: Path) -> Path:
    """Write a photo with other things drawn beside the piece, with its truth; return its path."""
    truth = read_truth(photo)
    rng = np.random.default_rng([seed, len(truth.name)])
    with Image.open(photo) as opened:
        exif, mode = opened.info.get("exif", b""), opened.getexif().get(0x0112, 1)
        stored = np.array(opened.convert("RGB"))
    turns = {1: 0, 6: -1, 8: 1, 3: 2}[mode]
    picture = np.ascontiguousarray(np.rot90(stored, turns))
    free = _free(truth, picture.shape[:2])
    wood = _wood_colour(truth, picture)
    for k in rng.permutation(len(THINGS)):
        draw, length, width, whole = THINGS[k]
        place = _place(rng, truth, free, length, width, whole)
        if place is not None:
            draw(rng, truth, picture, place, wood)
    target = folder / photo.name
    out = np.ascontiguousarray(np.rot90(picture, -turns))
    Image.fromarray(out).save(target, quality=QUALITY, exif=exif)
    shutil.copy(truth_path(photo), truth_path(target))
    return target


def _rule(
    _: np.random.Generator, truth: Truth, picture: Picture, place: Place, __: FloatArray
) -> None:
    _paint(truth, picture, _box(place, 300.0, 25.0), STEEL)
    for k in range(0, 300, 5):
        tick = _box((*_at(place, k - 147.5, -9.0), place[2]), 0.5, 6.0)
        _paint(truth, picture, tick, DARK, shadow=False)


def _sheet(
    _: np.random.Generator, truth: Truth, picture: Picture, place: Place, __: FloatArray
) -> None:
    _paint(truth, picture, _box(place, 210.0, 148.0), PALE)


def _pencil(
    _: np.random.Generator, truth: Truth, picture: Picture, place: Place, wood: FloatArray
) -> None:
    _paint(truth, picture, _box(place, 150.0, 7.0), tuple(0.6 * np.array(YELLOW)))
    _paint(truth, picture, _box((*_at(place, 0.0, 0.8), place[2]), 150.0, 4.0), YELLOW)
    tip = np.array([_at(place, 75.0, -3.5), _at(place, 75.0, 3.5), _at(place, 92.0, 0.0)])
    _paint(truth, picture, tip, tuple(wood))


def _coin(
    _: np.random.Generator, truth: Truth, picture: Picture, place: Place, __: FloatArray
) -> None:
    turn = np.linspace(0.0, 2.0 * np.pi, 72, endpoint=False)
    for radius, colour in ((12.0, BRASS), (10.5, tuple(1.15 * np.array(BRASS)))):
        ring = radius * np.column_stack([np.cos(turn), np.sin(turn)]) + place[:2]
        _paint(truth, picture, ring, colour, shadow=radius > 11.0)


def _shavings(
    rng: np.random.Generator, truth: Truth, picture: Picture, place: Place, wood: FloatArray
) -> None:
    for _ in range(14):
        x, y = rng.uniform(-24.0, 24.0, 2)
        chip = (*_at(place, float(x), float(y)), float(rng.uniform(0.0, np.pi)))
        shade = tuple(wood * rng.uniform(0.7, 1.2))
        size = float(rng.uniform(5.0, 15.0)), float(rng.uniform(1.0, 4.0))
        _paint(truth, picture, _box(chip, *size), shade)


def _offcut(
    _: np.random.Generator, truth: Truth, picture: Picture, place: Place, wood: FloatArray
) -> None:
    _paint(truth, picture, _box(place, 70.0, 40.0), tuple(wood))


THINGS = (
    (_rule, 300.0, 25.0, False),
    (_sheet, 210.0, 148.0, False),
    (_pencil, 150.0, 7.0, True),
    (_coin, 25.0, 25.0, True),
    (_coin, 25.0, 25.0, True),
    (_shavings, 60.0, 60.0, True),
    (_offcut, 70.0, 40.0, True),
)
"""How each is drawn, what room it takes along and across, mm, and whether it must be seen whole."""


def _at(place: Place, along: float, across: float) -> tuple[float, float]:
    x, y, turn = place
    c, s = np.cos(turn), np.sin(turn)
    return float(x + along * c - across * s), float(y + along * s + across * c)


def _box(place: Place, length: float, width: float) -> FloatArray:
    half, side = length / 2.0, width / 2.0
    corners = ((half, side), (half, -side), (-half, -side), (-half, side))
    return np.array([_at(place, along, across) for along, across in corners])


def _to_pixels(truth: Truth, flat_mm: FloatArray) -> FloatArray:
    """Return pixels of points of the bench, (n, 2) mm."""
    return truth.to_pixels(np.column_stack([flat_mm, np.zeros(len(flat_mm))]))


def _place(
    rng: np.random.Generator, truth: Truth, free: Picture, length: float, width: float, whole: bool
) -> Place | None:  # fmt: skip
    """Return where a thing may lie, x, y and its turn, and take that from what is free.

    None where there is no room. What need not be whole may be cut by the picture's edge.
    """
    height, breadth = free.shape
    for _ in range(TRIES):
        x, y = _to_bench(truth, rng.uniform((0.0, 0.0), (breadth, height)))
        place = (x, y, float(rng.uniform(0.0, np.pi)))
        pixels = _to_pixels(truth, _box(place, length, width))
        inside = np.all((pixels > 0) & (pixels < (breadth, height)))
        own = _filled(free.shape, pixels)
        # Wide of the bench nothing is drawn at all.
        if (inside or not whole) and own.any() and free[own > 0].all():
            free[cv2.dilate(own, np.ones((15, 15), np.uint8)) > 0] = 0
            return place
    return None


def _to_bench(truth: Truth, pixel: FloatArray) -> tuple[float, float]:
    """Return the point of the bench under a pixel, mm; the lens' distortion hardly matters."""
    rotation = np.array(truth.data["R_world_to_cam"])
    eye = -rotation.T @ np.array(truth.data["t_world_to_cam"], dtype=np.float64)
    ray = rotation.T @ np.linalg.solve(np.array(truth.data["K"]), [*pixel, 1.0])
    x, y, _ = eye - ray * eye[2] / ray[2]
    return float(x), float(y)


def _free(truth: Truth, shape: tuple[int, int]) -> Picture:
    """Return 1 where things may be drawn: on the bench, clear of piece and target."""
    taken = np.zeros(shape, dtype=np.uint8)
    z, r = truth.meridian.T
    turn = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    to_world = np.array(truth.data["piece_to_world"])
    rings = []
    for at, radius in zip(z, r + CLEAR_MM, strict=True):
        ring = np.column_stack([radius * np.cos(turn), radius * np.sin(turn), np.full(24, at)])
        rings.append(truth.to_pixels(ring @ to_world[:3, :3].T + to_world[:3, 3]))
    for first, second in pairwise(rings):
        taken |= _filled(shape, np.concatenate([first, second]))
    for target in truth.data["targets"]:
        half = np.array([target["w"], target["h"]]) / 2.0 + CLEAR_MM
        signs = np.array([[1.0, 1.0], [1.0, -1.0], [-1.0, -1.0], [-1.0, 1.0]])
        corners = np.column_stack([signs * half, np.zeros(4), np.ones(4)])
        to_world = np.array(target["target_to_world"])
        taken |= _filled(
            shape, truth.to_pixels(np.ascontiguousarray((corners @ to_world.T)[:, :3]))
        )
    return np.asarray(1 - taken, dtype=np.uint8)


def _wood_colour(truth: Truth, picture: Picture) -> FloatArray:
    """Return the usual colour of the piece, (3,)."""
    ends = np.array(truth.data["axis_px"])
    line = ends[0] + np.linspace(0.2, 0.8, 60)[:, None] * (ends[1] - ends[0])
    x, y = np.rint(line).astype(np.int64).T
    return np.asarray(np.median(picture[y, x], axis=0), dtype=np.float64)


def _filled(shape: tuple[int, int], pixels: FloatArray) -> Picture:
    mask = np.zeros(shape, dtype=np.uint8)
    hull = cv2.convexHull(np.rint(pixels).astype(np.int32))
    cv2.fillConvexPoly(mask, hull, 1)
    return mask


def _paint(
    truth: Truth, picture: Picture, flat_mm: FloatArray, colour: Sequence[float],
    shadow: bool = True,
) -> None:  # fmt: skip
    """Draw something flat (n, 2) mm on the bench, with a thin shadow all round it."""
    pixels = _to_pixels(truth, flat_mm)
    low = np.maximum(np.floor(pixels.min(axis=0)).astype(np.int64) - 20, 0)
    high = np.minimum(np.ceil(pixels.max(axis=0)).astype(np.int64) + 20, picture.shape[1::-1])
    if np.any(high <= low):
        return
    part = picture[low[1] : high[1], low[0] : high[0]]
    mask = np.zeros(part.shape[:2], dtype=np.uint8)
    corners = np.rint((pixels - low) * 2**SHIFT).astype(np.int32)
    cv2.fillConvexPoly(mask, corners, 255, cv2.LINE_AA, SHIFT)
    cover = cv2.GaussianBlur(mask, (0, 0), 1.0).astype(np.float64)[..., None] / 255.0
    shade = cv2.GaussianBlur(mask, (0, 0), 5.0).astype(np.float64)[..., None] / 255.0
    ground = part * (1.0 - 0.4 * shade) if shadow else part.astype(np.float64)
    noise = np.random.default_rng(len(pixels)).normal(0.0, 2.0, part.shape)
    drawn = ground + cover * (np.array(colour) + noise - ground)
    picture[low[1] : high[1], low[0] : high[0]] = np.clip(np.rint(drawn), 0, 255).astype(np.uint8)


def on_bench(photo: Path) -> bool:
    """Return whether a photo shows a wooden piece that lies on the bench."""
    return is_of_wood(photo) and read_truth(photo).request().setup == "bench"


def main() -> None:
    """Read the options, and print a line for the photos as taken and one for each littering."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=Path, default=SAMPLES, metavar="DIR")
    parser.add_argument("--seeds", type=int, default=3, metavar="N")
    options = parser.parse_args()
    photos = [photo for photo in sorted(options.photos.rglob("*.jpg")) if on_bench(photo)]
    print(summary_line("as taken", [score_photo(photo) for photo in photos]), flush=True)
    for seed in range(options.seeds):
        scores = []
        for photo in photos:
            with TemporaryDirectory() as folder:
                scores.append(score_photo(littered(photo, seed, Path(folder))))
        print(summary_line(f"littered {seed}", scores), flush=True)


if __name__ == "__main__":
    main()
