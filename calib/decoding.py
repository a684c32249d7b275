"""From a file's bytes to a picture, and nothing less than the whole picture."""

from __future__ import annotations

import io
import os
import re
import sys
import tempfile
import threading
from collections.abc import Callable
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["DamagedPictureError", "decode_heic", "decode_plain", "opaque"]

Picture = NDArray[np.uint8]
_T = TypeVar("_T")

_HARMLESS_EXTRA_BYTES = 16
"""Some phones pad a JPEG's data by a few bytes (from memory, no source); more means that the
decoder lost its place. Spoilt data after which it finds its place again by chance pass: about one
file in twenty with 512 bytes overwritten."""
_DAMAGE = re.compile(
    r"premature end|bad huffman|instead of rst|inconsistent progression|bad progression"
    r"|corrupt data|crc error|libpng error",
    re.IGNORECASE,
)
_EXTRA = re.compile(r"(\d+) extraneous bytes before marker")


class DamagedPictureError(ValueError):
    """The decoder could not read the picture, or had to invent part of it."""


def decode_plain(data: bytes) -> Picture:
    """Decode a JPEG or PNG as stored, not turned.

    Returns
    -------
    (H, W, 3) BGR, uint8. Grey comes as three equal channels, 16 bit reduced to 8, and
    transparency dropped.

    Raises
    ------
    DamagedPictureError
        If it cannot be decoded, or if the decoder reports that it filled in a part.
    """
    flags = cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        picture, said = _listening(lambda: cv2.imdecode(np.frombuffer(data, np.uint8), flags))
    except cv2.error as error:
        raise DamagedPictureError("decoder error") from error
    extra = _EXTRA.search(said)
    if picture is None or _DAMAGE.search(said):
        raise DamagedPictureError(said or "decoder error")
    if extra and int(extra.group(1)) > _HARMLESS_EXTRA_BYTES:
        raise DamagedPictureError(said)
    return np.asarray(picture, dtype=np.uint8)


def opaque(data: bytes) -> bool:
    """Return whether a PNG with a transparency channel hides nothing."""
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    if picture is None or picture.ndim != 3 or picture.shape[2] not in (2, 4):
        return False
    full = 65535 if picture.dtype == np.uint16 else 255
    return bool(picture[..., -1].min() == full)


def decode_heic(data: bytes) -> Picture:
    """Decode a HEIC's main picture, turned as its container says (see `heic_header`).

    Returns
    -------
    (H, W, 3) BGR, uint8.

    Raises
    ------
    DamagedPictureError
        If it cannot be decoded.
    """
    import pillow_heif

    try:
        container = pillow_heif.open_heif(io.BytesIO(data), bgr_mode=True)
        picture = np.asarray(container[container.primary_index])
    except Exception as error:  # its errors are of many types, none documented
        raise DamagedPictureError(str(error)) from error
    return np.ascontiguousarray(picture[..., :3], dtype=np.uint8)


def _listening(work: Callable[[], _T]) -> tuple[_T, str]:
    """Run the work and return what it gives and what C code wrote to standard error.

    The JPEG decoder tells of damage nowhere else: it fills the missing part with grey and
    reports success. Taking its words in also keeps them off the turner's screen. Standard error
    is the whole program's: one thread at a time may take it, or the last to give it back would
    give back another's file.
    """
    with _ONE_AT_A_TIME:
        return _listening_alone(work)


_ONE_AT_A_TIME = threading.Lock()


def _listening_alone(work: Callable[[], _T]) -> tuple[_T, str]:
    sys.stderr.flush()
    saved = os.dup(2)
    try:
        with tempfile.TemporaryFile() as heard:
            os.dup2(heard.fileno(), 2)
            try:
                result = work()
            finally:
                os.dup2(saved, 2)
            heard.seek(0)
            return result, heard.read(65536).decode("utf-8", errors="replace")
    finally:
        os.close(saved)
