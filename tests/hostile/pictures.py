"""Small pictures made in memory for the tests of reading: good ones and bad ones."""

from __future__ import annotations

import io
import struct
import zlib

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

CORNERS = {"top left": (200, 30, 30), "top right": (30, 200, 30), "bottom left": (30, 30, 200)}


def scene(width: int = 400, height: int = 300, seed: int = 1) -> NDArray[np.uint8]:
    """Return an RGB picture with some texture and a different colour in each corner."""
    rng = np.random.default_rng(seed)
    noise = cv2.GaussianBlur(rng.normal(0.0, 40.0, (height, width)), (0, 0), 2.0)
    rgb = np.full((height, width, 3), 120.0) + noise[..., None] * 3.0
    h, w = height // 3, width // 3
    rgb[:h, :w] = CORNERS["top left"]
    rgb[:h, -w:] = CORNERS["top right"]
    rgb[-h:, :w] = CORNERS["bottom left"]
    return np.clip(rgb, 0, 255).astype(np.uint8)


def exif(
    focal_35mm: int | None = 26,
    size: tuple[int, int] | None = None,
    orientation: int | None = None,
    zoom: float | None = None,
) -> bytes:
    """Return EXIF bytes of an invented camera."""
    tags = Image.Exif()
    tags[0x010F], tags[0x0110] = "Larkfield", "LF-7"
    if orientation is not None:
        tags[0x0112] = orientation
    inner = tags.get_ifd(0x8769)
    inner[0x920A] = 5.5
    if focal_35mm is not None:
        inner[0xA405] = focal_35mm
    if size is not None:
        inner[0xA002], inner[0xA003] = size
    if zoom is not None:
        inner[0xA404] = zoom
    return tags.tobytes()


def packed(
    rgb: NDArray[np.uint8], kind: str = "JPEG", exif_bytes: bytes = b"", **more: object
) -> bytes:
    """Return a picture file's bytes; kind is JPEG, PNG or HEIF."""
    if kind == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
    options: dict[str, object] = {} if kind == "PNG" else {"quality": 95}
    if exif_bytes:
        options["exif"] = exif_bytes
    stream = io.BytesIO()
    Image.fromarray(rgb).save(stream, kind, **{**options, **more})
    return stream.getvalue()


def jpeg_claiming(width: int, height: int) -> bytes:
    """Return a JPEG whose header states another size than it holds."""
    data = bytearray(packed(scene()))
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", height, width)
    return bytes(data)


def png_claiming(width: int, height: int) -> bytes:
    """Return a PNG whose header states another size than it holds, with a valid checksum."""
    data = bytearray(packed(scene(), "PNG"))
    data[16:24] = struct.pack(">II", width, height)
    data[29:33] = struct.pack(">I", zlib.crc32(bytes(data[12:29])))
    return bytes(data)
