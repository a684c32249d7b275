"""The photos of a calibration set: read on all cores, corners in pixels of the stored picture."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path

from calib.boardfind import find_board
from calib.chessfind import find_chessboard
from calib.exif import CameraId
from calib.lenscalibrate import NamedView
from calib.lenschoice import INVERSE_ORIENTATION
from calib.lensmodel import PageView
from calib.orientation import displayed_points, displayed_size
from calib.photo import read_photo
from calib.refusal import RefusalError

__all__ = ["Chessboard", "PhotoSet", "read_set"]


@dataclass(frozen=True, slots=True)
class Chessboard:
    """A plain chessboard: inner corners (across, down), side of a square in mm."""

    inner: tuple[int, int]
    square_mm: float


@dataclass(frozen=True, slots=True)
class PhotoSet:
    """What the photos of a set hold.

    Attributes
    ----------
    camera, size_px : shared by all; the size as stored.
    page : name of the board seen, "chessboard" for a plain one.
    views : corners of the photos in which the page was seen.
    left_out : (name, why) of the others.
    """

    camera: CameraId
    size_px: tuple[int, int]
    page: str
    views: tuple[NamedView, ...]
    left_out: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class _Seen:
    name: str
    camera: CameraId
    size_px: tuple[int, int]
    page: str
    view: PageView | None
    why: str


def read_set(
    paths: Sequence[Path],
    chessboard: Chessboard | None,
    progress: Callable[[int], None] = lambda done: None,
) -> PhotoSet:
    """Read the photos of a set and find the page in each.

    Parameters
    ----------
    paths : the photos.
    chessboard : a plain chessboard to look for; None for the project's own boards.
    progress : called with the number of photos done.

    Raises
    ------
    BadFileError
        A photo cannot be read.
    RefusalError
        `lens-mixed-cameras`, `lens-mixed-sizes`, `lens-no-board`.
    """
    seen: list[_Seen | None] = [None] * len(paths)
    workers = max(1, min(len(paths), os.cpu_count() or 1))
    # Threads: decoding and most of the arithmetic run outside the interpreter's lock, and each
    # holds one picture at a time, which bounds the memory.
    with ThreadPoolExecutor(workers) as pool:
        jobs = {pool.submit(_look_at, path, chessboard): i for i, path in enumerate(paths)}
        try:
            for done, job in enumerate(as_completed(jobs), start=1):
                seen[jobs[job]] = job.result()
                progress(done)
        except BaseException:
            for job in jobs:
                job.cancel()
            raise
    return _gathered([s for s in seen if s is not None])


def _look_at(path: Path, chessboard: Chessboard | None) -> _Seen:
    photo = read_photo(path)
    back = INVERSE_ORIENTATION.get(photo.orientation, photo.orientation)
    stored = displayed_size(photo.size_px, back)
    page, view, why = "", None, "no board is to be seen in it whole and sharp"
    if chessboard is not None:
        page = "chessboard"
        view = find_chessboard(photo.bgr, chessboard.inner, chessboard.square_mm)
    elif (sighting := find_board(photo.bgr)) is not None:
        page = sighting.board.name
        if sighting.rivals:
            why = "two boards are to be seen in it"
        else:
            view = PageView(sighting.corners_mm, sighting.corners_px, sighting.sd_px)
    if view is not None:
        points = displayed_points(view.points_px, photo.size_px, back)
        view = PageView(view.points_mm, points, view.sd_px)
    if photo.framing not in ("whole", "rescaled", "unknown"):
        view, why = None, "it is cropped, zoomed or in another format"
    return _Seen(photo.name, photo.camera, stored, page, view, why)


def _gathered(seen: Sequence[_Seen]) -> PhotoSet:
    _refuse_mixture(seen)
    pages = Counter(s.page for s in seen if s.view is not None)
    if not pages:
        where = f"none of the {len(seen)} photos" if len(seen) > 1 else f"no part of {seen[0].name}"
        raise RefusalError(
            "lens-no-board",
            f"The board is to be seen in {where}.",
            "Print one with: calib card. For a plain chessboard add --chessboard 9x6 --square 25.",
        )
    page = pages.most_common(1)[0][0]
    views, left_out = [], []
    for s in seen:
        if s.view is None:
            left_out.append((s.name, s.why))
        elif s.page != page:
            left_out.append((s.name, f"it shows the {s.page} board, the others {page}"))
        else:
            views.append(NamedView(s.name, s.view))
    return PhotoSet(seen[0].camera, seen[0].size_px, page, tuple(views), tuple(left_out))


def _refuse_mixture(seen: Sequence[_Seen]) -> None:
    cameras = Counter(s.camera for s in seen)
    if len(cameras) > 1:
        odd = next(s for s in seen if s.camera == cameras.most_common()[-1][0])
        raise RefusalError(
            "lens-mixed-cameras",
            f"The photos come from {len(cameras)} cameras, lenses or zooms (for one, {odd.name}).",
            "Calibrate each lens by itself, with no zoom.",
        )
    sizes = Counter(s.size_px for s in seen)
    if len(sizes) > 1:
        odd = next(s for s in seen if s.size_px == sizes.most_common()[-1][0])
        raise RefusalError(
            "lens-mixed-sizes",
            f"The photos have {len(sizes)} sizes (for one, {odd.name} is "
            f"{odd.size_px[0]} x {odd.size_px[1]}).",
            "Use photos just as the camera saved them, all of one size.",
        )
