"""A good photo: what is read from it, and how long that takes."""

import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from calib.exif import CameraId
from calib.photo import read_photo
from tests.hostile.pictures import exif, packed, scene


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "HEIF"])
def test_camera_and_focal_length_are_read(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "mill 4, café.jpg"
    path.write_bytes(packed(scene(), kind, exif(26, (400, 300))))
    photo = read_photo(path)
    assert photo.name == "mill 4, café.jpg"
    assert photo.camera == CameraId("Larkfield", "LF-7", 5.5, 26.0)
    assert (photo.focal_35mm, photo.focal_relative_sd) == (26.0, 0.03)
    assert (photo.framing, photo.notices) == ("whole", ())
    assert photo.bgr.shape == (300, 400, 3)
    assert photo.bgr.dtype == np.uint8
    assert photo.bgr.flags.c_contiguous


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "HEIF"])
def test_upright_photo_is_judged_as_the_camera_stored_it(tmp_path: Path, kind: str) -> None:
    # The stated size is that of the sensor, 400 x 300, whatever way the phone was held.
    path = tmp_path / "mill"
    path.write_bytes(packed(scene(), kind, exif(26, (400, 300), orientation=6)))
    photo = read_photo(path)
    assert photo.size_px == (300, 400)
    assert (photo.focal_35mm, photo.framing) == (26.0, "whole")


def test_cropped_photo_is_named(tmp_path: Path) -> None:
    path = tmp_path / "mill"
    path.write_bytes(packed(scene()[:, :300], "JPEG", exif(26, (400, 300))))
    photo = read_photo(path)
    assert photo.focal_35mm is None
    assert [n.code for n in photo.notices] == ["cropped-picture"]


def quickest(work: Callable[[], object]) -> float:
    times = []
    for _ in range(5):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


@pytest.mark.parametrize("orientation", [1, 6])
def test_reading_costs_barely_more_than_decoding(tmp_path: Path, orientation: int) -> None:
    # About 1.03 times here; 1.5 allows for a busy machine.
    path = tmp_path / "mill.jpg"
    path.write_bytes(packed(scene(4032, 3024), "JPEG", exif(26, (4032, 3024), orientation)))
    plain = quickest(lambda: cv2.imread(str(path)))
    ours = quickest(lambda: read_photo(path))
    assert ours < 1.5 * plain
