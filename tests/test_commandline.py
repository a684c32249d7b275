"""How commands start and end, whatever happens."""

import json
import os
import signal
import subprocess
import sys
import time
import types
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest

import measure
from calib.ending import TRACEBACK_VARIABLE, file_trouble
from calib.refusal import BadFileError, RefusalError
from measure.cli import build_app
from measure.profilefile import read_profile
from measure.resultfile import read_result
from tests.measure.exact_shapes import SIZE_PX, gapped_result

MAIN = "from measure.cli import main; main()"
ENDS = {
    "done": ("return Outcome('all well', {'kind': 'x'})", 0),
    "outside": ("return Outcome('not within', {'kind': 'x'}, status=4)", 4),
    "bug": ("raise KeyError('no such thing')", 1),
    "bad file": ("raise BadFileError('a-code', 'It is\\nbad.', 'Mend it.')", 2),
    "no permission": ("raise PermissionError(13, 'Permission denied', 'a.jpg')", 2),
    "refused": ("raise RefusalError('a-code', 'It cannot be.', 'Do this.')", 3),
    "no memory": ("raise MemoryError()", 3),
    "interrupted": ("raise KeyboardInterrupt", 130),
}


def python(program, *arguments, **options):
    return subprocess.run(
        [sys.executable, "-c", program, *arguments],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        **options,
    )


def conclude(body, as_json, **options):
    program = (
        "from calib.ending import *\nfrom calib.refusal import *\n"
        f"def work():\n    {body}\nconclude(work, {as_json})"
    )
    return python(program, **options)


@pytest.mark.parametrize("as_json", [False, True])
@pytest.mark.parametrize("end", ENDS)
def test_every_end_has_its_status_and_its_lines(end, as_json):
    body, status = ENDS[end]
    said = conclude(body, as_json)
    assert said.returncode == status
    assert "Traceback" not in said.stderr
    failed = status not in (0, 4)
    assert len(said.stderr.splitlines()) == (2 if failed else 0)
    if as_json:
        data = json.loads(said.stdout)
        assert data["schema"] == 1
        assert ({"code", "message", "advice"} <= set(data)) == failed
        assert data["kind"] == ("bug" if status == 1 else "refusal" if failed else "x")
    else:
        assert said.stdout == ("" if failed else body.split("'")[1] + "\n")


def test_a_number_that_json_cannot_hold_is_a_bug_and_still_one_object():
    said = conclude("return Outcome('t', {'kind': 'x', 'v': float('nan')})", True)
    assert said.returncode == 1
    assert json.loads(said.stdout)["code"] == "bug"


def test_a_bug_shows_its_traceback_to_those_who_ask():
    asked = {**os.environ, TRACEBACK_VARIABLE: "1"}
    said = conclude(ENDS["bug"][0], True, env=asked)
    assert said.returncode == 1
    assert "Traceback" in said.stderr
    assert "no such thing" in said.stderr
    assert json.loads(said.stdout)["code"] == "bug"
    assert "Traceback" not in conclude(ENDS["refused"][0], False, env=asked).stderr


def test_notices_go_to_standard_error_and_not_into_json():
    body = "return Outcome('t', {'kind': 'x'}, [Notice('c', 'So it is.', 'Do this.')])"
    said = conclude(body, False)
    assert (said.stdout, said.stderr) == ("t\n", "Note: So it is. Do this.\n")
    assert conclude(body, True).stderr == ""


def test_a_name_with_line_breaks_and_escapes_stays_one_harmless_line():
    said = conclude("raise BadFileError('c', 'a\\x1b[31m\\nb.jpg is bad.', 'Mend it.')", False)
    assert said.stderr.splitlines() == ["a?[31m?b.jpg is bad.", "Mend it."]


def test_a_terminal_that_knows_no_plus_minus_is_no_failure():
    program = (
        "from calib.ending import *\nimport sys\n"
        "run_app(lambda **k: conclude(lambda: Outcome('43.6 ±0.1', {}), False), 'x')"
    )
    said = python(program, env={**os.environ, "PYTHONIOENCODING": "ascii"})
    assert (said.returncode, said.stdout, said.stderr) == (0, "43.6 ?0.1\n", "")


def test_a_reader_that_goes_away_is_no_failure():
    read, write = os.pipe()
    os.close(read)
    body = "return Outcome('row\\n' * 100000, {'kind': 'x'})"
    program = f"from calib.ending import *\ndef work():\n    {body}\nconclude(work, False)"
    said = subprocess.run(
        [sys.executable, "-c", program], stdout=write, stderr=subprocess.PIPE, check=False
    )
    os.close(write)
    assert (said.returncode, said.stderr) == (0, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full here")
@pytest.mark.parametrize("as_json", [False, True])
def test_output_onto_a_full_disk_is_told(as_json):
    program = f"from calib.ending import *\nconclude(lambda: Outcome('t', {{}}), {as_json})"
    with Path("/dev/full").open("w") as full:
        said = subprocess.run(
            [sys.executable, "-c", program], stdout=full, stderr=subprocess.PIPE, check=False
        )
    assert said.returncode == 2
    assert said.stderr.decode().splitlines()[0] == "The output: the disk is full."
    assert len(said.stderr.splitlines()) == 2


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_kill_ends_as_an_interrupt(number):
    program = (
        "from calib.ending import *\nimport signal\nimport time\n"
        # A job in the background is born deaf to the keyboard; a terminal's is not.
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "def work():\n    print('ready', flush=True)\n    time.sleep(30)\n"
        "run_app(lambda **k: conclude(work, False), 'x')"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as running:
        assert running.stdout.readline() == "ready\n"
        running.send_signal(number)
        _, errors = running.communicate(timeout=20)
    assert running.returncode == 130
    assert errors.splitlines()[0] == "Interrupted."
    assert "Traceback" not in errors


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (OSError(28, "No space left on device", "x"), "disk-full"),
        (OSError(30, "Read-only file system", "x"), "no-permission"),
        (PermissionError(13, "Permission denied", "x"), "no-permission"),
        (FileNotFoundError(2, "No such file", "x"), "no-such-file"),
        (IsADirectoryError(21, "Is a directory", "x"), "not-a-file"),
        (OSError(5, "Input/output error", "x"), "file-trouble"),
        (OSError("something else"), "file-trouble"),
    ],
)
def test_trouble_with_files_is_told_apart(error, code):
    refusal = file_trouble(error)
    assert isinstance(refusal, BadFileError)
    assert refusal.notice.code == code


@pytest.mark.parametrize(
    "words",
    [
        ["--json", "nosuchcommand"],
        ["trace", "--json"],
        ["trace", "a.jpg", "--nosuchoption", "--json"],
        ["trace", "a.jpg", "--every", "often", "--json"],
        ["trace", "a.jpg", "--out", "--json", "--json"],
        ["trace", "a.jpg", "--setup", "lying", "--json"],
        ["trace", "a.jpg", "--known", "97", "--json"],
        ["trace", "a.jpg", "b.jpg", "--json"],
        ["trace", "nosuchphoto.jpg", "--json"],
    ],
)
def test_wrong_usage_ends_with_two_lines_and_one_object(words, tmp_path, fake_core):
    said = fake_core(*words)
    assert said.status == 2
    assert len(said.err.splitlines()) == 2
    data = json.loads(said.out)
    assert data["kind"] == "refusal"
    assert [data["message"], data["advice"]] == said.err.splitlines()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("words", [["--every", "often"], ["--every=often"]])
def test_a_word_in_place_of_a_number_is_named(words, fake_core):
    said = fake_core("trace", "a.jpg", *words)
    assert said.err.splitlines() == [
        "--every needs a number, not often.",
        "Type a plain number, as in --every 5 (lengths in mm); see measure trace --help.",
    ]


def test_no_command_at_all_shows_the_help_and_counts_as_wrong_usage():
    said = python(MAIN)
    assert said.returncode == 2
    assert "trace" in said.stdout + said.stderr


@pytest.mark.parametrize("words", [["--help"], ["trace", "--help"]])
def test_help_imports_nothing_heavy(words):
    program = (
        "import sys\nfrom measure.cli import main\ntry:\n    main()\nexcept SystemExit:\n    pass\n"
        "print([m for m in ('numpy', 'cv2', 'scipy', 'PIL', 'jinja2', 'matplotlib', 'skimage') "
        "if m in sys.modules])"
    )
    said = python(program, *words)
    assert said.stdout.splitlines()[-1] == "[]"
    assert "trace" in said.stdout


def test_only_the_command_asked_for_is_imported():
    program = (
        "import sys\nfrom measure.cli import build_app\nbuild_app(['trace'])\n"
        "print(sorted(m for m in sys.modules if m.startswith('measure.commands.')))"
    )
    assert python(program).stdout.strip() == "['measure.commands.trace']"


def test_tracing_without_a_report_imports_nothing_for_drawing():
    program = (
        "import sys\nimport measure.tracefiles, measure.request, measure.table\n"
        "print([m for m in ('matplotlib', 'scipy.optimize', 'skimage', 'pandas', 'jinja2') "
        "if m in sys.modules])"
    )
    assert python(program).stdout.strip() == "[]"


@dataclass(frozen=True)
class Measured:
    """Stands for all that a photo gives: its result."""

    result: object


class Said:
    def __init__(self, status, out, err):
        self.status, self.out, self.err = status, out, err


@pytest.fixture
def fake_core(monkeypatch, capfd, tmp_path):
    """Run `measure` with a core that measures nothing: it returns an exact cone."""
    asked = []
    core = types.ModuleType("measure.trace")
    core.answer = lambda photo, request, progress: gapped_result(photo_name=photo.name)

    def measured(photo, request, progress, lens=None, scale=None):
        asked.append(request)
        return Measured(core.answer(photo, request, progress))

    core.measured, core.prior_lens = measured, lambda photo: None
    monkeypatch.setitem(sys.modules, "measure.trace", core)
    monkeypatch.delitem(sys.modules, "measure.tracejob", raising=False)
    # The package keeps what was imported last: put back as well, or later tests see two modules.
    monkeypatch.setattr(measure, "tracejob", None, raising=False)
    monkeypatch.chdir(tmp_path)
    handlers = [signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGHUP)]

    def run(*words):
        from calib.ending import run_app

        monkeypatch.setattr(sys, "argv", ["measure", *words])
        capfd.readouterr()
        with pytest.raises(SystemExit) as end:
            run_app(build_app(words), "measure")
        out, err = capfd.readouterr()
        return Said(end.value.code, out, err)

    run.core, run.asked = core, asked
    yield run
    sys.modules.pop("measure.tracejob", None)
    for number, handler in zip((signal.SIGTERM, signal.SIGHUP), handlers, strict=True):
        signal.signal(number, handler)


@pytest.fixture
def photo(tmp_path):
    path = tmp_path / "photos" / "mill one.jpg"
    path.parent.mkdir()
    cv2.imwrite(str(path), np.full((SIZE_PX[1], SIZE_PX[0], 3), 128, np.uint8))
    return path


def test_a_trace_writes_its_folder_beside_the_photo(fake_core, photo):
    said = fake_core("trace", str(photo))
    assert said.status == 0, said.err
    folder = photo.parent / "mill one-measured"
    assert sorted(path.name for path in folder.iterdir()) == [
        "measured.jpg",
        "profile.csv",
        "report.html",
        "result.json",
        "stations.csv",
    ]
    assert read_profile(folder / "profile.csv").diameter_mm[-1] == 60.0
    assert read_profile(folder / "stations.csv").z_mm[1] == 5.0
    assert read_result(folder / "result.json")["photo"] == "mill one.jpg"
    assert "Largest seen   60.0 ±0.12 mm at 100" in said.out
    assert "Note: The lens is not known well." in said.err


def test_options_reach_the_core(fake_core, photo):
    words = ["--setup", "plane", "--axis-offset", "-3", "--from", "right", "--every", "2.5"]
    words += ["--box", "10,20,300,400", "--known", "97:44,0", "--known", "12:30"]
    assert fake_core("trace", str(photo), "--target", "100x50x2", *words).status == 0
    (request,) = fake_core.asked
    assert request.setup == "plane"
    assert request.target == "100x50x2"
    assert request.axis_offset_mm == -3.0
    assert request.start == "right"
    assert request.every_mm == 2.5
    assert request.box_px == (10.0, 20.0, 300.0, 400.0)
    assert request.known == ((12.0, 30.0), (97.0, 44.0))


def test_json_is_one_object_that_holds_the_file(fake_core, photo, tmp_path):
    said = fake_core("trace", str(photo), "--json", "--out", str(tmp_path / "out"))
    assert (said.status, said.err) == (0, "")
    data = json.loads(said.out)
    on_file = json.loads((tmp_path / "out" / "result.json").read_text())
    assert {key: data[key] for key in on_file} == on_file
    assert data["out"] == str(tmp_path / "out")
    assert sorted(data["files"]) == sorted(path.name for path in (tmp_path / "out").iterdir())


def test_a_result_of_another_kind_is_not_replaced_in_silence(fake_core, photo, tmp_path):
    out = tmp_path / "out"
    asked = ("trace", str(photo), "--out", str(out))
    assert "Replaced" not in fake_core(*asked).out
    assert "Replaced" not in fake_core(*asked).out  # the same again
    (out / "result.json").write_text('{"schema": 1, "kind": "hole"}')
    said = fake_core(*asked).out
    assert said.splitlines()[-1] == f"Replaced the earlier hole in {out}."
    assert read_result(out / "result.json")["kind"] == "trace"
    for other in ("not json", '{"schema": 1, "kind": 7}', '{"schema": 99, "kind": "hole"}'):
        (out / "result.json").write_text(other)
        assert "Replaced" not in fake_core(*asked).out
    fit = fake_core("fit", "25.0±0.1", "25.2±0.1", "--out", str(out))
    assert fit.out.splitlines()[-1] == f"Replaced the earlier trace in {out}."


def test_nothing_of_an_earlier_check_stays_beside_a_new_trace(fake_core, photo, tmp_path):
    """Its page to pin up would be taken for this trace's; what is the turner's own stays."""
    out = tmp_path / "out"
    asked = ("trace", str(photo), "--out", str(out))
    out.mkdir()
    (out / "check.pdf").write_bytes(b"the turner's own")
    fake_core(*asked)
    assert (out / "check.pdf").exists()  # no check of ours was there
    (out / "result.json").write_text('{"schema": 1, "kind": "check"}')
    for name in ("check.pdf", "checked.jpg", "deviations.csv", "sheet.pdf", "notes.txt"):
        (out / name).write_bytes(b"older")
    said = fake_core(*asked).out.splitlines()
    assert said[-2] == f"Replaced the earlier check in {out}."
    assert said[-1] == f"{out / 'sheet.pdf'} is older than this: draw it anew with measure sheet."
    names = {path.name for path in out.iterdir()}
    assert {"sheet.pdf", "notes.txt"} <= names
    assert not {"check.pdf", "checked.jpg", "deviations.csv"} & names


def test_without_a_report_a_stale_one_does_not_stay(fake_core, photo, tmp_path):
    out = tmp_path / "out"
    fake_core("trace", str(photo), "--out", str(out))
    (out / "my own notes.txt").write_text("keep")
    said = fake_core("trace", str(photo), "--out", str(out), "--no-report")
    assert said.status == 0
    assert sorted(path.name for path in out.iterdir()) == [
        "my own notes.txt",
        "profile.csv",
        "result.json",
        "stations.csv",
    ]


def test_inches_change_the_screen_and_the_report_but_no_file(fake_core, photo, tmp_path):
    metric, inch = tmp_path / "mm", tmp_path / "in"
    fake_core("trace", str(photo), "--out", str(metric))
    said = fake_core("trace", str(photo), "--out", str(inch), "--inches")
    assert "3 15/16 in" in said.out
    for name in ("profile.csv", "stations.csv", "result.json"):
        assert (inch / name).read_bytes() == (metric / name).read_bytes()
    assert "3 15/16 in" in (inch / "report.html").read_text(encoding="utf-8")
    assert "3 15/16 in" not in (metric / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (RefusalError("no-card", "No card.", "Lay one."), 3),
        (ValueError("a bug"), 1),
        (KeyboardInterrupt(), 130),
    ],
)
def test_a_trace_that_fails_leaves_an_earlier_result_as_it_was(fake_core, photo, error, status):
    fake_core("trace", str(photo))
    folder = photo.parent / "mill one-measured"
    before = {path.name: path.read_bytes() for path in folder.iterdir()}

    def fail(photo, request, progress):
        raise error

    fake_core.core.answer = fail
    said = fake_core("trace", str(photo), "--json")
    assert said.status == status
    assert json.loads(said.out)["code"] in ("no-card", "bug", "interrupted")
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    assert set(photo.parent.iterdir()) == {photo, folder}


@pytest.mark.skipif(os.name == "nt", reason="permissions differ there")
@pytest.mark.skipif(
    hasattr(os, "geteuid") and os.geteuid() == 0, reason="the superuser may write anywhere"
)
def test_a_folder_that_may_not_be_written_is_told(fake_core, photo):
    photo.parent.chmod(0o500)
    try:
        said = fake_core("trace", str(photo))
    finally:
        photo.parent.chmod(0o700)
    assert said.status == 2
    assert len(said.err.splitlines()) == 2


def test_a_file_in_the_folders_place_is_told(fake_core, photo):
    (photo.parent / "mill one-measured").write_text("mine")
    said = fake_core("trace", str(photo))
    assert said.status == 2
    assert (photo.parent / "mill one-measured").read_text() == "mine"


def test_starting_is_quick_beside_starting_python_itself():
    def best(program, *words):
        times = []
        for _ in range(5):
            began = time.perf_counter()
            python(program, *words)
            times.append(time.perf_counter() - began)
        return min(times)

    # 0.3 s on a laptop that starts Python with numpy in about 0.1 s; a ratio holds elsewhere.
    assert best(MAIN, "--help") < 3.0 * best("import numpy")


@pytest.mark.parametrize("photo", ["mill.jpg", "my mill.JPEG"])
def test_a_photo_where_a_command_belongs_is_told_what_to_type(photo):
    said = python(MAIN, photo, "--setup", "plane")
    assert said.returncode == 2
    shown = f'"{photo}"' if " " in photo else photo
    assert said.stderr.splitlines() == [
        f"{photo} is a photo, not a command.",
        f"Type: measure trace {shown} --setup plane",
    ]
