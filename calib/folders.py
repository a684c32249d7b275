"""Where the user's own settings live, and writing that leaves nothing half-written."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from calib.refusal import BadFileError

__all__ = [
    "CONFIG_VARIABLE",
    "config_folder",
    "write_files_whole",
    "write_folder_whole",
    "write_whole",
]

CONFIG_VARIABLE = "CALIB_CONFIG_DIR"
"""Environment variable that names another config folder."""
_APP_NAME = "turned-by-photo"


def config_folder() -> Path:
    """Return the folder of saved lenses and print scales; it need not exist yet."""
    named = os.environ.get(CONFIG_VARIABLE)
    if named:
        return Path(named)
    import platformdirs

    return Path(platformdirs.user_config_dir(_APP_NAME, appauthor=False))


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that it is there whole, or as it was before.

    Missing folders above it are made.

    Raises
    ------
    BadFileError
        If it cannot be written (permission, full disk, a folder in its place).
    """
    write_files_whole({path: content})


def write_files_whole(files: Mapping[Path, bytes]) -> None:
    """Write files, wherever they stand, so that all of them are there or all is as it was before.

    Missing folders above them are made. All are written and synced beside their places first;
    only then does each take its place.

    Raises
    ------
    BadFileError
        If one cannot be written (permission, full disk, a folder in its place).
    """
    with contextlib.ExitStack() as undo:
        moves = []
        for path, content in files.items():
            with _as_bad_file(path):
                _refuse_folder(path)
                # A link is followed, so that the file it names is replaced and the link stays.
                target = path.resolve()
                undo.enter_context(_folder_for(target))
                staged = _sibling(target, "new")
                undo.callback(staged.unlink, missing_ok=True)
                _write_synced(staged, content, _mode_of(target))
            moves.append((path, staged, target))
        for path, staged, target in moves:
            with _as_bad_file(path):
                staged.replace(target)


def write_folder_whole(out: Path, files: Mapping[str, bytes], replaces: Iterable[str] = ()) -> None:
    """Write several files so that all of them are there, or all is as it was before.

    All files are first written and synced in a hidden folder on the same disk; only then are
    they moved into place, and moved back if one move fails. What the turner keeps in the
    folder besides is not touched.

    Parameters
    ----------
    out : the folder, made if missing.
    files : content by plain file name.
    replaces : names that belong to an earlier result of the same kind; those not written again
        are removed, so that no stale report stands beside new numbers.

    Raises
    ------
    BadFileError
        If they cannot be written (permission, full disk, a file in the folder's place).
    ValueError
        If a name is not a plain file name.
    """
    retired = sorted({*files, *replaces})
    for name in retired:
        if not name or name in (".", "..") or Path(name).name != name:
            raise ValueError(f"file name is {name!r}, need a plain name without folders")
    with _as_bad_file(out):
        if out.exists() and not out.is_dir():
            raise BadFileError(
                "not-a-folder", f"{out} is a file, not a folder.", "Name another folder."
            )
        for name in retired:
            _refuse_folder(out / name)
        out = out.resolve()
        fresh = not out.exists()
        staged = _sibling(out if fresh else out / "result", "new")
        with _folder_for(out):
            try:
                staged.mkdir()
                for name, content in files.items():
                    _write_synced(staged / name, content, _mode_of(out / name))
                if fresh:
                    staged.rename(out)
                else:
                    _exchange(staged, out, list(files), retired)
            finally:
                shutil.rmtree(staged, ignore_errors=True)


def _exchange(staged: Path, out: Path, names: list[str], retired: list[str]) -> None:
    """Move the old files out and the new ones in; undo every move if one fails."""
    aside = _sibling(out / "result", "old")
    aside.mkdir()
    done: list[tuple[Path, Path]] = []
    moves = [(out / n, aside / n) for n in retired if os.path.lexists(out / n)]
    moves += [(staged / n, out / n) for n in names]
    try:
        for source, target in moves:
            source.rename(target)
            done.append((source, target))
    except BaseException:
        for source, target in reversed(done):
            target.rename(source)
        aside.rmdir()
        raise
    shutil.rmtree(aside, ignore_errors=True)


@contextlib.contextmanager
def _folder_for(path: Path) -> Iterator[None]:
    """Make the folders above a path, and take those made away again if the work fails."""
    missing = [folder for folder in path.parents if not folder.exists()]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield
    except BaseException:
        for folder in missing:
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise


def _sibling(path: Path, what: str) -> Path:
    """Return an unused hidden name in the same folder, hence on the same disk."""
    return path.with_name(f".{path.name[:40]}.{secrets.token_hex(6)}.{what}")


def _mode_of(path: Path) -> int | None:
    try:
        return path.stat().st_mode & 0o777
    except FileNotFoundError:
        return None


def _write_synced(path: Path, content: bytes, mode: int | None) -> None:
    """Write and make sure that it reached the disk, so that a full one is noticed here."""
    with path.open("xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    if mode is not None:
        path.chmod(mode)


def _refuse_folder(path: Path) -> None:
    if path.is_dir():
        raise BadFileError("not-a-file", f"{path} is a folder.", "Name a file.")


@contextlib.contextmanager
def _as_bad_file(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error)
        raise BadFileError(
            "cannot-write",
            f"{path} cannot be written: {reason}.",
            "Check the permissions and the free space, or choose another folder with --out.",
        ) from None
