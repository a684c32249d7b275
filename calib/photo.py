"""Read a photo safely: what it is, how large, which way up, and with which lens."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.decoding import DamagedPictureError, decode_heic, decode_plain, opaque
from calib.exif import CameraId, Framing, judge_focal, read_exif
from calib.headers import (
    BrokenHeaderError,
    Header,
    heic_header,
    jpeg_header,
    picture_kind,
    png_header,
)
from calib.nearby import missing_file_advice
from calib.orientation import turn
from calib.refusal import BadFileError, Notice

__all__ = ["LARGEST_FILE_BYTES", "LARGEST_PIXELS", "CameraId", "Photo", "read_photo"]

LARGEST_PIXELS = 60_000_000
LARGEST_FILE_BYTES = 100_000_000
SMALLEST_SIDE_PX = 100
BYTES_PER_PIXEL = 6
"""Three as decoded and three more while it is turned upright."""


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo as it is shown, with what its camera says of it.

    Attributes
    ----------
    name : the file's name.
    bgr : (H, W, 3), uint8, sRGB-encoded, the way up that it is displayed.
    focal_35mm : 35 mm equivalent referred to this picture's diagonal, mm; None if EXIF is
        silent or the picture does not fit what EXIF claims.
    focal_relative_sd : its standard uncertainty as a fraction; 0.03 for a whole photo, more
        where a crop, a wide mode or digital zoom leave it open. Belongs into the lens prior.
    framing : what became of the camera's picture, see `calib.exif.FocalReading`; "cropped"
        also means that the optical centre need not be near the picture's centre.
    orientation : EXIF's value, 1 to 8, by which the stored picture was turned. A lens saved
        for the stored picture is turned with `calib.orientation.displayed_points`.
    camera : which camera and lens.
    notices : what the turner should know.
    """

    name: str
    bgr: NDArray[np.uint8]
    focal_35mm: float | None
    camera: CameraId
    notices: tuple[Notice, ...]
    focal_relative_sd: float = 0.03
    framing: Framing = "whole"
    orientation: int = 1

    @property
    def size_px(self) -> tuple[int, int]:
        """(width, height) as displayed."""
        return (self.bgr.shape[1], self.bgr.shape[0])


def read_photo(path: Path, largest_pixels: int = LARGEST_PIXELS) -> Photo:
    """Read a JPEG, PNG or HEIC.

    Parameters
    ----------
    path : the file.
    largest_pixels : refuse a larger picture, before decoding.

    Raises
    ------
    BadFileError
        If it cannot be read, is no such picture, is damaged or would need too much memory.
    """
    data = _read_bytes(path)
    kind, kind_name = picture_kind(data)
    try:
        if kind == "jpeg":
            header = jpeg_header(data)
        elif kind == "png":
            header = png_header(data)
        elif kind == "heic":
            header = heic_header(data)
        else:
            raise _no_photo(path.name, kind, kind_name)
    except BrokenHeaderError as error:
        raise _damaged(path.name, str(error)) from None
    _check_size(path.name, header, largest_pixels)
    _check_coding(path.name, header, kind_name)
    camera_data = read_exif(header.exif)
    reading = judge_focal(camera_data, header.size_px)
    try:
        if kind == "heic":
            bgr = decode_heic(data)
        else:
            if header.transparent and not opaque(data):
                raise _transparent(path.name)
            bgr = turn(decode_plain(data), camera_data.orientation)
    except DamagedPictureError:
        raise _damaged(path.name, "part of the picture is missing or spoilt") from None
    notices = (*reading.notices, *((_GREY,) if header.channels < 3 else ()))
    return Photo(
        name=path.name,
        bgr=bgr,
        focal_35mm=reading.focal_35mm,
        camera=camera_data.camera,
        notices=notices,
        focal_relative_sd=reading.relative_sd,
        framing=reading.framing,
        orientation=camera_data.orientation,
    )


def _read_bytes(path: Path) -> bytes:
    try:
        # Not opened before it is known to be a file: opening a pipe would wait for ever.
        info = path.stat()
        if stat.S_ISDIR(info.st_mode):
            raise BadFileError(
                "not-a-file", f"{path} is a folder, not a photo.", "Name one photo in it."
            )
        if not stat.S_ISREG(info.st_mode):
            raise BadFileError("not-a-file", f"{path} is not a file.", "Name a photo.")
        if info.st_size > LARGEST_FILE_BYTES:
            raise BadFileError(
                "file-too-large",
                f"{path.name} has {info.st_size / 1e6:.0f} MB; "
                f"the limit is {LARGEST_FILE_BYTES / 1e6:.0f} MB.",
                "Take the photo as an ordinary JPEG of about 12 megapixels.",
            )
        data = path.read_bytes()
    except FileNotFoundError:
        raise BadFileError(
            "no-such-file", f"There is no file {path}.", missing_file_advice(path)
        ) from None
    except (OSError, ValueError) as error:
        reason = (
            os.strerror(error.errno) if isinstance(error, OSError) and error.errno else "bad name"
        )
        raise BadFileError(
            "cannot-read",
            f"{path} cannot be read: {reason}.",
            "Check its permissions, or copy it to another folder.",
        ) from None
    if not data:
        raise BadFileError(
            "empty-file", f"{path.name} is empty (0 bytes).", "Copy the photo from the phone again."
        )
    return data


def _check_size(name: str, header: Header, largest_pixels: int) -> None:
    width, height = header.size_px
    if width * height > largest_pixels:
        need = width * height * BYTES_PER_PIXEL / 1e9
        raise BadFileError(
            "too-many-pixels",
            f"{name} is {width} x {height} pixels ({width * height / 1e6:.0f} megapixels) and "
            f"would need {need:.1f} GB of memory just to open; the limit is "
            f"{largest_pixels / 1e6:.0f} megapixels.",
            "Set the camera to about 12 megapixels and take the photo again.",
        )
    if min(width, height) < SMALLEST_SIDE_PX:
        raise BadFileError(
            "too-few-pixels",
            f"{name} is only {width} x {height} pixels.",
            "Use the photo just as the phone saved it, not a preview of it.",
        )


def _check_coding(name: str, header: Header, kind_name: str) -> None:
    trouble = header.odd
    if kind_name == "JPEG" and header.channels == 4:
        trouble = "print colours (CMYK)"
    elif kind_name == "JPEG" and header.depth != 8:
        trouble = f"{header.depth} bits a colour, which is no ordinary JPEG"
    elif header.palette:
        trouble = "a palette of at most 256 colours, which spoils edges"
    elif header.animated:
        trouble = "several moving pictures"
    elif kind_name == "JPEG" and header.channels not in (1, 3):
        trouble = f"{header.channels} colour channels"
    if trouble:
        raise BadFileError(
            "odd-picture",
            f"{name} holds {trouble}.",
            "Use the photo just as the phone saved it, or save it as an ordinary JPEG.",
        )


def _no_photo(name: str, kind: str, kind_name: str) -> BadFileError:
    what = {"text": "holds text, not a photo", "other": f"is a {kind_name} file"}.get(
        kind, "is not a picture that can be read here"
    )
    return BadFileError(
        "not-a-photo", f"{name} {what}.", "Use a JPEG, PNG or HEIC photo straight from the phone."
    )


def _damaged(name: str, how: str) -> BadFileError:
    return BadFileError(
        "damaged-picture", f"{name} is damaged: {how}.", "Copy the photo from the phone again."
    )


def _transparent(name: str) -> BadFileError:
    return BadFileError(
        "odd-picture",
        f"{name} is partly transparent, as if cut out.",
        "Use the photo just as the phone saved it.",
    )


_GREY = Notice(
    "grey-picture",
    "The photo has no colour, which helps to tell an edge from its shadow.",
    "Take it in colour.",
)
