"""Each of EXIF's eight orientations, in each format, against an independent library."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from calib.orientation import displayed_points, displayed_size, turn
from calib.photo import read_photo
from tests.hostile.pictures import exif, packed, scene


def shown(orientation: int) -> np.ndarray:
    # Pillow's own reading of the tag is the reference for what is displayed.
    picture = Image.fromarray(scene())
    picture.getexif()[0x0112] = orientation
    return np.asarray(ImageOps.exif_transpose(picture))


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize(("kind", "most"), [("PNG", 0.0), ("JPEG", 4.0), ("HEIF", 4.0)])
def test_photo_is_the_way_up_that_it_is_displayed(
    tmp_path: Path, kind: str, most: float, orientation: int
) -> None:
    path = tmp_path / "photo"
    path.write_bytes(packed(scene(), kind, exif(orientation=orientation)))
    photo = read_photo(path)
    expected = shown(orientation)
    assert photo.bgr.shape == expected.shape
    assert photo.size_px == (expected.shape[1], expected.shape[0])
    difference = photo.bgr[..., ::-1].astype(float) - expected
    assert np.sqrt(np.mean(difference**2)) <= most
    assert photo.orientation == orientation


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_agrees_with_what_opencv_displays(tmp_path: Path, orientation: int) -> None:
    path = tmp_path / "photo.jpg"
    path.write_bytes(packed(scene(), "JPEG", exif(orientation=orientation)))
    np.testing.assert_array_equal(read_photo(path).bgr, cv2.imread(str(path)))


@pytest.mark.parametrize("orientation", range(1, 9))
def test_points_turn_with_the_picture(orientation: int) -> None:
    stored = np.zeros((5, 8), np.uint8)
    stored[1, 6] = 255
    x, y = displayed_points(np.array([6.0, 1.0]), (8, 5), orientation)
    picture = turn(stored, orientation)
    assert picture.shape[::-1] == displayed_size((8, 5), orientation)
    assert picture[int(y), int(x)] == 255
    assert np.count_nonzero(picture) == 1


def test_orientation_out_of_range_is_misuse_in_code_and_ignored_in_a_file(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="orientation is 9"):
        turn(np.zeros((4, 4), np.uint8), 9)
    path = tmp_path / "photo.jpg"
    path.write_bytes(packed(scene(), "JPEG", exif(orientation=9)))
    assert read_photo(path).size_px == (400, 300)
