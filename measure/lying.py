"""Whether a solved piece lies as was said, or found: if not, every diameter would be wrong."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.finding import FoundTarget, linear_table
from calib.photo import Photo
from calib.refusal import RefusalError
from measure.footedge import edge_before_foot, rim_outside_share
from measure.outline import SPACING_PX
from measure.pieceends import PieceEnds, pixel_mm
from measure.profile import Profile
from measure.rest import Rest
from measure.result import TraceRequest
from measure.setting import beside_foot, foot_misfit_px
from measure.solved import Solved
from measure.solving import axis_ends_of

__all__ = ["refuse_lying_otherwise", "rests_unclear"]

FloatArray = NDArray[np.float64]

UNSURE_MOST = 0.5
"""A profile whose usual U95 is a larger share of the diameter is of no use, and a sign that the
piece does not lie as was said."""
TOUCHING_MM, TOUCHES_MM, ACROSS = 1.5, 12.0, 0.7
"""An outline so near to the card over so much of its length, across the axis (cosine below the
third), ends where the card covers the piece."""


def refuse_lying_otherwise(
    photo: Photo,
    request: TraceRequest,
    found: FoundTarget,
    solved: Solved,
    ends: PieceEnds,
    profile: Profile,
) -> None:
    """Refuse a piece that does not lie, or stand, as it was taken to.

    Parameters
    ----------
    photo : of the piece.
    request, found, solved : what was asked, and found.
    ends, profile : of the piece as solved.

    Raises
    ------
    RefusalError
        `axis-too-low`, `too-unsure`, `foot-unclear`, `rest-unclear`, `card-on-piece`.
    """
    _refuse_sunk(request, profile)
    if _unsure_share(profile) > UNSURE_MOST:
        raise _too_unsure(photo.name, request.setup, profile)
    if request.setup == "upright":
        _refuse_unclear_foot(photo, found, solved)
    if request.setup == "bench":
        _refuse_cut(photo.name, request, solved, ends)
        _refuse_rest_on_unseen_end(photo.name, solved.rests, ends)
    if not found.is_board and request.setup != "plane":
        _refuse_card_on_piece(photo.name, solved, found.polygon_px)


def _refuse_sunk(request: TraceRequest, profile: Profile) -> None:
    """Refuse an axis so low that the piece would sink into the bench: a height in inches."""
    if request.setup != "level" or request.axis_height_mm is None:
        return
    k = int(np.argmax(profile.diameter_mm - profile.u95_mm))
    sunk = 0.5 * float(profile.diameter_mm[k] - profile.u95_mm[k]) - request.axis_height_mm
    if sunk > SUNK_MM:
        raise RefusalError(
            "axis-too-low",
            f"With its axis {request.axis_height_mm:g} mm above the bench, a piece "
            f"{profile.diameter_mm[k]:.0f} mm thick would sink into it.",
            "Give --axis-height in millimetres, from the bench to the middle of the piece.",
        )


SUNK_MM = 1.0
"""How far into the bench a piece may seem to reach (bench and height are not that exact)."""


def _unsure_share(profile: Profile) -> float:
    """Return the usual U95 as a share of the usual diameter."""
    return float(np.median(profile.at_its_z().u95_mm) / np.median(profile.diameter_mm))


def _too_unsure(photo_name: str, setup: str, profile: Profile) -> RefusalError:
    unsure = float(np.median(profile.at_its_z().u95_mm))
    return RefusalError(
        "too-unsure",
        f"Diameters from {photo_name} would be unsure by ±{unsure:.0f} mm: nothing to work from.",
        f"{OTHERWISE.get(setup, '')}"
        "Look down on the piece, 20 to 25 degrees off straight, its ends in sight.",
    )


OTHERWISE = {
    "bench": "Is the piece standing? Give --setup upright. If not: ",
    "plane": "Is the card flat on the bench? Give --setup upright for a standing piece, none for "
    "a lying one. If not: ",
}
"""What to ask first where the picture does not fit what was said."""


def _refuse_unclear_foot(photo: Photo, found: FoundTarget, solved: Solved) -> None:
    """Refuse a standing piece whose foot is no circle on the bench, or goes over into no sides.

    Its shadow was followed, the bench's own pattern, or another edge than the lowest, which then
    runs before it.

    Raises
    ------
    RefusalError
        `foot-unclear`.
    """
    ends_px, bench = axis_ends_of(solved.outline), -found.thickness_mm
    off = foot_misfit_px(solved.outline, ends_px, solved.estimate.view, bench)
    beside = max(beside_foot(solved.outline, ends_px))
    centre, radius = _foot_of(bench, solved)
    outside = rim_outside_share(solved.outline.points_px, solved.estimate.view, centre, radius)
    if (
        off > FOOT_MOST_PX
        or beside < BESIDE_FOOT_LEAST
        or outside > RIM_OUTSIDE_MOST
        or edge_before_foot(photo.bgr, linear_table(), solved.estimate.view, centre, radius)
    ):
        raise RefusalError(
            "foot-unclear",
            f"The foot of the piece in {photo.name} is not told from its shadow or the bench.",
            "Where it stands decides every diameter: light the foot from the front, or stand the "
            "piece on paper of another tone.",
        )


def _foot_of(bench_mm: float, solved: Solved) -> tuple[FloatArray, float]:
    """Return the middle of a standing piece's foot on the bench, (3,), and its radius, mm."""
    fit = solved.estimate
    start, d = fit.axis.point_mm, fit.axis.direction
    centre = start + (bench_mm - start[2]) / d[2] * d
    return centre, float(fit.x[fit.layout.size - 1])


FOOT_MOST_PX = 2.0
"""The rim of a foot is a circle on the bench: true ones strayed from one by 1.8 px at most, two
that were partly shadow by 2.3 and 3.1, and made all diameters 1 and 4 % small (rendered photos)."""
BESIDE_FOOT_LEAST = 0.8
"""Share of the outline that must be clear past one end of it at least: the rim of a foot goes over
into its sides. Beside 12 true ones all was, on one side at least; beside the upper edge of a flange
as dark as the bench, taken for its foot, 0.62 (rendered photos)."""


RIM_OUTSIDE_MOST = 0.15
"""Of its half breadth a foot's rim reaches no farther out of the outline: of 41 true feet it did so
by 0.03 at most, but for a pale one on a pale bench, 0.09; where a gap between planks or a shadow
was taken for the front, by 0.20, 0.23 and 1.3 (rendered photos)."""


def _refuse_cut(photo_name: str, request: TraceRequest, solved: Solved, ends: PieceEnds) -> None:
    """Refuse a lying piece of which box or picture leave only a part.

    What it rests on may be in the other part: what was seen of a mill's body up to its waist seemed
    to rest on the waist, 2 mm too thick at 0.13 stated.

    Raises
    ------
    RefusalError
        `rest-unclear`.
    """
    edge_cuts = any(cut and not is_open for cut, is_open in zip(ends.cut, ends.open, strict=True))
    if not (edge_cuts or solved.past_box):
        return
    boxed = request.box_px is not None
    what = "the box" if boxed else "the edge of the picture"
    raise RefusalError(
        "rest-unclear",
        f"In {photo_name} {what} cuts the piece: a part of it does not tell how it lies.",
        ("Draw the box round all of it" if boxed else "Take all of it into the picture")
        + ", or chock it level and give --setup level --axis-height.",
    )


def _refuse_rest_on_unseen_end(photo_name: str, rests: tuple[Rest, ...], ends: PieceEnds) -> None:
    """Refuse a piece that would rest on an end of which nobody knows whether it is one.

    Where it goes on unseen, what it rests on is farther off, and as thick as may be.

    Raises
    ------
    RefusalError
        `rest-unclear`.
    """
    unseen = [
        end
        for end, is_open in zip((ends.start, ends.stop), ends.open, strict=True)
        if is_open or end.kind == "unknown"
    ]
    touching = [float(at[0]) for rest in rests[:1] for at in (rest.first_mm, rest.second_mm)]
    if any(abs(z - end.z_mm) < NEAR_END_MM + end.sd_mm for z in touching for end in unseen):
        raise RefusalError(
            "rest-unclear",
            f"The piece in {photo_name} would rest on an end that is not seen clearly: how it lies "
            "is not told.",
            "Light that end better, lay it all on a plain bench of another tone, or chock it level "
            "and give --setup level --axis-height.",
        )


def rests_unclear(photo_name: str) -> RefusalError:
    """Return what to say where of several ways to rest the likeliest leaves nothing to show."""
    return RefusalError(
        "rest-unclear",
        f"The piece in {photo_name} may rest on the bench in several ways, and its ends do not "
        "tell which.",
        "Light its ends better, or chock it level and give --setup level --axis-height.",
    )


NEAR_END_MM = 5.0
"""What touches the bench so near to where an end may be is that end (no source)."""


def _refuse_card_on_piece(photo_name: str, solved: Solved, card_px: FloatArray) -> None:
    """Refuse a card that lies on the piece, or against it: it is not where it is taken to be.

    Raises
    ------
    RefusalError
        `card-on-piece`.
    """
    fit, card = solved.estimate, card_px.astype(np.float32)
    points = solved.outline.points_px.astype(np.float32)
    inside = [cv2.pointPolygonTest(card, (float(x), float(y)), True) for x, y in points]
    scale = pixel_mm(fit.view, fit.axis)
    depth_mm = np.array(inside) * scale
    ends = fit.view.to_pixels(fit.axis.at(np.array([0.0, 10.0])))
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    across = np.abs(solved.outline.tangents @ along) < ACROSS
    # A side may pass close by the card in the picture; where the outline ends at it, it is covered.
    covered = (depth_mm > TOUCHING_MM) | ((depth_mm > -TOUCHING_MM) & across)
    if np.sum(covered) * SPACING_PX * scale < TOUCHES_MM:
        return
    raise RefusalError(
        "card-on-piece",
        f"The card in {photo_name} lies on the piece or touches it.",
        "Lay it flat on the bench, a finger's width clear of the piece.",
    )
