import json

import pytest

from calib import printed
from calib.cli import app
from calib.ending import run_app
from calib.folders import CONFIG_VARIABLE
from calib.refusal import BadFileError


@pytest.fixture(autouse=True)
def config(tmp_path, monkeypatch):
    monkeypatch.setenv(CONFIG_VARIABLE, str(tmp_path / "config"))
    return tmp_path / "config"


def run(monkeypatch, capsys, *words):
    monkeypatch.setattr("sys.argv", ["calib", *words])
    try:
        run_app(app, "calib")
        status = 0
    except SystemExit as end:
        status = end.code or 0
    out, err = capsys.readouterr()
    return status, out, err


def test_without_a_reading_the_scale_is_trusted_to_half_a_per_cent():
    scale = printed.print_scale("a4")
    assert scale == printed.PrintScale(1.0, 1.0, 0.005, 0.005, False)


def test_a_reading_is_remembered_for_its_size_only():
    printed.remember_reading("a4", printed.bar_reading(99.6, 99.7, 0.1))
    scale = printed.print_scale("a4")
    assert (scale.x, scale.y, scale.measured) == (0.996, 0.997, True)
    # 0.1 % of reading and 0.03 % of damp in quadrature (JCGM 100, 5.1.2).
    assert scale.sd_x == scale.sd_y == pytest.approx((0.001**2 + 0.0003**2) ** 0.5)
    assert not printed.print_scale("a3").measured
    printed.remember_reading("a3", printed.bar_reading(100.2, 100.1, 0.05))
    printed.remember_reading("a4", printed.bar_reading(99.8, 99.9, 0.1))
    assert printed.print_scale("a3").x == 1.002
    assert printed.print_scale("a4").x == 0.998
    assert printed.forget_reading("a4")
    assert not printed.forget_reading("a4")
    assert not printed.print_scale("a4").measured
    assert printed.print_scale("a3").measured


@pytest.mark.parametrize(
    ("x", "y", "u"),
    [
        (3.94, 99.7, 0.1),
        (99.6, 10.0, 0.1),
        (99.6, 997, 0.1),
        (99.6, 99.7, 0.0),
        (99.6, 99.7, -1),
        (99.6, 99.7, 5.0),
        (float("nan"), 99.7, 0.1),
        (99.6, 99.7, float("nan")),
    ],
)
def test_readings_that_cannot_be_are_refused(x, y, u):
    with pytest.raises(BadFileError) as caught:
        printed.bar_reading(x, y, u)
    assert caught.value.notice.code == "bar-reading"


def test_odd_readings_are_used_and_named():
    fit_to_page = printed.bar_notices(printed.bar_reading(97.0, 97.0, 0.1))
    assert [n.code for n in fit_to_page] == ["print-not-actual-size"]
    one_way = printed.bar_notices(printed.bar_reading(99.0, 100.2, 0.1))
    assert [n.code for n in one_way] == ["bars-differ"]
    assert printed.bar_notices(printed.bar_reading(99.6, 99.7, 0.1)) == ()


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"\xff\xfe", "settings-damaged"),
        (b"schema = ", "settings-damaged"),
        (b"", "settings-damaged"),
        (b"schema = 1\na4 = 3\n", "settings-damaged"),
        (b"schema = 1\n[a4]\nbar_x_mm = 99.6\n", "settings-damaged"),
        (b"schema = 1\n[a4]\nbar_x_mm = 9\nbar_y_mm = 9\nbar_u_mm = 9\n", "settings-damaged"),
        (b"schema = 1\n[quarto]\nbar_x_mm = 99.0\n", "settings-damaged"),
        (b"schema = 2\n", "settings-newer"),
    ],
)
def test_a_damaged_or_newer_file_is_named_never_guessed(config, content, code):
    config.mkdir()
    (config / "prints.toml").write_bytes(content)
    with pytest.raises(BadFileError) as caught:
        printed.print_scale("a4")
    assert caught.value.notice.code == code
    assert "prints.toml" in caught.value.notice.message


def test_command_remembers_shows_and_forgets(monkeypatch, capsys):
    words = ("printed", "--size", "a4", "--bar-x", "99.6", "--bar-y", "99.7", "--bar-u", "0.05")
    status, out, _ = run(monkeypatch, capsys, *words, "--json")
    assert status == 0
    said = json.loads(out)
    assert (said["kind"], said["scale_x"], said["scale_y"]) == ("printed", 0.996, 0.997)
    status, out, _ = run(monkeypatch, capsys, "printed")
    assert status == 0
    assert "99.60 %" in out
    status, out, _ = run(monkeypatch, capsys, "printed", "--forget")
    assert status == 0
    assert "not measured" in out


@pytest.mark.parametrize(
    "words",
    [
        ("printed", "--bar-x", "99.6"),
        ("printed", "--bar-u", "0.1"),
        ("printed", "--forget", "--bar-x", "99.6", "--bar-y", "99.7"),
        ("printed", "--size", "a5"),
        ("card", "--size", "a5"),
        ("card", "--dpi", "5"),
        ("card", "--out", "/proc/none/card.pdf"),
    ],
)
def test_wrong_use_ends_with_two_lines_and_status_2(monkeypatch, capsys, tmp_path, words):
    monkeypatch.chdir(tmp_path)
    status, out, err = run(monkeypatch, capsys, *words)
    assert status == 2
    assert out == ""
    assert len(err.strip().splitlines()) == 2
    assert list(tmp_path.iterdir()) == []


def test_card_writes_the_files_that_it_names(monkeypatch, capsys, tmp_path):
    monkeypatch.chdir(tmp_path)
    words = ("card", "--size", "pocket", "--out", "card.pdf", "--image", "card.png", "--dpi", "100")
    status, out, _ = run(monkeypatch, capsys, *words, "--json")
    assert status == 0
    assert json.loads(out)["files"] == ["card.pdf", "card.png"]
    assert (tmp_path / "card.pdf").read_bytes().startswith(b"%PDF")
    assert (tmp_path / "card.png").read_bytes().startswith(b"\x89PNG")
    status, out, _ = run(monkeypatch, capsys, "card", "--size", "letter")
    assert (tmp_path / "card-letter.pdf").exists()


def test_a_card_gets_the_suffix_of_what_it_is(monkeypatch, capsys, tmp_path):
    monkeypatch.chdir(tmp_path)
    words = ("card", "--out", "board", "--image", "picture", "--dpi", "100", "--json")
    status, out, _ = run(monkeypatch, capsys, *words)
    assert status == 0
    assert json.loads(out)["files"] == ["board.pdf", "picture.png"]
    assert (tmp_path / "board.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize("option", ["--out", "--image"])
def test_a_card_makes_no_folder_out_of_a_slip(monkeypatch, capsys, tmp_path, option):
    wrong = tmp_path / "nope" / "board.pdf"
    status, _, err = run(monkeypatch, capsys, "card", option, str(wrong), "--dpi", "100")
    assert status == 2
    assert "There is no folder" in err
    assert not wrong.parent.exists()
