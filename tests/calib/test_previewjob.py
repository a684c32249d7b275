"""`calib preview` on rendered photos, and its refusals."""

import json
from pathlib import Path
from statistics import NormalDist

import cv2
import numpy as np
import pytest

from calib.cli import app
from calib.edgewidth import edge_widths
from calib.ending import run_app
from calib.finding import linear_table
from calib.folders import CONFIG_VARIABLE
from calib.lens import Lens
from calib.lensfile import SavedLens, save_lens
from calib.light import encoded, linear
from calib.orientation import displayed_size
from calib.photo import read_photo

SAMPLES = Path(__file__).parents[2] / "sample_images"


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


def truth(name):
    return json.loads((SAMPLES / f"{name}.truth.json").read_text(encoding="utf-8"))


def true_tilt(data):
    """The angle between the camera's line of sight and the bench's normal, degrees."""
    ahead = np.array(data["R_world_to_cam"])[2]
    return float(np.degrees(np.arccos(-ahead[2])))


@pytest.mark.parametrize("name", ["mill_flat", "mill_tilted"])
def test_a_rendered_photo_is_described_as_it_was_made(calib, name):
    status, out, _ = calib("preview", SAMPLES / f"{name}.jpg", "--diameter", 60, "--json")
    assert status == 0
    said, made = json.loads(out), truth(name)
    assert (said["schema"], said["kind"]) == (1, "preview")
    assert said["tilt_deg"] == pytest.approx(true_tilt(made), abs=1.0)
    card = np.array(made["targets"][0]["target_to_world"])[:3, 3]
    away = np.linalg.norm(np.array(made["camera_centre_world"]) - card)
    assert said["distance_mm"] == pytest.approx(away, rel=0.03)
    assert 0.0 < said["u95_common_mm"] < said["u95_mm"] < said["u95_plain_mm"]
    worth = [np.hypot(c["u95_mm"], c["u95_plain_mm"]) for c in said["changes"]]
    assert worth == sorted(worth)
    assert all(w < 0.95 * np.hypot(said["u95_mm"], said["u95_plain_mm"]) for w in worth)


def test_the_words_name_target_tilt_and_gain(calib):
    status, out, _ = calib("preview", SAMPLES / "mill_flat.jpg")
    assert status == 0
    for word in (
        "bank card",
        "photo's own note",
        "Tilt",
        "mm from the phone",
        "±",
        "What would gain most",
    ):
        assert word in out


def test_a_saved_lens_is_used_and_its_gain_told(calib):
    made = truth("mill_flat")
    photo = read_photo(SAMPLES / "mill_flat.jpg")
    stored = displayed_size(photo.size_px, {6: 8, 8: 6}.get(photo.orientation, photo.orientation))
    camera = np.array(made["K"])
    sd = np.array([0.001 * camera[0, 0], 3.0, 3.0, 0.002, 0.003])
    middle = ((stored[0] - 1) / 2.0, (stored[1] - 1) / 2.0)
    lens = Lens(camera[0, 0], middle, 0.0, 0.0, stored, np.diag(sd**2), "calibrated")
    save_lens(SavedLens(photo.camera, lens, 0.003, 10, 1600, 0.1, "k1 k2"), replace=True)
    status, out, _ = calib("preview", SAMPLES / "mill_flat.jpg", "--json")
    assert status == 0
    said = json.loads(out)
    assert said["lens_from"] == "calibrated"
    assert said["u95_mm"] < said["without_lens"]["u95_mm"]
    assert "calibrate-lens" not in {change["code"] for change in said["changes"]}
    _, words, _ = calib("preview", SAMPLES / "mill_flat.jpg")
    assert "Without the saved lens" in words


def test_no_target_is_refused(calib, tmp_path):
    grey = np.full((600, 800, 3), 120, np.uint8)
    cv2.imwrite(str(tmp_path / "grey.jpg"), grey)
    status, out, _ = calib("preview", "grey.jpg", "--json")
    assert status == 3
    assert json.loads(out)["code"] == "no-target"


@pytest.mark.parametrize(
    "words",
    [
        ("--diameter", "0"),
        ("--diameter", "2.375"),  # of a piece measured in inches
        ("--length", "nan"),
        ("--setup", "sideways"),
        ("--setup", "level"),
        ("--axis-height", "30"),
        ("--axis-offset", "3"),
        ("--diameter", "900", "--length", "900"),
    ],
)
def test_what_cannot_be_is_refused(calib, words):
    status, out, _ = calib("preview", SAMPLES / "mill_flat.jpg", "--json", *words)
    assert status == 2
    assert json.loads(out)["code"] == "bad-option"


def test_a_missing_photo_is_a_bad_file(calib):
    status, _, err = calib("preview", "none.jpg")
    assert status == 2
    assert len(err.strip().splitlines()) == 2


@pytest.mark.parametrize("sigma", [0.8, 1.5, 3.0, 5.0])
def test_the_width_of_a_blurred_step_is_found(sigma):
    x = np.arange(200.0)
    step = np.array([0.1 + 0.7 * NormalDist(100.3, sigma).cdf(at) for at in x])
    values = np.rint(encoded(step)).astype(np.uint8)
    picture = np.repeat(np.repeat(values[None, :, None], 60, axis=0), 3, axis=2)
    points = np.column_stack([np.full(20, 100.0), np.linspace(10.0, 50.0, 20)])
    normals = np.tile([1.0, 0.0], (20, 1))
    found = edge_widths(picture, points, normals, 12.0, linear_table())
    assert np.median(found) == pytest.approx(sigma, rel=0.15)


def spoilt(kind):
    """A rendered photo at half size, spoilt in linear light."""
    small = cv2.resize(cv2.imread(str(SAMPLES / "mill_flat.jpg")), (2016, 1512))
    light = linear(small)
    if kind == "out-of-focus":
        light = cv2.GaussianBlur(light, (0, 0), 6.0)
    if kind == "motion-blur":
        light = cv2.blur(light, (15, 1))
    if kind == "overexposed":
        light = np.minimum(3.5 * light, 1.0)
    return np.rint(encoded(light)).astype(np.uint8)


@pytest.mark.parametrize("kind", ["out-of-focus", "motion-blur", "overexposed", "fair"])
def test_spoilt_photos_are_called_so(calib, tmp_path, kind):
    cv2.imwrite(str(tmp_path / "photo.png"), spoilt(kind))
    status, out, _ = calib("preview", "photo.png", "--json")
    assert status == 0
    said = {warning["code"] for warning in json.loads(out)["warnings"]}
    named = {"out-of-focus", "motion-blur", "overexposed"} & said
    assert named == ({kind} if kind != "fair" else set())


def test_a_photo_that_no_trace_can_use_is_promised_nothing_of_its_piece(calib):
    """`measure trace` refuses mill_shadow: the preview saw its card only, and says so."""
    status, out, _ = calib("preview", SAMPLES / "mill_shadow.jpg")
    assert status == 0
    assert "Piece    not looked at" in out
    promise = out.index("To expect")
    assert "if it can be traced" in out[promise : out.index("with beads and coves")]
