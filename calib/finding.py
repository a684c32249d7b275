"""The target in a photo: the one that was asked for, checked, or a refusal that says why not."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.board import BOARDS, Board
from calib.boardfind import find_board
from calib.cardfind import CardSearch, find_cards
from calib.cardsides import with_lean_doubted
from calib.lens import Lens
from calib.light import linear
from calib.photo import Photo
from calib.refusal import Notice, RefusalError
from calib.sharpness import is_dark
from calib.sight import CornerSight, Sight, fit_view
from calib.targets import ID1, Rectangle, Target
from calib.view import View

if TYPE_CHECKING:
    from calib.printed import PrintScale

__all__ = ["FoundTarget", "find_target", "linear_table"]

FloatArray = NDArray[np.float64]

BOARD_CORNERS = 8
"""Fewer saddle points than this do not tell a board's pose."""


@dataclass(frozen=True, slots=True)
class FoundTarget:
    """The target in the photo.

    Attributes
    ----------
    sight : points of it, for the joint estimate.
    view : the view that the target alone gives.
    polygon_px : (m, 2) round it, to keep the search for the piece off it and to blur it.
    scale_from : what the result says of the scale.
    is_board : a printed board shows nothing private.
    thickness_mm : its face lies this far above the bench.
    notices : what the turner should know.
    """

    sight: Sight
    view: View
    polygon_px: FloatArray
    scale_from: str
    is_board: bool
    thickness_mm: float
    notices: tuple[Notice, ...]


def linear_table() -> NDArray[np.float32]:
    """Return the (256,) table from encoded values to linear light."""
    return np.asarray(linear(np.arange(256, dtype=np.uint8)), dtype=np.float32)


def find_target(
    photo: Photo,
    lens: Lens,
    target: Target,
    scale: PrintScale | None,
    *,
    doubt_lean: bool = True,
    steepest_deg: float = 90.0,
) -> FoundTarget:
    """Find a target in a photo.

    Parameters
    ----------
    photo, lens : the photo and the prior of its lens.
    target : what to look for.
    scale : for a board, what is known of its print.
    doubt_lean : whether what the points of a card's side get wrong together counts.
    steepest_deg : of two that could be a card, one seen at more of a slant is another thing: the
        side of a block seen sharply from above may have a card's shape.

    Raises
    ------
    RefusalError
        `no-target`, `wrong-rectangle`, `two-targets`, `target-cut`.
    """
    if isinstance(target, Board):
        return _find_board(photo, lens, target, scale)
    return _find_rectangle(photo, lens, target, doubt_lean, steepest_deg)


def _find_board(photo: Photo, lens: Lens, board: Board, scale: PrintScale | None) -> FoundTarget:
    sighting = find_board(photo.bgr, [board])
    if sighting is None or len(sighting.corners_px) < BOARD_CORNERS:
        raise RefusalError(
            "no-target",
            f"The {board.name} board is not to be seen in {photo.name}.",
            "Lay the printed board flat with its corners in the picture, or name another --target.",
        )
    if scale is None:
        raise ValueError("a board needs its print scale")
    sight = CornerSight(
        points_px=sighting.corners_px,
        points_mm=sighting.corners_mm,
        sd_px=np.hypot(sighting.sd_px, 0.05),
        scale=np.array([scale.x, scale.y]),
        scale_sd=np.array([scale.sd_x, scale.sd_y]),
        thickness_mm=board.thickness_mm,
    )
    view, _ = fit_view(sight, lens)
    notices: tuple[Notice, ...] = ()
    if not scale.measured:
        notices = (
            Notice(
                "print-scale-unknown",
                f"The scale of the printed {board.name} board has not been measured.",
                "Measure both check bars, then type: "
                f"calib printed --size {board.name} --bar-x .. --bar-y ..",
            ),
        )
    return FoundTarget(
        sight, view, sighting.outline_px, f"{board.name} board", True, board.thickness_mm, notices
    )


def _find_rectangle(
    photo: Photo, lens: Lens, target: Rectangle, doubt_lean: bool, steepest_deg: float
) -> FoundTarget:
    search = find_cards(
        photo.bgr,
        linear_table(),
        lens,
        (target.width_mm, target.height_mm),
        (target.width_sd_mm, target.height_sd_mm),
        target.thickness_mm,
        target.corner_radius_mm,
    )
    name = "card" if target == ID1 else f"{target.width_mm:g} x {target.height_mm:g} mm rectangle"
    good = [c for c in search.candidates if c.good]
    if not good:
        refusal = _printed_board(photo, name) or _why_not(search, name, photo.name)
        if is_dark(photo.bgr):
            refusal.notice = replace(refusal.notice, advice=DARK_ADVICE)
        raise refusal
    if len(good) > 1:
        # The share of the face's normal that points at the phone is its slant's cosine.
        least = math.cos(math.radians(steepest_deg))
        good = [c for c in good if abs(c.view.rotation[2, 2]) >= least] or good
    if len(good) > 1:
        raise RefusalError(
            "two-targets",
            f"Two rectangles in {photo.name} could be the {name}.",
            "Take one away, or cover it, and take the photo again.",
        )
    best = good[0]
    scale_from = "ID-1 card" if target == ID1 else name
    sight = with_lean_doubted(best.sight) if doubt_lean else best.sight
    view, _ = fit_view(sight, lens)
    notices = () if best.hidden is None else (_side_hidden(name),)
    return FoundTarget(
        sight, view, sight.corners_px, scale_from, False, target.thickness_mm, notices
    )


DARK_ADVICE = "The photo is very dark: take it in more light."
"""What comes first where hardly anything can be seen."""


def _side_hidden(name: str) -> Notice:
    return Notice(
        "side-hidden",
        f"One side of the {name} is hidden or unclear: it was measured by the other three.",
        "Is it a bank card (85.6 x 54 mm)? With all four sides in sight it is surer.",
    )


def _printed_board(photo: Photo, name: str) -> RefusalError | None:
    """Return the refusal of a photo that shows a printed board instead; None if it does not."""
    sighting = find_board(photo.bgr, list(BOARDS.values()))
    if sighting is None or len(sighting.corners_px) < BOARD_CORNERS:
        return None
    board = sighting.board.name
    return RefusalError(
        "no-target",
        f"No {name} is to be seen in {photo.name}, but the printed {board} board.",
        f"Add --target {board}.",
    )


def _why_not(search: CardSearch, name: str, photo_name: str) -> RefusalError:
    if search.cut:
        return RefusalError(
            "target-cut",
            f"The {name} in {photo_name} runs out of the picture.",
            "Step back or move it in, so that all four corners are to be seen.",
        )
    if search.candidates or search.other:
        best = min(search.candidates, key=lambda c: c.misfit, default=None)
        corners = best is not None and best.fits
        what = "the corners differ" if corners else "the shape differs"
        if best is not None and name == "card":
            # Its shape is nearly the card's: a size that is typed would only hide what is wrong.
            return RefusalError(
                "wrong-rectangle",
                f"No bank card is plainly to be seen in {photo_name}: of what is most like one "
                f"{what}.",
                "If one (85.6 x 54 mm) lies there, whole, a side is in shadow or too like its "
                "ground: lay it on another tone.",
            )
        return RefusalError(
            "wrong-rectangle",
            f"The rectangle in {photo_name} is not the {name}: {what}.",
            "Use a bank-size card (85.6 x 54 mm, rounded corners), or give the size: --target WxH.",
        )
    return RefusalError(
        "no-target",
        f"No {name} is to be seen in {photo_name}.",
        "Have it flat and whole in the picture, clear of the piece, before a ground of another "
        "tone.",
    )
