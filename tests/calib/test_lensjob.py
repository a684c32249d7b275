import json
import shutil
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from lensphotos_stage import FOCAL_35MM, LENS, SIZE, board_picture, save_photo

from calib.board import BOARDS
from calib.cli import app
from calib.ending import run_app
from calib.exif import CameraId
from calib.folders import CONFIG_VARIABLE
from calib.lenschoice import choose_lens
from calib.photo import Photo

PHOTOS = 7


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    """Seven photos of the board, one of them taken with the phone upright."""
    folder = tmp_path_factory.mktemp("shelf")
    for i in range(PHOTOS):
        save_photo(folder / f"p{i}.jpg", board_picture(i), orientation=6 if i == 3 else 1)
    return folder


@pytest.fixture
def calib(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv(CONFIG_VARIABLE, str(tmp_path / "config"))
    monkeypatch.chdir(tmp_path)

    def run(*words):
        monkeypatch.setattr("sys.argv", ["calib", *(str(w) for w in words)])
        try:
            run_app(app, "calib")
            status = 0
        except SystemExit as end:
            status = end.code or 0
        out, err = capsys.readouterr()
        return status, out, err

    return run


def photos(shelf):
    return [shelf / f"p{i}.jpg" for i in range(PHOTOS)]


def test_ten_photos_give_a_lens_that_later_photos_find(calib, shelf, tmp_path):
    status, out, _ = calib("lens", *photos(shelf), "--json", "--out", tmp_path / "report")
    assert status == 0
    said = json.loads(out)
    assert (said["schema"], said["kind"], said["page"]) == (1, "lens", "a4")
    assert said["photos"] == PHOTOS
    assert said["left_out"] == []
    assert said["scale_known"] is False
    assert said["focal_px"] == pytest.approx(LENS[0], rel=0.001)
    assert said["centre_px"] == pytest.approx(LENS[1:3], abs=1.0)
    for i, value, u95 in (
        (0, said["focal_px"], said["focal_u95_px"]),
        (3, said["k1"], said["k1_u95"]),
        (4, said["k2"], said["k2_u95"]),
    ):
        assert abs(value - LENS[i]) < 2.0 * u95
    camera = CameraId("Harbour", "Cafe 1", 4.2, FOCAL_35MM)
    blank = np.zeros((SIZE[1], SIZE[0], 3), np.uint8)
    lens = choose_lens(Photo("a.jpg", blank, FOCAL_35MM, camera, ())).lens
    assert lens.focal_px == said["focal_px"]
    # The portrait photo was turned back: its corners fit the stored picture's lens.
    assert said["rms_px"] < 0.1


def test_the_report_holds_all_and_stands_alone(calib, shelf, tmp_path):
    status, out, _ = calib("lens", *photos(shelf), "--out", tmp_path / "report")
    assert status == 0
    assert "Saved as harbour-cafe-1-4.2mm-eq27-1008x756" in out
    page = (tmp_path / "report" / "report.html").read_text()
    assert page.count("<svg") == 5
    assert "http://" not in page.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in page
    for name in (p.name for p in photos(shelf)):
        assert name in page
    for figure in page.split("<svg")[1:]:
        ElementTree.fromstring("<svg" + figure.split("</svg>")[0] + "</svg>")
    drawing = ElementTree.parse(tmp_path / "report" / "coverage.svg").getroot()
    dots = [e for e in drawing.iter() if e.tag.endswith("circle")]
    assert len(dots) > 0.8 * PHOTOS * len(BOARDS["a4"].corners_mm)


def test_lenses_are_listed_handed_on_taken_in_and_forgotten(calib, shelf, tmp_path):
    name = "harbour-cafe-1-4.2mm-eq27-1008x756"
    assert calib("lens", *photos(shelf), "--no-report")[0] == 0
    assert not (shelf / "lens-measured").exists()
    status, out, _ = calib("lens", "--list")
    assert status == 0
    assert name in out
    assert calib("lens", "--export", "my.toml")[0] == 0
    status, _, err = calib("lens", "--import", "my.toml")
    assert status == 2
    assert "already" in err
    assert calib("lens", "--import", "my.toml", "--replace")[0] == 0
    assert calib("lens", "--forget", name)[0] == 0
    status, out, _ = calib("lens", "--list", "--json")
    assert json.loads(out)["lenses"] == []
    assert calib("lens", "--import", "my.toml")[0] == 0
    status, out, _ = calib("lens", "--list", "--json")
    assert [entry["name"] for entry in json.loads(out)["lenses"]] == [name]


def refused(result, status, code):
    assert result[0] == status
    said = json.loads(result[1])
    assert (said["kind"], said["code"]) == ("refusal", code)
    assert len(result[2].strip().splitlines()) == 2
    assert "Traceback" not in result[2]


def test_mixed_phones_and_sizes_are_refused(calib, shelf, tmp_path):
    other = save_photo(tmp_path / "other.jpg", board_picture(0), model="Cafe 2")
    refused(calib("lens", *photos(shelf), other, "--json"), 3, "lens-mixed-cameras")
    small = save_photo(tmp_path / "small.jpg", board_picture(0)[::2, ::2])
    refused(calib("lens", *photos(shelf), small, "--json"), 3, "lens-mixed-sizes")


def test_photos_without_the_board_are_left_out_or_refused(calib, shelf, tmp_path):
    empty = [
        save_photo(tmp_path / f"empty{i}.jpg", np.full((756, 1008), 90 + i, np.uint8))
        for i in range(3)
    ]
    status, out, _ = calib("lens", *photos(shelf), empty[0], "--json")
    assert status == 0
    assert [entry["photo"] for entry in json.loads(out)["left_out"]] == ["empty0.jpg"]
    refused(calib("lens", *empty, "--json"), 3, "lens-no-board")


def test_the_same_photo_twice_counts_once(calib, shelf, tmp_path):
    shutil.copy(shelf / "p1.jpg", tmp_path / "again.jpg")
    status, out, _ = calib("lens", *photos(shelf), tmp_path / "again.jpg", "--json")
    assert status == 0
    said = json.loads(out)
    assert said["photos"] == PHOTOS
    assert [entry["photo"] for entry in said["left_out"]] == ["again.jpg"]
    refused(calib("lens", *[shelf / "p1.jpg"] * 5, "--json"), 3, "lens-too-few")


def test_photos_without_a_camera_give_a_lens_that_is_not_kept(calib, shelf, tmp_path):
    nameless = []
    for i in range(5):
        grey = board_picture(i)
        nameless.append(save_photo(tmp_path / f"n{i}.jpg", grey, make=""))
    status, out, _ = calib("lens", *nameless, "--json", "--export", "my.toml")
    assert status == 0
    said = json.loads(out)
    assert said["name"] is None
    assert "lens-not-saved" in [w["code"] for w in said["warnings"]]
    refused(calib("lens", "--import", "my.toml", "--json"), 2, "lens-without-camera")


def test_a_folder_that_cannot_be_written_is_named(calib, shelf, tmp_path, monkeypatch):
    (tmp_path / "file").write_text("not a folder")
    monkeypatch.setenv(CONFIG_VARIABLE, str(tmp_path / "file" / "config"))
    refused(calib("lens", *photos(shelf)[:5], "--no-report", "--json"), 2, "cannot-write")


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ((), "usage"),
        (("--list", "--forget", "x"), "usage"),
        (("a.jpg", "--list"), "usage"),
        (("a.jpg", "--chessboard", "9x6"), "bad-chessboard"),
        (("a.jpg", "--square", "25"), "bad-chessboard"),
        (("a.jpg", "--chessboard", "nine", "--square", "25"), "bad-chessboard"),
        (("a.jpg", "--chessboard", "2x9", "--square", "25"), "bad-chessboard"),
        (("a.jpg", "--chessboard", "9x6", "--square", "0"), "bad-chessboard"),
        (("a.jpg",), "no-such-file"),
        (("--forget", "x"), "no-such-lens"),
        (("--export", "x.toml"), "no-such-lens"),
        (("--import", "x.toml"), "no-such-file"),
    ],
)
def test_wrong_use_says_what_is_wrong(calib, tmp_path, words, code):
    refused(calib("lens", *words, "--json"), 2, code)
    assert not (tmp_path / "config").exists()
