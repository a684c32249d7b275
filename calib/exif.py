"""What the camera wrote into the photo (EXIF), and how far the picture still fits it.

The focal length decides the scale of depth, so it is believed only while the picture is the
one that the camera made: a crop changes which focal length belongs to it, without a trace in
the focal length's own tag.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

from calib.refusal import Notice

__all__ = ["CameraData", "CameraId", "FocalReading", "Framing", "judge_focal", "read_exif"]

Framing = Literal["whole", "rescaled", "wide", "zoomed", "cropped", "unknown"]

OWN_SHAPES = (4.0 / 3.0, 3.0 / 2.0)
"""Aspects of whole sensors: phones 4:3, cameras 3:2 (common practice, no source)."""
WIDE_SHAPE = 16.0 / 9.0
SHAPE_TOLERANCE = 0.007
"""Makers round to whole blocks of pixels: 4080 x 3072 is 0.4 % off 4:3."""
FOCAL_RELATIVE_SD = 0.03
UNKNOWN_RELATIVE_SD = 0.5
MESSENGER_LONG_SIDE_PX = 2048


@dataclass(frozen=True, slots=True)
class CameraId:
    """Which camera and lens, as far as EXIF says; empty or None where it does not.

    `lens_focal_mm` is the real focal length, `focal_35mm` the stated 35 mm equivalent. The two
    together tell a phone's several lenses apart.
    """

    make: str
    model: str
    lens_focal_mm: float | None
    focal_35mm: float | None


@dataclass(frozen=True, slots=True)
class CameraData:
    """The tags that matter here.

    Attributes
    ----------
    camera : see `CameraId`.
    orientation : 1 to 8; 1 where absent or out of range.
    stated_size_px : (PixelXDimension, PixelYDimension), None if absent.
    digital_zoom : DigitalZoomRatio, 1 where absent or 0 ("not used").
    found : whether there was any EXIF that could be read.
    """

    camera: CameraId
    orientation: int
    stated_size_px: tuple[int, int] | None
    digital_zoom: float
    found: bool


@dataclass(frozen=True, slots=True)
class FocalReading:
    """The focal length that belongs to the picture as it is.

    Attributes
    ----------
    focal_35mm : 35 mm equivalent referred to the diagonal of this very picture, mm; None if
        it cannot be known.
    relative_sd : standard uncertainty as a fraction of it; where None, of any guess.
    framing : "whole" as the camera made it; "rescaled" all of it at another size; "wide" a
        phone's 16:9 mode; "zoomed" digitally; "cropped" afterwards (the optical centre may be
        anywhere, and the focal length longer than a phone's usual one); "unknown".
    notices : what the turner should know.
    """

    focal_35mm: float | None
    relative_sd: float
    framing: Framing
    notices: tuple[Notice, ...]


def read_exif(tiff: bytes) -> CameraData:
    """Return the tags of an EXIF block (without its "Exif" head); b"" or rubbish give none.

    References
    ----------
    [CIPA-DC-008], tags 0x010F, 0x0110, 0x0112, 0x920A, 0xA002, 0xA003, 0xA404, 0xA405.
    """
    base, sub = _tags(tiff)
    width, height = _positive(sub.get(0xA002)), _positive(sub.get(0xA003))
    orientation = base.get(0x0112, 1)
    camera = CameraId(
        make=_text(base.get(0x010F)),
        model=_text(base.get(0x0110)),
        lens_focal_mm=_positive(sub.get(0x920A)),
        focal_35mm=_positive(sub.get(0xA405)),
    )
    return CameraData(
        camera=camera,
        orientation=orientation if orientation in range(1, 9) else 1,
        stated_size_px=(round(width), round(height)) if width and height else None,
        digital_zoom=_positive(sub.get(0xA404)) or 1.0,
        found=bool(base or sub),
    )


def _tags(tiff: bytes) -> tuple[dict[int, Any], dict[int, Any]]:
    if not tiff:
        return {}, {}
    import warnings

    from PIL import Image

    exif = Image.Exif()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of single damaged tags, which are then absent
        try:
            exif.load(tiff)
            return dict(exif), dict(exif.get_ifd(0x8769))
        except Exception:  # damaged EXIF raises a dozen types, none of them documented
            return {}, {}


def _positive(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if math.isfinite(number) and 0.0 < number < 1e6 else None


def _text(value: Any) -> str:
    return value.replace("\x00", "").strip() if isinstance(value, str) else ""


def judge_focal(data: CameraData, size_px: tuple[int, int]) -> FocalReading:
    """Return the focal length that belongs to a picture of this size.

    Parameters
    ----------
    data : what the camera wrote.
    size_px : (width, height) of the picture, stored or displayed.

    Notes
    -----
    The 35 mm equivalent refers to the diagonal [CIPA-DCG-001]. Two habits of makers are not
    settled by any standard, so both readings are kept inside the uncertainty:

    - In 16:9 some phones state the equivalent of the whole 4:3 sensor, whose diagonal is
      1.09 times as long, others that of the part used. Assumed: the width is that of the
      sensor. The middle is given, with half the difference added to the uncertainty.
    - With digital zoom the equivalent may or may not hold the zoom. It is taken as stated,
      and the whole ratio added to the uncertainty.

    A crop to the camera's own shape, with the stated size rewritten to match, cannot be told
    from a whole picture.
    """
    stated = data.camera.focal_35mm
    if not data.found or stated is None:
        return FocalReading(None, UNKNOWN_RELATIVE_SD, "unknown", (_silent(data, size_px),))
    fit = _fit(data.stated_size_px, size_px)
    if fit == "cropped":
        return FocalReading(None, UNKNOWN_RELATIVE_SD, "cropped", (_cropped(data, size_px),))
    notices: list[Notice] = []
    framing: Framing = "whole"
    if data.stated_size_px is None:
        notices.append(_SIZE_UNSTATED)
    if fit == "rescaled":
        framing = "rescaled"
        notices.append(_rescaled(data, size_px))
    focal, variance = stated, FOCAL_RELATIVE_SD**2
    if _is_shape(size_px, WIDE_SHAPE):
        framing = "wide"
        half = 0.5 * math.log(math.hypot(4.0, 3.0) / math.hypot(4.0, 9.0 / 4.0))
        focal *= math.exp(half)
        variance += half**2
        notices.append(_WIDE)
    if abs(data.digital_zoom - 1.0) > 0.005:
        framing = "zoomed"
        variance += math.log(data.digital_zoom) ** 2
        notices.append(_zoomed(data.digital_zoom))
    return FocalReading(focal, math.sqrt(variance), framing, tuple(notices))


def _fit(
    stated: tuple[int, int] | None, size_px: tuple[int, int]
) -> Literal["whole", "rescaled", "cropped"]:
    """Say how a picture's size agrees with the stated one and with any camera's own shapes."""
    long, short = max(size_px), min(size_px)
    own = any(_is_shape(size_px, shape) for shape in (*OWN_SHAPES, WIDE_SHAPE))
    if stated is None:
        return "whole" if own else "cropped"
    long_0, short_0 = max(stated), min(stated)
    # Rounding to whole pixels moves each side by less than one.
    if abs(short - long * short_0 / long_0) > 1.0 + short_0 / long_0 or not own:
        return "cropped"
    if (long, short) != (long_0, short_0):
        return "rescaled"
    # Cameras make even sizes, since colour is stored for blocks of two by two pixels.
    return "cropped" if long % 2 or short % 2 else "whole"


def _is_shape(size_px: tuple[int, int], shape: float) -> bool:
    return abs(max(size_px) / min(size_px) / shape - 1.0) < SHAPE_TOLERANCE


_SIZE_UNSTATED = Notice(
    "size-unstated",
    "The photo does not say how large it was when taken, so a crop would go unnoticed.",
    "Use the photo just as the phone saved it.",
)
_WIDE = Notice(
    "wide-picture",
    "The photo is 16:9, where phones differ in what focal length they state.",
    "Set the camera to 4:3 for a surer result.",
)


def _silent(data: CameraData, size_px: tuple[int, int]) -> Notice:
    if data.found:
        return Notice(
            "no-focal",
            "The photo does not say its 35 mm equivalent focal length.",
            "Tilt the phone 20 to 25 degrees when you take it, or calibrate the lens.",
        )
    if max(size_px) <= MESSENGER_LONG_SIDE_PX:
        return Notice(
            "no-exif",
            f"The photo is only {size_px[0]} x {size_px[1]} pixels and carries no camera data, "
            "as messengers send them.",
            "Send the original as a file, or copy it by cable.",
        )
    return Notice(
        "no-exif",
        "The photo carries no camera data, so its focal length is not known.",
        "Use the photo just as the phone saved it.",
    )


def _sizes(data: CameraData, size_px: tuple[int, int]) -> str:
    now = f"{size_px[0]} x {size_px[1]}"
    if data.stated_size_px is None:
        return f"it is {now} pixels"
    width, height = data.stated_size_px
    return f"taken at {width} x {height} pixels, now {now}"


def _cropped(data: CameraData, size_px: tuple[int, int]) -> Notice:
    return Notice(
        "cropped-picture",
        f"The photo looks cropped ({_sizes(data, size_px)}), so its focal length is not known.",
        "Use the whole photo just as the phone saved it, in 4:3.",
    )


def _rescaled(data: CameraData, size_px: tuple[int, int]) -> Notice:
    return Notice(
        "rescaled-picture",
        f"The photo was rescaled ({_sizes(data, size_px)}).",
        "Use the photo just as the phone saved it: it shows more.",
    )


def _zoomed(ratio: float) -> Notice:
    return Notice(
        "digital-zoom",
        f"The photo was taken with {ratio:.1f} times digital zoom, so its focal length is unsure.",
        "Go nearer and take it without zoom, or calibrate the lens at this zoom.",
    )
