import tomllib
from dataclasses import replace

import numpy as np
import pytest

from calib.exif import CameraId
from calib.folders import CONFIG_VARIABLE
from calib.lens import Lens
from calib.lensfile import (
    SavedLens,
    forget_lens,
    lens_name,
    lens_toml,
    parse_lens,
    save_lens,
    saved_lenses,
)
from calib.refusal import BadFileError

CAMERA = CameraId("Harbour", "Harbour Café 1", 6.8, 26.0)
SD = np.array([3.0, 2.0, 2.5, 0.003, 0.004])
CORRELATION = np.eye(5) + 0.3 * (np.ones((5, 5)) - np.eye(5))
LENS = Lens(
    3141.25, (2011.5, 1519.0), 0.031, -0.022, (4032, 3024), np.outer(SD, SD) * CORRELATION,
    "calibrated",
)  # fmt: skip
SAVED = SavedLens(CAMERA, LENS, 0.003, 10, 1820, 0.08, "k1 k2")


@pytest.fixture(autouse=True)
def config(tmp_path, monkeypatch):
    monkeypatch.setenv(CONFIG_VARIABLE, str(tmp_path / "config"))
    return tmp_path / "config"


def same(a, b):
    assert replace(a, lens=replace(a.lens, covariance=0)) == replace(
        b, lens=replace(b.lens, covariance=0)
    )
    assert np.array_equal(a.lens.covariance, b.lens.covariance)


def test_a_lens_comes_back_to_the_last_bit():
    same(parse_lens(lens_toml(SAVED), "lens"), SAVED)
    silent = replace(SAVED, camera=CameraId("", "Café 2", None, None))
    same(parse_lens(lens_toml(silent), "lens"), silent)


def test_the_file_is_the_documented_toml():
    table = tomllib.loads(lens_toml(SAVED).decode())
    assert (table["schema"], table["kind"]) == (1, "lens")
    assert table["picture"] == {"width_px": 4032, "height_px": 3024}
    assert table["lens"]["focal_px"] == 3141.25
    assert table["lens"]["centre_x_px"] == 2011.5
    assert np.array(table["lens"]["covariance"]).shape == (5, 5)


def test_names_say_camera_lens_and_size():
    assert lens_name(CAMERA, (4032, 3024)) == "harbour-caf-1-6.8mm-eq26-4032x3024"
    other = CameraId("Harbour", "Café/../../2", 2.2, None)
    assert lens_name(other, (4032, 3024)) == "harbour-caf-..-..-2-2.2mm-4032x3024"
    assert "/" not in lens_name(other, (1, 1))


def test_saving_asks_before_it_replaces(config):
    name = save_lens(SAVED, replace=False)
    same(saved_lenses()[0][name], SAVED)
    better = replace(SAVED, photos=12)
    with pytest.raises(BadFileError) as caught:
        save_lens(better, replace=False)
    assert caught.value.notice.code == "lens-exists"
    assert "--replace" in caught.value.notice.advice
    same(saved_lenses()[0][name], SAVED)
    save_lens(better, replace=True)
    assert saved_lenses()[0][name].photos == 12
    forget_lens(name)
    assert saved_lenses() == ({}, ())
    with pytest.raises(BadFileError) as caught:
        forget_lens(name)
    assert caught.value.notice.code == "no-such-lens"


def test_forgetting_stays_in_its_folder(config):
    config.mkdir()
    (config / "prints.toml").write_text("schema = 1\n")
    for name in ("../prints", "..", "", str(config / "prints")):
        with pytest.raises(BadFileError):
            forget_lens(name)
    assert (config / "prints.toml").exists()


def broken(change):
    table = tomllib.loads(lens_toml(SAVED).decode())
    change(table)
    import tomli_w

    return tomli_w.dumps(table).encode()


def put(part, key, value):
    return lambda table: table[part].__setitem__(key, value)


DAMAGE = {
    "empty": lambda: b"",
    "not text": lambda: b"\xff\xd8\xff\xe0 a picture",
    "cut off": lambda: lens_toml(SAVED)[:200],
    "other kind": lambda: broken(lambda t: t.__setitem__("kind", "plan")),
    "no schema": lambda: broken(lambda t: t.pop("schema")),
    "no lens": lambda: broken(lambda t: t.pop("lens")),
    "lens no table": lambda: broken(lambda t: t.__setitem__("lens", 3)),
    "focal a word": lambda: broken(put("lens", "focal_px", "long")),
    "focal nan": lambda: broken(put("lens", "focal_px", float("nan"))),
    "focal negative": lambda: broken(put("lens", "focal_px", -3000.0)),
    "focal tiny": lambda: broken(put("lens", "focal_px", 3.0)),
    "centre outside": lambda: broken(put("lens", "centre_x_px", 9000.0)),
    "k1 wild": lambda: broken(put("lens", "k1", 12.0)),
    "covariance small": lambda: broken(put("lens", "covariance", [[1.0]])),
    "covariance ragged": lambda: broken(put("lens", "covariance", [[1.0, 2.0], [1.0]])),
    "covariance none": lambda: broken(put("lens", "covariance", np.zeros((5, 5)).tolist())),
    "covariance not positive": lambda: broken(put("lens", "covariance", (-np.eye(5)).tolist())),
    "covariance skew": lambda: broken(
        put("lens", "covariance", (np.eye(5) + np.triu(np.ones((5, 5)) * 0.5, 1)).tolist())
    ),
    "size a fraction": lambda: broken(put("picture", "width_px", 4032.5)),
    "size true": lambda: broken(put("picture", "width_px", True)),
    "focus wild": lambda: broken(put("lens", "focus_sd", 0.5)),
    "make a number": lambda: broken(put("camera", "make", 7)),
}


@pytest.mark.parametrize("damage", DAMAGE)
def test_a_damaged_file_is_refused_not_used(damage):
    with pytest.raises(BadFileError) as caught:
        parse_lens(DAMAGE[damage](), "my.toml")
    assert caught.value.notice.code == "lens-file-damaged"
    assert "my.toml" in caught.value.notice.message
    assert "\n" not in caught.value.notice.message


def test_a_newer_file_is_named_as_such():
    with pytest.raises(BadFileError) as caught:
        parse_lens(broken(lambda t: t.__setitem__("schema", 2)), "my.toml")
    assert caught.value.notice.code == "lens-file-newer"


def test_one_damaged_file_does_not_hide_the_others(config):
    name = save_lens(SAVED, replace=False)
    (config / "lenses" / "worse.toml").write_bytes(b"schema = ")
    lenses, troubles = saved_lenses()
    assert list(lenses) == [name]
    assert [t.code for t in troubles] == ["lens-file-damaged"]
    forget_lens("worse")
    assert saved_lenses()[1] == ()
