"""The focal length that belongs to a picture, and pictures that do not fit their EXIF."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.exif import CameraData, CameraId, judge_focal, read_exif
from tests.hostile.pictures import exif

WHOLE = (4032, 3024)


def camera(
    size: tuple[int, int] | None = WHOLE, focal: float | None = 26.0, zoom: float = 1.0
) -> CameraData:
    return CameraData(CameraId("Larkfield", "LF-7", 5.5, focal), 1, size, zoom, found=True)


def codes(data: CameraData, size: tuple[int, int]) -> list[str]:
    return [notice.code for notice in judge_focal(data, size).notices]


def test_tags_are_read() -> None:
    data = read_exif(exif(26, WHOLE, orientation=6, zoom=1.5)[6:])
    assert data.camera == CameraId("Larkfield", "LF-7", 5.5, 26.0)
    assert data.orientation == 6
    assert data.stated_size_px == WHOLE
    assert data.digital_zoom == 1.5
    assert data.found


def test_zoom_of_zero_means_not_used() -> None:
    # CIPA DC-008, tag DigitalZoomRatio: a numerator of 0 says that it was not used.
    assert read_exif(exif(zoom=0.0)[6:]).digital_zoom == 1.0


@given(st.binary(max_size=200))
def test_rubbish_is_no_exif(rubbish: bytes) -> None:
    data = read_exif(b"MM\x00*" + rubbish)
    assert data.orientation in range(1, 9)
    assert data.digital_zoom > 0.0


@given(st.integers(0, 170), st.binary(min_size=1, max_size=8))
def test_damaged_exif_never_raises(at: int, patch: bytes) -> None:
    good = bytearray(exif(26, WHOLE, orientation=6, zoom=1.5)[6:])
    good[at : at + len(patch)] = patch
    focal = read_exif(bytes(good)).camera.focal_35mm
    assert focal is None or math.isfinite(focal)


@pytest.mark.parametrize("size", [WHOLE, (3024, 4032), (4080, 3072), (4624, 3468), (6000, 4000)])
def test_whole_picture_keeps_its_focal_length(size: tuple[int, int]) -> None:
    reading = judge_focal(camera(size), size)
    assert (reading.focal_35mm, reading.framing, reading.notices) == (26.0, "whole", ())
    assert reading.relative_sd == pytest.approx(0.03)


def test_picture_turned_by_other_software_is_still_whole() -> None:
    assert judge_focal(camera(WHOLE), WHOLE[::-1]).framing == "whole"


@pytest.mark.parametrize("size", [(2016, 1512), (1600, 1200), (2015, 1511), (1000, 750)])
def test_rescaled_picture_keeps_its_focal_length(size: tuple[int, int]) -> None:
    reading = judge_focal(camera(), size)
    assert reading.focal_35mm == 26.0
    assert reading.framing == "rescaled"
    assert codes(camera(), size) == ["rescaled-picture"]


@pytest.mark.parametrize(
    ("stated", "size"),
    [
        (WHOLE, (3000, 3000)),  # square
        (WHOLE, (4032, 2268)),  # cut to 16:9 afterwards: the stated size tells
        (WHOLE, (3900, 3024)),  # a strip cut off
        (WHOLE, (4032, 3000)),
        ((3001, 2251), (3001, 2251)),  # stated size rewritten, but no camera makes odd sizes
        ((3000, 3000), (3000, 3000)),
        ((9000, 2400), (9000, 2400)),  # a panorama
        ((4000, 1800), (4000, 1800)),
        (None, (3000, 2800)),
    ],
)
def test_cropped_picture_loses_its_focal_length(
    stated: tuple[int, int] | None, size: tuple[int, int]
) -> None:
    reading = judge_focal(camera(stated), size)
    assert reading.focal_35mm is None
    assert reading.framing == "cropped"
    assert reading.relative_sd >= 0.5
    assert codes(camera(stated), size) == ["cropped-picture"]


@given(st.integers(200, 4032), st.integers(200, 3024))
def test_focal_length_is_believed_only_for_the_camera_s_own_shape(width: int, height: int) -> None:
    reading = judge_focal(camera(), (width, height))
    if reading.focal_35mm is not None:
        short, long = sorted((width, height))
        assert abs(short - long * 0.75) <= 1.75


def test_wide_mode_keeps_both_readings_inside_its_uncertainty() -> None:
    size = (4032, 2268)
    reading = judge_focal(camera(size), size)
    assert reading.framing == "wide"
    assert [n.code for n in reading.notices] == ["wide-picture"]
    assert reading.focal_35mm is not None
    # Either 26 mm for this diagonal, or 26 mm for the diagonal of the 4032 x 3024 sensor.
    for focal in (26.0, 26.0 * math.hypot(4032, 3024) / math.hypot(4032, 2268)):
        assert abs(math.log(focal / reading.focal_35mm)) < reading.relative_sd


def test_digital_zoom_keeps_both_readings_inside_its_uncertainty() -> None:
    reading = judge_focal(camera(focal=52.0, zoom=2.0), WHOLE)
    assert reading.focal_35mm == 52.0
    assert reading.framing == "zoomed"
    assert [n.code for n in reading.notices] == ["digital-zoom"]
    assert reading.relative_sd > math.log(2.0)


def test_silent_exif_is_named() -> None:
    assert codes(camera(focal=None), WHOLE) == ["no-focal"]
    assert codes(camera(size=None), WHOLE) == ["size-unstated"]
    assert codes(read_exif(b""), WHOLE) == ["no-exif"]


def test_messenger_picture_gets_its_own_advice() -> None:
    (large,) = judge_focal(read_exif(b""), WHOLE).notices
    (small,) = judge_focal(read_exif(b""), (1600, 1200)).notices
    assert "messenger" not in large.message
    assert "messenger" in small.message
    assert "1600 x 1200" in small.message
    assert small.advice != large.advice
