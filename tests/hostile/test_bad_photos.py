"""Every bad file ends with one line that says what is wrong and one that says what to do."""

import io
import os
import subprocess
import sys
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from calib.photo import LARGEST_FILE_BYTES, read_photo
from calib.refusal import BadFileError
from tests.hostile.pictures import exif, jpeg_claiming, packed, png_claiming, scene

GOOD = packed(scene(), "JPEG", exif(26, (400, 300)))
PROGRESSIVE = packed(scene(), "JPEG", progressive=True)
PNG = packed(scene(), "PNG")
HEIC = packed(scene(), "HEIF")


def moving_png() -> bytes:
    frames = [Image.fromarray(scene(seed=s)) for s in (1, 2)]
    stream = io.BytesIO()
    frames[0].save(stream, "PNG", save_all=True, append_images=frames[1:])
    return stream.getvalue()


def see_through_png() -> bytes:
    alpha = np.full((300, 400, 1), 255, np.uint8)
    alpha[:50] = 0
    return packed(np.concatenate([scene(), alpha], axis=-1), "PNG")


def cmyk_jpeg() -> bytes:
    stream = io.BytesIO()
    Image.fromarray(scene()).convert("CMYK").save(stream, "JPEG")
    return stream.getvalue()


def palette_png() -> bytes:
    stream = io.BytesIO()
    Image.fromarray(scene()).quantize(64).save(stream, "PNG")
    return stream.getvalue()


def as_format(kind: str) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(scene()).save(stream, kind)
    return stream.getvalue()


def hole_in(data: bytes) -> bytes:
    middle = len(data) // 2
    return data[:middle] + data[middle + 3000 :]


def noise_in(data: bytes) -> bytes:
    middle = len(data) // 2
    junk = np.random.default_rng(2).integers(0, 255, 2000, dtype=np.uint8).tobytes()
    return data[:middle] + junk + data[middle + 2000 :]


BAD: dict[str, tuple[str, Callable[[], bytes]]] = {
    "0 bytes": ("empty-file", lambda: b""),
    "text renamed": ("not-a-photo", lambda: b"Pepper mill no. 4, 210 long\nneck 28\n" * 50),
    "one letter": ("not-a-photo", lambda: b"x"),
    "page of the web": ("not-a-photo", lambda: "<!doctype html><p>café".encode()),
    "random bytes": ("not-a-photo", lambda: np.random.default_rng(0).bytes(5000)),
    "GIF renamed": ("not-a-photo", lambda: as_format("GIF")),
    "WebP renamed": ("not-a-photo", lambda: as_format("WEBP")),
    "TIFF renamed": ("not-a-photo", lambda: as_format("TIFF")),
    "video renamed": ("not-a-photo", lambda: b"\x00\x00\x00\x14ftypisom\x00\x00\x02\x00mp42" * 9),
    "JPEG cut in its header": ("damaged-picture", lambda: GOOD[:200]),
    "JPEG cut in the middle": ("damaged-picture", lambda: GOOD[: len(GOOD) // 2]),
    "JPEG without its last byte": ("damaged-picture", lambda: GOOD[:-1]),
    "progressive JPEG cut": ("damaged-picture", lambda: PROGRESSIVE[: len(PROGRESSIVE) * 2 // 3]),
    "JPEG half downloaded": (
        "damaged-picture",
        lambda: GOOD[: len(GOOD) // 2] + bytes(len(GOOD) // 2),
    ),
    "JPEG with a piece missing": ("damaged-picture", lambda: hole_in(GOOD)),
    "JPEG with a spoilt piece": ("damaged-picture", lambda: noise_in(GOOD)),
    "only a JPEG's start": ("damaged-picture", lambda: b"\xff\xd8\xff"),
    "JPEG start and end": ("damaged-picture", lambda: b"\xff\xd8\xff\xd9"),
    "PNG cut": ("damaged-picture", lambda: PNG[: len(PNG) // 2]),
    "PNG without its end": ("damaged-picture", lambda: PNG[:-12]),
    "PNG with a spoilt byte": (
        "damaged-picture",
        lambda: PNG[: len(PNG) // 2] + b"\x00\xff\x00" + PNG[len(PNG) // 2 + 3 :],
    ),
    "only a PNG's start": ("damaged-picture", lambda: PNG[:8]),
    "HEIC cut": ("damaged-picture", lambda: HEIC[: len(HEIC) // 2]),
    "HEIC cut in its header": ("damaged-picture", lambda: HEIC[:60]),
    "200 megapixel JPEG header": ("too-many-pixels", lambda: jpeg_claiming(16320, 12240)),
    "200 megapixel PNG header": ("too-many-pixels", lambda: png_claiming(16320, 12240)),
    "4 gigapixel PNG header": ("too-many-pixels", lambda: png_claiming(65535, 65535)),
    "header of no height": ("too-few-pixels", lambda: jpeg_claiming(400, 0)),
    "thumbnail": ("too-few-pixels", lambda: packed(scene(80, 60))),
    "CMYK JPEG": ("odd-picture", cmyk_jpeg),
    "palette PNG": ("odd-picture", palette_png),
    "moving PNG": ("odd-picture", moving_png),
    "see-through PNG": ("odd-picture", see_through_png),
}


def refusal_of(path: Path) -> BadFileError:
    with pytest.raises(BadFileError) as caught:
        read_photo(path)
    notice = caught.value.notice
    for line in (notice.message, notice.advice):
        assert line
        assert "\n" not in line
        assert line.endswith(".")
    return caught.value


@pytest.mark.parametrize("name", BAD)
def test_bad_file_is_refused(tmp_path: Path, name: str, capfd: pytest.CaptureFixture[str]) -> None:
    code, make = BAD[name]
    path = tmp_path / "mill.jpg"
    path.write_bytes(make())
    refusal = refusal_of(path)
    assert refusal.notice.code == code
    assert refusal.exit_status == 2
    assert "mill.jpg" in refusal.notice.message
    # Decoders in C must not add lines of their own to the screen.
    assert capfd.readouterr() == ("", "")


def test_missing_file_folder_and_pipe(tmp_path: Path) -> None:
    assert refusal_of(tmp_path / "none.jpg").notice.code == "no-such-file"
    assert refusal_of(tmp_path).notice.code == "not-a-file"
    assert refusal_of(Path("mill\0.jpg")).notice.code == "cannot-read"
    assert refusal_of(tmp_path / ("a" * 5000)).notice.code == "cannot-read"
    pipe = tmp_path / "pipe.jpg"
    os.mkfifo(pipe)
    assert refusal_of(pipe).notice.code == "not-a-file"


READ_AS_NOBODY = """
import os, sys
from pathlib import Path
from calib.photo import read_photo
from calib.refusal import BadFileError
if os.geteuid() == 0:
    os.setuid(65534)
try:
    read_photo(Path(sys.argv[1]))
except BadFileError as error:
    print(error.notice.code)
"""


def test_file_without_permission(tmp_path: Path) -> None:
    path = tmp_path / "mill.jpg"
    path.write_bytes(GOOD)
    path.chmod(0)
    said = subprocess.run(
        [sys.executable, "-c", READ_AS_NOBODY, path], capture_output=True, text=True, check=True
    )
    assert said.stdout.strip() == "cannot-read"


def test_too_large_a_file_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "mill.jpg"
    with path.open("wb") as file:
        file.write(GOOD)
        file.truncate(LARGEST_FILE_BYTES + 1)  # takes no room on disk
    tracemalloc.start()
    refusal = refusal_of(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert refusal.notice.code == "file-too-large"
    assert peak < 1_000_000


def test_too_many_pixels_are_refused_before_decoding(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "mill.jpg"
    path.write_bytes(jpeg_claiming(16320, 12240))
    monkeypatch.setattr(cv2, "imdecode", lambda *_: pytest.fail("decoded"))
    message = refusal_of(path).notice.message
    assert "200 megapixels" in message
    assert "1.2 GB" in message  # 16320 x 12240 x 6 bytes
    with pytest.raises(BadFileError):
        read_photo_limited(tmp_path)


def read_photo_limited(folder: Path) -> None:
    path = folder / "small.jpg"
    path.write_bytes(GOOD)
    read_photo(path, largest_pixels=400 * 300 - 1)


ODD_BUT_GOOD: dict[str, Callable[[], bytes]] = {
    "progressive": lambda: PROGRESSIVE,
    "padded by four bytes": lambda: GOOD[:-2] + bytes(4) + GOOD[-2:],
    "a second picture after it": lambda: GOOD + packed(scene(160, 120))[:-500],
    "zeros after it": lambda: GOOD + bytes(1000),
    "opaque transparency": lambda: packed(
        np.concatenate([scene(), np.full((300, 400, 1), 255, np.uint8)], axis=-1), "PNG"
    ),
    "16 bit": lambda: cv2.imencode(".png", scene()[..., ::-1].astype(np.uint16) * 257)[1].tobytes(),
    "restart marks": lambda: packed(scene(), restart_marker_rows=1),
}


@pytest.mark.parametrize("name", ODD_BUT_GOOD)
def test_odd_but_good_picture_is_read(tmp_path: Path, name: str) -> None:
    path = tmp_path / "mill"
    path.write_bytes(ODD_BUT_GOOD[name]())
    difference = read_photo(path).bgr[..., ::-1].astype(float) - scene()
    assert np.sqrt(np.mean(difference**2)) < 4.0


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_grey_picture_is_read_and_named(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "mill"
    path.write_bytes(packed(scene()[..., 1], kind, exif(26, (400, 300))))
    photo = read_photo(path)
    assert photo.bgr.shape == (300, 400, 3)
    assert [n.code for n in photo.notices] == ["grey-picture"]


@pytest.mark.parametrize("whole", [GOOD, PNG, HEIC], ids=["JPEG", "PNG", "HEIC"])
def test_cut_anywhere_it_is_never_half_a_photo(tmp_path: Path, whole: bytes) -> None:
    path = tmp_path / "mill"
    for end in np.linspace(1, len(whole) - 13, 60).astype(int):
        path.write_bytes(whole[:end])
        refusal_of(path)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.sampled_from([GOOD, PNG, HEIC, PROGRESSIVE]),
    st.floats(0.0, 0.999),
    st.binary(min_size=1, max_size=20),
)
def test_spoilt_anywhere_it_is_a_photo_or_a_refusal(
    tmp_path: Path, whole: bytes, where: float, patch: bytes
) -> None:
    at = int(where * len(whole))
    path = tmp_path / "mill"
    path.write_bytes(whole[:at] + patch + whole[at + len(patch) :])
    try:
        photo = read_photo(path)
    except BadFileError:
        return
    assert photo.bgr.dtype == np.uint8
    assert photo.bgr.ndim == 3
