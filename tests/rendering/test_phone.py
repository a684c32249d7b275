"""The phone's chain: encoding, orientation, EXIF."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image, ImageOps

from sample_images.rendering.phone import developed, drawn_phone, jpeg


def plain_phone(**changes: object):
    quiet = replace(
        drawn_phone(np.random.default_rng(1), 26),
        electrons=1e7, read_electrons=0.0, tone=0.0, sharpen=0.0, vignette=0.0,
        balance=(1.0, 1.0, 1.0), brightness=0.8, quality=95, subsampling="4:4:4",
    )  # fmt: skip
    return replace(quiet, **changes)


@pytest.mark.parametrize("light", [0.002, 0.01, 0.05, 0.2, 0.5])
def test_encoding_is_srgb(light: float) -> None:
    """IEC 61966-2-1: V = 12.92 L, above 0.0031308 V = 1.055 L^(1/2.4) - 0.055."""
    picture = np.full((80, 120, 3), light, np.float32)
    picture[:, :60] = 0.8
    value = developed(picture, plain_phone())[40, 100, 0] / 255.0
    expected = 12.92 * light if light <= 0.0031308 else 1.055 * light ** (1.0 / 2.4) - 0.055
    assert value == pytest.approx(expected, abs=0.003)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_viewers_show_the_picture_upright(orientation: int) -> None:
    """Pillow's exif_transpose as the reference for EXIF's orientation tag."""
    picture = np.zeros((90, 160, 3), np.uint8)
    picture[:30, :40] = (250, 40, 40)
    picture[60:, 120:] = (40, 40, 250)
    file = jpeg(picture, plain_phone(orientation=orientation))
    shown = ImageOps.exif_transpose(Image.open(io.BytesIO(file)))
    assert shown.size == (160, 90)
    difference = np.abs(np.asarray(shown).astype(int) - picture)
    assert np.quantile(difference, 0.95) < 12
    assert difference.mean() < 3.0


def test_exif_says_what_the_phone_claims() -> None:
    file = jpeg(np.zeros((30, 40, 3), np.uint8), plain_phone(focal_35mm=27, focal_mm=5.67))
    exif = Image.open(io.BytesIO(file)).getexif()
    detail = exif.get_ifd(0x8769)
    assert (exif[0x010F], exif[0x0110]) == ("Harbour", "Pocket 1")
    assert detail[0xA405] == 27
    assert float(detail[0x920A]) == pytest.approx(5.67)
    assert (detail[0xA002], detail[0xA003]) == (40, 30)


def test_shot_noise_is_what_was_asked_for() -> None:
    """Poisson: sd = sqrt(signal x electrons) / electrons, in linear light."""
    phone = plain_phone(electrons=8000.0)
    value = developed(np.full((300, 400, 3), 0.5, np.float32), phone).astype(float) / 255.0
    light = ((value + 0.055) / 1.055) ** 2.4
    assert light.mean() == pytest.approx(0.8, rel=0.01)
    # The wanted noise and the rounding to 8 bits: step 1/255 in V, dL/dV = 2.4 L / (V + 0.055).
    rounding = 2.4 * 0.8 / (0.906 + 0.055) / 255.0 / np.sqrt(12.0)
    expected = np.hypot(np.sqrt(0.8 / 8000.0), rounding)
    assert light.std() == pytest.approx(expected, rel=0.05)
