"""JPEGs of a printed board by synthetic warp, with the EXIF of a phone."""

import functools

import numpy as np
from boardwarp import look, warp
from PIL import Image

from calib.board import BOARDS

SIZE = (1008, 756)
LENS = np.array([786.0, 508.0, 371.0, 0.03, -0.02])
FOCAL_35MM = 27.0
PLACES = [(3, 0), (35, 10), (35, 95), (35, 185), (33, 275), (20, 45), (22, 135), (20, 225)]


@functools.cache
def board_picture(index, seed=0, board=BOARDS["a4"], lens=tuple(LENS), size=SIZE):
    """Return one picture of the board, grey, as the camera stores it."""
    random = np.random.default_rng([seed, index])
    tilt, turn = PLACES[index % len(PLACES)]
    rotation, translation = look(
        tilt + random.normal(0, 2),
        turn + random.normal(0, 8),
        float(random.choice([0.0, 90.0, 180.0])) + random.normal(0, 6),
        random.uniform(250, 300) * board.page_mm[0] / 297.0,
        random.normal(0, 25, 2),
    )
    return warp(
        board, np.array(lens), rotation, translation, size,
        blur_px=0.8, noise=0.01, sharpen=0.6, seed=97 * seed + index,
    )  # fmt: skip


def save_photo(path, grey, *, make="Harbour", model="Cafe 1", focal=FOCAL_35MM, orientation=1):
    """Write a JPEG; `grey` is as stored, before the orientation turns it."""
    picture = Image.fromarray(np.repeat(grey[..., None], 3, axis=2))
    exif = Image.Exif()
    exif[0x0112] = orientation
    if make:
        exif[0x010F], exif[0x0110] = make, model
    inner = exif.get_ifd(0x8769)
    inner[0x920A], inner[0xA405] = 4.2, round(focal)
    inner[0xA002], inner[0xA003] = picture.size
    picture.save(path, quality=93, exif=exif)
    return path
