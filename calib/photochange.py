"""Which one change to a photo gains most: each is tried on the model, none is taken on faith."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.board import BOARDS
from calib.expected import Expected, expected
from calib.lens import Lens
from calib.modelpiece import (
    ModelPiece,
    UnseenModelError,
    laid_piece,
    side_points,
    standing_piece,
)
from calib.movedview import Scene, framed_distance, moved_sight, moved_view, tilt_of
from calib.sight import CornerSight, SideSight, Sight
from calib.view import View

__all__ = ["Asked", "Change", "Outlook", "Seen", "calibrated_like", "changes", "outlook", "placed"]

FloatArray = NDArray[np.float64]

TILT_RAD, TILT_ENOUGH_RAD = np.radians(22.5), np.radians(18.0)
NEARER_LEAST = 0.93
COVE_SHARE = 0.2
"""Depth of the model's coves over its radius: a middling spindle (no source)."""
BOARD_SCALE_SD = 0.0015
"""Print scale read off the check bars with a steel rule; a test holds it to `calib.printed`."""
CORNER_SD_PX = 0.06
"""Of one saddle point of a printed board in a fair photo (measured on warped pictures)."""
LENS_FOCAL_SD, LENS_CENTRE_SD_OF_12MP, LENS_K1_SD, LENS_K2_SD = 0.0032, 3.0, 0.002, 0.003
"""A lens after `calib lens`, autofocus included."""


@dataclass(frozen=True, slots=True)
class Asked:
    """For which piece and set-up: sizes in mm; `axis_height_mm` and `axis_offset_mm` as told."""

    setup: str
    diameter_mm: float
    length_mm: float
    axis_height_mm: float | None = None
    axis_offset_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Seen:
    """A photo as the estimate sees it: view, sight, lens prior; the target's face and thickness.

    `face_mm` is (width, height); `window_mm` that of a board that the piece lies in.
    """

    view: View
    sight: Sight
    lens: Lens
    face_mm: tuple[float, float]
    window_mm: tuple[float, float] | None
    thickness_mm: float

    @property
    def corners_mm(self) -> FloatArray:
        """The target's corners, (4, 2)."""
        half = 0.5 * np.array(self.face_mm)
        return np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]]) * half


@dataclass(frozen=True, slots=True)
class Outlook:
    """What to expect of a piece with beads and coves, and of a plain one; the turner's lies
    between the two."""

    coved: Expected
    plain: Expected

    @property
    def worth_mm(self) -> float:
        """What photos are ranked by: the rms of both, so that neither kind is forgotten."""
        return float(np.hypot(self.coved.u95_mm, self.plain.u95_mm) / np.sqrt(2.0))


@dataclass(frozen=True, slots=True)
class Change:
    """One change: `code` for programs, `words` for the turner, what it would give.

    `there` is the view after it, where the phone is to be held elsewhere over the same target.
    """

    code: str
    words: str
    gives: Outlook
    there: View | None = None


def placed(seen: Seen, asked: Asked) -> ModelPiece:
    """Return where such a piece, with coves where they are to be seen, would lie in this photo.

    Raises
    ------
    ValueError
        If it would reach up to the phone.
    """
    plain = _plain(seen, asked)
    coved = replace(plain, depth_mm=COVE_SHARE * plain.radius_mm)
    ends = np.linspace(0.0, plain.length_mm, 50)
    try:
        side_points(coved, ends, seen.view.camera_centre_mm)
    except ValueError:
        side_points(plain, ends, seen.view.camera_centre_mm)
        return plain
    return coved


def _plain(seen: Seen, asked: Asked) -> ModelPiece:
    radius, length = 0.5 * asked.diameter_mm, asked.length_mm
    # A piece that lies in a board's window rests on its paper, whose face is Z = 0.
    in_window = seen.window_mm is not None and length <= seen.window_mm[0]
    bench = 0.0 if in_window else -seen.thickness_mm
    if asked.setup == "upright":
        return standing_piece(seen.view, seen.corners_mm, bench, radius, length)
    height = bench + radius
    if asked.setup == "level" and asked.axis_height_mm is not None:
        height = bench + asked.axis_height_mm
    if asked.setup == "plane":
        height = -asked.axis_offset_mm
    return laid_piece(seen.view, seen.corners_mm, seen.window_mm, height, radius, length)


def outlook(view: View, sight: Sight, lens: Lens, piece: ModelPiece, setup: str) -> Outlook:
    """Return what to expect; arguments as for `calib.expected.expected`."""
    plain = replace(piece, depth_mm=0.0)
    return Outlook(
        expected(view, sight, lens, piece, setup), expected(view, sight, lens, plain, setup)
    )


def changes(seen: Seen, asked: Asked, piece: ModelPiece, board_scale_known: bool) -> list[Change]:
    """Return the changes that apply to this photo, the one that gains most first."""
    found = [*_lens(seen, asked, piece), *_while_seen(_moves(seen, asked, piece))]
    found += _while_seen(_board(seen, asked)) if isinstance(seen.sight, SideSight) else []
    if isinstance(seen.sight, CornerSight) and not board_scale_known:
        sight = replace(seen.sight, scale_sd=np.full(2, BOARD_SCALE_SD))
        gives = outlook(seen.view, sight, seen.lens, piece, asked.setup)
        found.append(Change("measure-bars", "Measure both check bars of the printed board", gives))
    return sorted(found, key=lambda change: change.gives.worth_mm)


def _while_seen(found: Iterator[Change]) -> Iterator[Change]:
    """Yield changes until one from where the phone would not see all of the piece."""
    with suppress(UnseenModelError):
        yield from found


def _lens(seen: Seen, asked: Asked, piece: ModelPiece) -> Iterator[Change]:
    if seen.lens.source == "calibrated":
        return
    lens = calibrated_like(seen.view.lens)
    gives = outlook(seen.view, seen.sight, lens, piece, asked.setup)
    yield Change("calibrate-lens", "Calibrate the phone's lens once, with calib lens", gives)


def calibrated_like(lens: Lens) -> Lens:
    """Return the prior that a calibration of this lens would give."""
    centre = LENS_CENTRE_SD_OF_12MP * float(np.hypot(*lens.size_px)) / 5040.0
    sd = np.array([LENS_FOCAL_SD * lens.focal_px, centre, centre, LENS_K1_SD, LENS_K2_SD])
    return replace(lens, covariance=np.diag(sd**2), source="calibrated")


def _moves(seen: Seen, asked: Asked, piece: ModelPiece) -> Iterator[Change]:
    scene = _scene(seen, piece)
    view = seen.view
    # Straight back along the line of sight: the phone is aimed at the middle and not turned.
    back = -view.rotation[2]
    distance = float((view.camera_centre_mm - scene.middle_mm) @ back)
    tilt, _ = tilt_of(view)
    if asked.setup in ("bench", "level") and tilt < TILT_ENOUGH_RAD:
        along = piece.direction[:2] / np.linalg.norm(piece.direction[:2])
        across = np.array([-along[1], along[0]])
        tilted = [
            (_from(seen, asked, piece, scene, _leaning(sign * lean, TILT_RAD), distance), words)
            for lean, words in ((along, "toward one end"), (across, "to one side"))
            for sign in (1.0, -1.0)
        ]
        (gives, there), words = min(tilted, key=lambda pair: pair[0][0].worth_mm)
        words = f"Tilt the phone 20 to 25 degrees, {words} of the piece"
        yield Change("tilt", words, gives, there)
    nearest = framed_distance(view, scene, back)
    if nearest < NEARER_LEAST * distance:
        gives, there = _from(seen, asked, piece, scene, back, nearest)
        words = f"Come nearer: hold the phone {_round(nearest):.0f} mm away"
        yield Change("nearer", f"{words} instead of {_round(distance):.0f}", gives, there)


def _leaning(lean: FloatArray, tilt: float) -> FloatArray:
    return np.array([*(np.sin(tilt) * lean), np.cos(tilt)])


def _from(
    seen: Seen, asked: Asked, piece: ModelPiece, scene: Scene, toward: FloatArray, distance: float
) -> tuple[Outlook, View]:
    """Return what the photo gives from elsewhere, far enough to hold the scene, and its view."""
    far = max(distance, framed_distance(seen.view, scene, toward))
    there = moved_view(seen.view, scene.middle_mm, toward, far)
    sight = moved_sight(seen.sight, seen.view, there)
    return outlook(there, sight, seen.lens, piece, asked.setup), there


def _scene(seen: Seen, piece: ModelPiece) -> Scene:
    face = np.column_stack([seen.corners_mm, np.zeros(4)])
    ends = np.array([0.0, piece.length_mm])
    rims = side_points(piece, ends, seen.view.camera_centre_mm).reshape(-1, 3)
    return Scene(np.vstack([face, rims]))


def _board(seen: Seen, asked: Asked) -> Iterator[Change]:
    """Yield the printed board in place of the card, the phone leaning as it does now."""
    if asked.setup != "bench":
        return
    for name in ("a4", "a3"):
        board = BOARDS[name]
        if board.window_mm is not None and asked.length_mm <= board.window_mm[0] - 10.0:
            break
    else:
        return
    _, lean = tilt_of(seen.view)
    tilt = tilt_of(seen.view)[0]
    sight = CornerSight(
        points_px=np.zeros_like(board.corners_mm),
        points_mm=board.corners_mm,
        sd_px=np.full(len(board.corners_mm), CORNER_SD_PX),
        scale=np.ones(2),
        scale_sd=np.full(2, BOARD_SCALE_SD),
        thickness_mm=board.thickness_mm,
    )
    level = _squared(seen.view)
    with_board = Seen(level, sight, seen.lens, board.size_mm, board.window_mm, board.thickness_mm)
    piece = placed(with_board, asked)
    scene = _scene(with_board, piece)
    toward = _leaning(lean, tilt)
    distance = framed_distance(level, scene, toward)
    there = moved_view(level, scene.middle_mm, toward, distance)
    gives = outlook(there, moved_sight(sight, level, there), seen.lens, piece, asked.setup)
    words = f"Lay the piece on the printed board: calib card --size {name}"
    yield Change("printed-board", words, gives)


def _squared(view: View) -> View:
    """Return the view over the middle, the picture's long side along the board's X."""
    width, height = view.lens.size_px
    right = np.array([1.0, 0.0, 0.0]) if width >= height else np.array([0.0, 1.0, 0.0])
    down = np.cross([0.0, 0.0, -1.0], right)
    rotation = np.stack([right, down, [0.0, 0.0, -1.0]])
    turn = np.asarray(cv2.Rodrigues(rotation)[0], dtype=np.float64).ravel()
    return View(view.lens, turn, np.array([0.0, 0.0, 400.0]), view.covariance)


def _round(mm: float) -> float:
    return 10.0 * round(mm / 10.0)
