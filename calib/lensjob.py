"""What `calib lens` does: calibrate and save, or list, forget, export and import."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calib.ending import Outcome
from calib.exif import CameraId
from calib.lensfile import (
    SavedLens,
    forget_lens,
    lens_toml,
    read_lens_file,
    save_lens,
    saved_lenses,
)
from calib.refusal import BadFileError, Notice

__all__ = ["LensRequest", "lens_work"]

REPORT, COVERAGE = "report.html", "coverage.svg"
UNMEASURED_RATIO_SD = 0.003
"""Standard deviation of height over width of a print that nobody measured (common practice, no
source)."""


@dataclass(frozen=True, slots=True)
class LensRequest:
    """What `calib lens` was asked."""

    photos: tuple[Path, ...] = ()
    chessboard: str | None = None
    square_mm: float | None = None
    out: Path | None = None
    report: bool = True
    list_all: bool = False
    forget: str | None = None
    export: Path | None = None
    import_file: Path | None = None
    name: str | None = None
    replace: bool = False
    shows_progress: bool = False


def lens_work(request: LensRequest) -> Outcome:
    """Do what was asked.

    Raises
    ------
    RefusalError
        Whatever stands in the way; see `calib.lenscalibrate`, `calib.lensphotos` and
        `calib.lensfile`.
    """
    _check_request(request)
    if request.list_all:
        return _list()
    if request.forget is not None:
        forget_lens(request.forget)
        return Outcome(f"Forgot {request.forget}.", {"kind": "lens", "forgot": request.forget})
    if request.import_file is not None:
        return _import(request.import_file, request.replace)
    if request.export is not None and not request.photos:
        return _export(request.export, request.name)
    return _calibrate(request)


def _check_request(request: LensRequest) -> None:
    jobs = {
        "photos": bool(request.photos),
        "--list": request.list_all,
        "--forget": request.forget is not None,
        "--import": request.import_file is not None,
        "--export": request.export is not None and not request.photos,
    }
    asked = [job for job, on in jobs.items() if on]
    if len(asked) != 1:
        raise BadFileError(
            "usage",
            "Name photos of the board."
            if not asked
            else f"{' and '.join(asked)} do not go together.",
            "Type calib lens --help to see what it takes.",
        )
    if (request.chessboard is None) != (request.square_mm is None):
        raise BadFileError(
            "bad-chessboard",
            "A plain chessboard needs both --chessboard and --square.",
            "For instance: --chessboard 9x6 --square 25 (inner corners; side in mm).",
        )


def _list() -> Outcome:
    lenses, troubles = saved_lenses()
    lines = [
        f"{name}  focal {s.lens.focal_px:.0f} px, from {s.photos} photos"
        for name, s in lenses.items()
    ]
    text = "\n".join(lines) if lines else "No lens is known yet. Take ten photos of the board."
    data: dict[str, Any] = {
        "kind": "lenses",
        "lenses": [{"name": name, **_facts(saved)} for name, saved in lenses.items()],
        "warnings": _warnings(troubles),
    }
    return Outcome(text, data, troubles)


def _import(path: Path, replace: bool) -> Outcome:
    saved = read_lens_file(path)
    if not saved.camera.make and not saved.camera.model:
        raise BadFileError(
            "lens-without-camera",
            f"{path} does not say which camera its lens belongs to.",
            "Add make and model to its [camera] part, as the camera writes them into its photos.",
        )
    name = save_lens(saved, replace)
    return Outcome(f"Took in {name}.", {"kind": "lens", "name": name, **_facts(saved)})


def _export(path: Path, name: str | None) -> Outcome:
    from calib.folders import write_whole

    lenses, troubles = saved_lenses()
    if name is None and len(lenses) != 1:
        raise BadFileError(
            "no-such-lens",
            f"{len(lenses)} lenses are known; which one?",
            "Add --name NAME; list them with: calib lens --list",
        )
    name = name if name is not None else next(iter(lenses))
    if name not in lenses:
        raise BadFileError(
            "no-such-lens", f"There is no saved lens {name}.", "List them with: calib lens --list"
        )
    write_whole(path, lens_toml(lenses[name]))
    return Outcome(
        f"Wrote {name} to {path}.", {"kind": "lens", "name": name, "file": str(path)}, troubles
    )


def _calibrate(request: LensRequest) -> Outcome:
    from calib.folders import write_folder_whole, write_whole
    from calib.lensadvice import next_photo
    from calib.lenscalibrate import calibrate
    from calib.lensfigures import coverage_svg
    from calib.lensphotos import Chessboard, read_set
    from calib.lensreport import advice_line, lens_report
    from calib.lenswords import lens_words

    inner = _inner_corners(request.chessboard)
    board = None if inner is None else Chessboard(inner, _square(request.square_mm))
    with _progress(len(request.photos), request.shows_progress) as step:
        photos = read_set(request.photos, board, step)
    ratio, ratio_sd, scale_known = _page_ratio(photos.page)
    found = calibrate(photos.views, photos.size_px, ratio, ratio_sd, photos.left_out)
    advice = next_photo(found)
    saved = SavedLens(
        camera=photos.camera,
        lens=found.lens,
        focus_sd=found.focus_sd,
        photos=len(found.used),
        corners=sum(len(v.view.points_px) for v in found.used),
        rms_px=found.fit.rms_px,
        terms=found.fit.terms.name,
    )
    files: list[str] = []
    if request.report:
        out = request.out if request.out is not None else request.photos[0].parent / "lens-measured"
        report = lens_report(found, f"Lens of {_camera_words(photos.camera)}", advice)
        content = {REPORT: report.encode("utf-8"), COVERAGE: coverage_svg(found).encode("utf-8")}
        write_folder_whole(out, content)
        files += [str(out / name) for name in content]
    if request.export is not None:
        write_whole(request.export, lens_toml(saved))
        files.append(str(request.export))
    name, notices = _kept(saved, found.notices)
    text = lens_words(saved, found.left_out, name, files, advice_line(advice))
    data: dict[str, Any] = {
        "kind": "lens",
        "name": name,
        **_facts(saved),
        "page": photos.page,
        "scale_known": scale_known,
        "page_bow_mm": round(found.bow_mm, 2),
        "reach": round(found.coverage.reach, 3),
        "left_out": [{"photo": photo, "why": why} for photo, why in found.left_out],
        "evidence": {terms.name: round(lag, 2) for terms, lag in found.rivals.items()},
        "next_photo": None if advice is None else advice_line(advice),
        "files": files,
        "warnings": _warnings(notices),
    }
    return Outcome(text, data, notices)


def _kept(saved: SavedLens, notices: tuple[Notice, ...]) -> tuple[str | None, tuple[Notice, ...]]:
    """Save the lens if the photos say which camera it belongs to."""
    if saved.camera.make or saved.camera.model:
        return save_lens(saved, replace=True), notices
    nameless = Notice(
        "lens-not-saved",
        "The photos do not say which camera took them, so the lens cannot be kept for others.",
        "Use photos just as the phone saved them; --export FILE writes the lens all the same.",
    )
    return None, (*notices, nameless)


def _inner_corners(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    match = re.fullmatch(r"(\d{1,2})x(\d{1,2})", text.strip().lower())
    if match is None or min(int(match[1]), int(match[2])) < 3:
        raise BadFileError(
            "bad-chessboard",
            f"--chessboard {text} is no chessboard.",
            "Count the inner corners, across and down: --chessboard 9x6.",
        )
    return int(match[1]), int(match[2])


def _square(side_mm: float | None) -> float:
    if side_mm is None or not 1.0 <= side_mm <= 500.0:
        raise BadFileError(
            "bad-chessboard", f"--square {side_mm} cannot be.", "Give the side in mm: --square 25."
        )
    return side_mm


def _page_ratio(page: str) -> tuple[float, float, bool]:
    """Return height over width of the page as printed over as drawn, its sd, and if measured.

    The scale itself does not matter for a lens: a page printed small is a page farther away.
    """
    from calib.board import BOARDS
    from calib.printed import print_scale

    if page not in BOARDS:
        return 1.0, UNMEASURED_RATIO_SD, True
    scale = print_scale(page)
    if not scale.measured:
        return 1.0, UNMEASURED_RATIO_SD, False
    return scale.y / scale.x, float(np.hypot(scale.sd_x, scale.sd_y)), True


def _camera_words(camera: CameraId) -> str:
    return " ".join(part for part in (camera.make, camera.model) if part) or "an unknown camera"


def _facts(saved: SavedLens) -> dict[str, Any]:
    lens = saved.lens
    sd = np.sqrt(np.diag(lens.covariance))
    return {
        "make": saved.camera.make,
        "model": saved.camera.model,
        "width_px": lens.size_px[0],
        "height_px": lens.size_px[1],
        "focal_px": lens.focal_px,
        "focal_u95_px": float(1.96 * sd[0]),
        "centre_px": list(lens.centre_px),
        "centre_u95_px": [float(1.96 * sd[1]), float(1.96 * sd[2])],
        "k1": lens.k1,
        "k1_u95": float(1.96 * sd[3]),
        "k2": lens.k2,
        "k2_u95": float(1.96 * sd[4]),
        "focus_sd": saved.focus_sd,
        "photos": saved.photos,
        "corners": saved.corners,
        "rms_px": saved.rms_px,
        "terms": saved.terms,
    }


def _warnings(notices: tuple[Notice, ...]) -> list[dict[str, str]]:
    return [{"code": n.code, "message": n.message, "advice": n.advice} for n in notices]


@contextmanager
def _progress(photos: int, shown: bool) -> Iterator[Callable[[int], None]]:
    """Show a bar over the photos on a terminal, nothing elsewhere."""
    if not shown or not sys.stderr.isatty():
        yield lambda done: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = (TextColumn("Finding the board"), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("photos", total=photos)
        yield lambda done: bar.update(task, completed=done)
