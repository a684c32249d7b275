"""What a picture file says of itself, read from its bytes before anything is decoded."""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass
from typing import Any, Literal

__all__ = [
    "BrokenHeaderError",
    "Header",
    "heic_header",
    "jpeg_header",
    "picture_kind",
    "png_header",
]

Kind = Literal["jpeg", "png", "heic", "other", "text", "unknown"]

_OTHER_PICTURES: tuple[tuple[bytes, str], ...] = (
    (b"GIF8", "GIF"),
    (b"BM", "BMP"),
    (b"II*\x00", "TIFF or raw"),
    (b"MM\x00*", "TIFF or raw"),
    (b"\x00\x00\x00\x0cJXL ", "JPEG XL"),
    (b"\xff\x0a", "JPEG XL"),
    (b"\x00\x00\x00\x0cjP  ", "JPEG 2000"),
    (b"%PDF", "PDF"),
)
_HEIC_BRANDS = (b"heic", b"heix", b"mif1")
_SEQUENCE_BRANDS = (b"hevc", b"hevx", b"msf1")
_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]", re.DOTALL)
_SOF = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}
_HUFFMAN_SOF = {0xC0, 0xC1, 0xC2}
_EXIF_HEAD = b"Exif\x00\x00"


class BrokenHeaderError(ValueError):
    """The bytes end early or contradict themselves; the text says how, for the turner."""


@dataclass(frozen=True, slots=True)
class Header:
    """What the file claims, before decoding.

    Attributes
    ----------
    size_px : (width, height) as stored, before any turning.
    channels : 1 grey, 2 grey with transparency, 3 colour, 4 CMYK (JPEG) or colour with
        transparency (PNG).
    depth : bits per channel.
    exif : the TIFF block of the EXIF data, b"" if there is none.
    palette, transparent, animated : as named.
    odd : None, or a short name of a coding that is not handled.
    """

    size_px: tuple[int, int]
    channels: int
    depth: int
    exif: bytes = b""
    palette: bool = False
    transparent: bool = False
    animated: bool = False
    odd: str | None = None


def picture_kind(data: bytes) -> tuple[Kind, str]:
    """Return what the bytes are, by their beginning, and a name for people."""
    if data.startswith(b"\xff\xd8\xff"):
        return "jpeg", "JPEG"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "png", "PNG"
    if data[4:8] == b"ftyp":
        brands = {data[8:12]} | {data[i : i + 4] for i in range(16, _box_end(data), 4)}
        if data[8:12] in _SEQUENCE_BRANDS:
            return "other", "moving HEIC"
        if b"avif" in brands or b"avis" in brands:
            return "other", "AVIF"
        if brands.intersection(_HEIC_BRANDS):
            return "heic", "HEIC"
        return "other", "video"
    if data.startswith(b"RIFF") and data[8:12] == b"WEBP":
        return "other", "WebP"
    for start, name in _OTHER_PICTURES:
        if data.startswith(start):
            return "other", name
    return ("text", "text") if _looks_like_text(data[:1024]) else ("unknown", "unknown")


def _box_end(data: bytes) -> int:
    return min(int.from_bytes(data[:4], "big"), 256, len(data) - 3)


def _looks_like_text(start: bytes) -> bool:
    try:
        text = start.decode("utf-8", errors="strict" if len(start) < 1024 else "ignore")
    except UnicodeDecodeError:
        return False
    return all(c.isprintable() or c in "\r\n\t\f\ufeff" for c in text)


def jpeg_header(data: bytes) -> Header:
    """Read a JPEG's markers up to the end of its first picture [T.81].

    Phones append a second picture (a gain map, a preview) after the first one's end: what
    comes after the first end marker is not looked at.

    Raises
    ------
    BrokenHeaderError
        If the file ends before the picture's end marker, or has no picture.
    """
    frame: tuple[int, int, int, int, int] | None = None
    exif = b""
    at = 2
    while True:
        found = _MARKER.search(data, at)
        if found is None:
            raise BrokenHeaderError("the picture breaks off before its end")
        marker = data[found.start() + 1]
        at = found.end()
        if marker == 0xD9:
            break
        if marker == 0x01 or marker == 0xD8:
            continue
        length = int.from_bytes(data[at : at + 2], "big")
        if length < 2 or at + length > len(data):
            raise BrokenHeaderError("the picture breaks off before its end")
        body = data[at + 2 : at + length]
        if marker in _SOF and frame is None:
            if len(body) < 6:
                raise BrokenHeaderError("the picture's size cannot be read")
            depth, height, width, channels = struct.unpack(">BHHB", body[:6])
            frame = (marker, width, height, channels, depth)
        elif marker == 0xE1 and not exif and body.startswith(_EXIF_HEAD):
            exif = body[len(_EXIF_HEAD) :]
        at += length
    if frame is None:
        raise BrokenHeaderError("there is no picture in it")
    marker, width, height, channels, depth = frame
    odd = None if marker in _HUFFMAN_SOF else "a rare JPEG coding (lossless or arithmetic)"
    return Header((width, height), channels, depth, exif, odd=odd)


def png_header(data: bytes) -> Header:
    """Read a PNG's chunks up to its end [ISO15948].

    Raises
    ------
    BrokenHeaderError
        If the file ends before the end chunk, or has no header.
    """
    at = 8
    ihdr = exif = b""
    palette = transparent = animated = False
    while True:
        if at + 12 > len(data):
            raise BrokenHeaderError("the picture breaks off before its end")
        length, name = struct.unpack(">I4s", data[at : at + 8])
        body = data[at + 8 : at + 8 + min(length, 1 << 20)]
        if at + 12 + length > len(data):
            raise BrokenHeaderError("the picture breaks off before its end")
        if name == b"IHDR":
            ihdr = body
        elif name == b"eXIf":
            exif = body.removeprefix(_EXIF_HEAD)
        elif name == b"tRNS":
            transparent = True
        elif name == b"acTL":
            animated = True
        elif name == b"IEND":
            break
        at += 12 + length
    if len(ihdr) != 13:
        raise BrokenHeaderError("the picture's size cannot be read")
    width, height, depth, colour = struct.unpack(">IIBB", ihdr[:10])
    palette = colour == 3
    channels = {0: 1, 2: 3, 3: 3, 4: 2, 6: 4}.get(colour, 0)
    if channels == 0:
        raise BrokenHeaderError("its colours cannot be read")
    transparent = transparent or colour in (4, 6)
    return Header((width, height), channels, depth, exif, palette, transparent, animated)


def heic_header(data: bytes) -> Header:
    """Read a HEIC's main picture's size, depth and EXIF [ISO23008-12].

    A HEIC says itself how its picture is turned; its EXIF orientation is a copy that readers
    must not apply a second time. So `size_px` here is the displayed size, and the orientation
    in `exif` is to be ignored.

    Raises
    ------
    BrokenHeaderError
        If the container cannot be read.
    """
    import io

    import pillow_heif

    try:
        container = pillow_heif.open_heif(
            io.BytesIO(data), convert_hdr_to_8bit=False, bgr_mode=False
        )
        picture = container[container.primary_index]
        width, height = picture.size
        info: dict[str, Any] = dict(picture.info)
        exif: bytes = info.get("exif") or b""
        depth = int(info.get("bit_depth", 8))
        curve = (info.get("nclx_profile") or {}).get("transfer_characteristics", 0)
    except Exception as error:  # its errors are of many types, none documented
        raise BrokenHeaderError("its container cannot be read") from error
    odd = "a high-dynamic-range brightness curve" if int(curve) in (16, 18) else None
    return Header(
        (width, height),
        3,
        depth,
        exif.removeprefix(_EXIF_HEAD),
        transparent=bool(picture.has_alpha),
        odd=odd,
    )
