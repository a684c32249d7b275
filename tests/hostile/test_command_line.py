"""Bad files through the command line: status, two lines on standard error, one JSON object."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.hostile.pictures import exif, jpeg_claiming, packed, scene
from tests.hostile.test_bad_photos import BAD

COMMANDS = [("measure", "trace"), ("measure", "hole"), ("calib", "preview")]
STATUS_BAD_FILE = 2
STATUS_CANNOT_MEASURE = 3
CHOSEN = [
    "0 bytes",
    "text renamed",
    "JPEG cut in the middle",
    "JPEG with a piece missing",
    "200 megapixel JPEG header",
    "PNG cut",
    "HEIC cut",
    "CMYK JPEG",
]


def run(command: tuple[str, str], *arguments: object) -> subprocess.CompletedProcess[str]:
    package, name = command
    program = f"from {package}.cli import main; main()"
    return subprocess.run(
        [sys.executable, "-c", program, name, *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={**os.environ, "PYTHONWARNINGS": "default"},
    )


def check_refusal(said: subprocess.CompletedProcess[str], status: int, as_json: bool) -> str:
    """Check how a refusal ends, and return its code ("" without JSON)."""
    assert said.returncode == status, said.stderr
    lines = said.stderr.splitlines()
    assert len(lines) == 2, said.stderr
    assert all(line.strip() for line in lines)
    assert "Traceback" not in said.stderr
    if not as_json:
        assert said.stdout == ""
        return ""
    answer = json.loads(said.stdout)  # fails on a second object or any other text
    assert answer["kind"] == "refusal"
    assert [answer["message"], answer["advice"]] == lines
    return str(answer["code"])


@pytest.mark.parametrize("as_json", [False, True], ids=["text", "json"])
@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
@pytest.mark.parametrize("name", CHOSEN)
def test_bad_file(tmp_path: Path, command: tuple[str, str], name: str, as_json: bool) -> None:
    code, make = BAD[name]
    path = tmp_path / "mill.jpg"
    path.write_bytes(make())
    said = run(command, path, *(["--json"] if as_json else []))
    assert check_refusal(said, STATUS_BAD_FILE, as_json) in ("", code)
    assert [p.name for p in tmp_path.iterdir()] == ["mill.jpg"]


@pytest.mark.parametrize("as_json", [False, True], ids=["text", "json"])
@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_missing_file_and_folder(tmp_path: Path, command: tuple[str, str], as_json: bool) -> None:
    more = ["--json"] if as_json else []
    said = run(command, tmp_path / "none.jpg", *more)
    assert check_refusal(said, STATUS_BAD_FILE, as_json) in ("", "no-such-file")
    said = run(command, tmp_path, *more)
    assert check_refusal(said, STATUS_BAD_FILE, as_json) in ("", "not-a-file")


@pytest.mark.parametrize("as_json", [False, True], ids=["text", "json"])
@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_photo_with_nothing_to_measure(
    tmp_path: Path, command: tuple[str, str], as_json: bool
) -> None:
    path = tmp_path / "mill.jpg"
    path.write_bytes(packed(scene(1600, 1200), "JPEG", exif(26, (1600, 1200))))
    said = run(command, path, *(["--json"] if as_json else []))
    check_refusal(said, STATUS_CANNOT_MEASURE, as_json)
    assert [p.name for p in tmp_path.iterdir()] == ["mill.jpg"]


@pytest.mark.skipif(os.name == "nt", reason="needs the resource module")
@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_huge_header_is_refused_in_little_memory(tmp_path: Path, command: tuple[str, str]) -> None:
    path = tmp_path / "mill.jpg"
    path.write_bytes(jpeg_claiming(16320, 12240))
    package, name = command
    program = (
        "import resource, atexit, sys\n"
        "atexit.register(lambda: print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss))\n"
        f"from {package}.cli import main; main()"
    )
    said = subprocess.run(
        # By way of a shell: a process starts with the peak memory of the one that it comes from.
        ["sh", "-c", '"$@"; exit $?', "sh", sys.executable, "-c", program, name, str(path)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert said.returncode == STATUS_BAD_FILE
    unit = 1 if sys.platform == "darwin" else 1024
    assert int(said.stdout.split()[-1]) * unit < 600e6  # decoded it would be 600 MB by itself
