"""The phone's chain, from linear light to a JPEG file with EXIF."""

from __future__ import annotations

import io

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from sample_images.rendering.scene import Phone

__all__ = ["developed", "drawn_phone", "jpeg"]

MAKE, MODEL = "Harbour", "Pocket 1"
_TURNS = {1: 0, 3: 2, 6: 1, 8: 3}
"""EXIF orientation: quarter turns anticlockwise from the displayed picture to the stored one."""


def drawn_phone(rng: np.random.Generator, focal_35mm: int, orientation: int = 1) -> Phone:
    """Return a phone's processing, drawn from what phones do."""
    u = rng.uniform
    balance = 1.0 + rng.normal(0.0, 0.025, 3)
    return Phone(
        focal_35mm=focal_35mm,
        focal_mm=round(focal_35mm * 0.21, 2),
        blur_px=float(u(0.6, 0.9)),
        vignette=float(u(0.08, 0.25)),
        electrons=float(u(5000.0, 12000.0)),
        read_electrons=float(u(3.0, 8.0)),
        tone=float(u(0.0, 0.12)),
        sharpen=float(u(0.2, 0.6)),
        sharpen_px=float(u(0.8, 1.3)),
        quality=int(rng.integers(90, 96)),
        subsampling="4:2:0" if rng.random() < 0.6 else "4:4:4",
        orientation=orientation,
        balance=(float(balance[0]), 1.0, float(balance[2])),
        brightness=float(u(0.68, 0.85)),
        seed=int(rng.integers(1 << 30)),
    )


def developed(linear: NDArray[np.float32], phone: Phone) -> NDArray[np.uint8]:
    """Return the displayed picture, (rows, columns, 3) sRGB, that the phone makes of light.

    Parameters
    ----------
    linear : (rows, columns, 3) light at the sensor after the lens's blur, any scale.
    """
    rng = np.random.default_rng(phone.seed)
    shaded = linear * _vignette(linear.shape[:2], phone.vignette)[..., None]
    exposure = phone.brightness / float(np.quantile(shaded[::4, ::4].max(axis=2), 0.97))
    light = np.clip(shaded * exposure, 0.0, 1.0)
    count = light * phone.electrons
    spread = np.sqrt(count + phone.read_electrons**2, dtype=np.float32)
    light = (count + spread * rng.standard_normal(count.shape, np.float32)) / phone.electrons
    light *= np.array(phone.balance, np.float32)
    encoded = _srgb(np.clip(light, 0.0, 1.0))
    # A mild S: shadows down, lights up, ends fixed.
    encoded -= phone.tone * np.sin(2.0 * np.pi * encoded) / (2.0 * np.pi)
    soft = cv2.GaussianBlur(encoded, (0, 0), phone.sharpen_px)
    encoded += phone.sharpen * (encoded - soft)
    return np.asarray(np.clip(np.round(encoded * 255.0), 0, 255), np.uint8)


def _vignette(shape: tuple[int, int], strength: float) -> NDArray[np.float32]:
    rows, columns = shape
    y = (np.arange(rows, dtype=np.float32) - (rows - 1) / 2.0)[:, None]
    x = (np.arange(columns, dtype=np.float32) - (columns - 1) / 2.0)[None, :]
    r2 = (x * x + y * y) / ((rows * rows + columns * columns) / 4.0)
    return np.asarray(1.0 - strength * r2, np.float32)


def _srgb(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """IEC 61966-2-1, encoding."""
    return np.where(
        light <= 0.0031308,
        12.92 * light,
        1.055 * np.power(np.maximum(light, 1e-6), 1 / 2.4) - 0.055,
    )


def jpeg(picture: NDArray[np.uint8], phone: Phone) -> bytes:
    """Return the JPEG file of a displayed picture: stored as the phone's orientation says."""
    stored = np.rot90(picture, _TURNS[phone.orientation])
    height, width = stored.shape[:2]
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = MAKE, MODEL, phone.orientation
    detail = exif.get_ifd(0x8769)
    detail[0x9003] = "2026:05:09 10:12:00"
    detail[0x920A] = IFDRational(round(phone.focal_mm * 100), 100)
    detail[0xA405] = phone.focal_35mm
    detail[0xA404] = IFDRational(1, 1)
    detail[0xA002], detail[0xA003] = width, height
    file = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(stored)).save(
        file, "JPEG", quality=phone.quality, subsampling=phone.subsampling, exif=exif
    )
    return file.getvalue()
