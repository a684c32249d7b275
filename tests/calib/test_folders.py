"""Writing leaves the whole new result or the whole old one, whatever goes wrong."""

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

import calib.folders
from calib.folders import config_folder, write_files_whole, write_folder_whole, write_whole
from calib.refusal import BadFileError

OLD = {"profile.csv": b"old profile", "result.json": b"old result"}
NEW = {"profile.csv": b"new profile", "result.json": b"new result", "photo.jpg": b"x" * 9000}


def content(folder: Path) -> dict[str, bytes]:
    """Return everything below a folder, hidden files too; folders count as b"folder"."""
    return {
        str(p.relative_to(folder)): p.read_bytes() if p.is_file() else b"folder"
        for p in folder.rglob("*")
    }


def fill(folder: Path) -> None:
    folder.mkdir()
    for name, data in OLD.items():
        (folder / name).write_bytes(data)


def test_config_folder_can_be_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("CALIB_CONFIG_DIR", str(tmp_path / "here"))
    assert config_folder() == tmp_path / "here"
    monkeypatch.delenv("CALIB_CONFIG_DIR")
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    assert tmp_path in config_folder().parents
    assert not config_folder().exists()


def test_file_is_written_and_replaced(tmp_path: Path) -> None:
    path = tmp_path / "a" / "b" / "lens.toml"
    write_whole(path, b"one")
    path.chmod(0o640)
    write_whole(path, b"two")
    assert path.read_bytes() == b"two"
    assert path.stat().st_mode & 0o777 == 0o640
    assert set(content(tmp_path)) == {"a", "a/b", "a/b/lens.toml"}


def test_of_several_files_none_is_written_if_one_cannot_be(tmp_path: Path) -> None:
    (tmp_path / "old.pdf").write_bytes(b"old")
    (tmp_path / "taken.svg").mkdir()
    before = content(tmp_path)
    files = {tmp_path / "old.pdf": b"new", tmp_path / "deep" / "a.dxf": b"0"}
    with pytest.raises(BadFileError):
        write_files_whole({**files, tmp_path / "taken.svg": b"<svg/>"})
    assert content(tmp_path) == before
    write_files_whole(files)
    assert content(tmp_path) == {
        "old.pdf": b"new", "deep": b"folder", "deep/a.dxf": b"0", "taken.svg": b"folder",
    }  # fmt: skip


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_linked_file_is_replaced_and_the_link_stays(tmp_path: Path) -> None:
    write_whole(tmp_path / "real.toml", b"one")
    (tmp_path / "link.toml").symlink_to(tmp_path / "real.toml")
    write_whole(tmp_path / "link.toml", b"two")
    assert (tmp_path / "link.toml").is_symlink()
    assert (tmp_path / "real.toml").read_bytes() == b"two"


def test_new_folder_is_written(tmp_path: Path) -> None:
    write_folder_whole(tmp_path / "deep" / "out", NEW)
    assert content(tmp_path / "deep") == {
        "out": b"folder",
        **{f"out/{n}": b for n, b in NEW.items()},
    }


def test_old_result_is_replaced_and_other_files_stay(tmp_path: Path) -> None:
    out = tmp_path / "out"
    fill(out)
    (out / "report.html").write_bytes(b"old report")
    (out / "my notes.txt").write_bytes(b"ash, dry")
    (out / "sketches").mkdir()
    write_folder_whole(out, NEW, replaces=("report.html", "never.csv"))
    assert content(out) == {**NEW, "my notes.txt": b"ash, dry", "sketches": b"folder"}


def test_folder_that_one_stands_in_stays_usable(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(tmp_path / "out")
    monkeypatch.chdir(tmp_path / "out")
    write_folder_whole(Path(), NEW)
    assert content(Path()) == NEW


@pytest.mark.parametrize("name", ["", ".", "..", "a/b", "/etc/passwd"])
def test_names_with_folders_are_misuse(tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="need a plain name"):
        write_folder_whole(tmp_path / "out", {name: b""})
    assert content(tmp_path) == {}


def test_wrong_kind_in_its_place_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"mine")
    (tmp_path / "out" / "profile.csv").mkdir(parents=True)
    before = content(tmp_path)
    for work in (
        lambda: write_folder_whole(tmp_path / "file", NEW),
        lambda: write_folder_whole(tmp_path / "file" / "below", NEW),
        lambda: write_folder_whole(tmp_path / "out", NEW),
        lambda: write_whole(tmp_path / "out", b""),
        lambda: write_whole(tmp_path / "file" / "x.toml", b""),
    ):
        with pytest.raises(BadFileError) as caught:
            work()
        assert caught.value.exit_status == 2
        assert caught.value.notice.advice
    assert content(tmp_path) == before


@pytest.mark.parametrize("exists", [False, True])
@pytest.mark.parametrize("failing", range(3))
def test_full_disk_at_any_file_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: int, exists: bool
) -> None:
    if exists:
        fill(tmp_path / "out")
    before = content(tmp_path)
    real, count = os.fsync, iter(range(9))

    def fsync(fd: int) -> None:
        if next(count) == failing:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(fd)

    monkeypatch.setattr(calib.folders.os, "fsync", fsync)
    with pytest.raises(BadFileError) as caught:
        write_folder_whole(tmp_path / "out", NEW)
    assert caught.value.notice.code == "cannot-write"
    assert os.strerror(errno.ENOSPC) in caught.value.notice.message
    assert content(tmp_path) == before


@pytest.mark.parametrize("failing", range(6))
@pytest.mark.parametrize("error", [OSError(errno.EACCES, "denied"), KeyboardInterrupt()])
def test_failure_at_any_move_is_undone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: int, error: BaseException
) -> None:
    fill(tmp_path / "out")
    (tmp_path / "out" / "report.html").write_bytes(b"old report")
    before = content(tmp_path)
    real, count = Path.rename, iter(range(99))

    def rename(self: Path, target: Path) -> Path:
        if next(count) == failing:
            raise error
        return real(self, target)

    monkeypatch.setattr(Path, "rename", rename)
    with pytest.raises((BadFileError, KeyboardInterrupt)):
        write_folder_whole(tmp_path / "out", NEW, replaces=["report.html"])
    assert content(tmp_path) == before


def test_single_file_survives_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_whole(tmp_path / "lens.toml", b"old")

    def full(fd: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(calib.folders.os, "fsync", full)
    for name in ("lens.toml", "new/lens.toml"):
        with pytest.raises(BadFileError):
            write_whole(tmp_path / name, b"new")
    assert content(tmp_path) == {"lens.toml": b"old"}


LIMITED = """
import resource, sys
from pathlib import Path
from calib.folders import write_folder_whole
from calib.refusal import BadFileError
resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))
files = {"profile.csv": b"new", "photo.jpg": b"x" * 9000}
try:
    write_folder_whole(Path(sys.argv[1]), files)
except BadFileError as error:
    print(error.notice.code)
"""


@pytest.mark.skipif(os.name == "nt", reason="no such limit there")
def test_real_limit_of_the_system_changes_nothing(tmp_path: Path) -> None:
    # The system itself stops the write here, half-way through the second file.
    fill(tmp_path / "out")
    before = content(tmp_path)
    for name in ("out", "fresh/out"):
        said = subprocess.run(
            [sys.executable, "-c", LIMITED, tmp_path / name],
            capture_output=True,
            text=True,
            check=True,
        )
        assert said.stdout.strip() == "cannot-write"
    assert content(tmp_path) == before


AS_NOBODY = """
import os, sys
from pathlib import Path
from calib.folders import write_folder_whole, write_whole
from calib.refusal import BadFileError
if os.geteuid() == 0:
    os.setuid(65534)
for work in (
    lambda: write_folder_whole(Path(sys.argv[1]), {"a.csv": b""}),
    lambda: write_folder_whole(Path(sys.argv[1]) / "new", {"a.csv": b""}),
    lambda: write_whole(Path(sys.argv[1]) / "a.csv", b""),
):
    try:
        work()
    except BadFileError as error:
        print(error.notice.code)
"""


@pytest.mark.skipif(os.name == "nt", reason="permissions differ there")
def test_folder_without_permission(tmp_path: Path) -> None:
    out = tmp_path / "out"
    fill(out)
    out.chmod(0o555)
    said = subprocess.run(
        [sys.executable, "-c", AS_NOBODY, out], capture_output=True, text=True, check=True
    )
    assert said.stdout.split() == ["cannot-write"] * 3
    out.chmod(0o755)
    assert content(out) == OLD
