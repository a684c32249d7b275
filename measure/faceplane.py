"""Whether a photo contradicts where the card was said to lie: then nothing is measured."""

from __future__ import annotations

import math

from calib.finding import linear_table
from calib.photo import Photo
from calib.refusal import Notice, RefusalError
from calib.sight import SideSight, Sight
from calib.view import View
from measure.cardground import goes_on_round
from measure.circleedge import EdgeCircle
from measure.face import DEPTH_SD_MM, GIVEN, ON_FACE, FaceCircle, Plane, measure_face
from measure.facefocus import card_out_of_focus
from measure.holerequest import AT_FOOT, HoleRequest
from measure.mating import COVERAGE
from measure.nest import ASTRAY_SD_MM

__all__ = ["CARD_BESIDE", "check_card", "check_depths", "is_rim"]

SURE = 3.5
"""Standard uncertainties that prove a contradiction: one photo in two thousand by chance."""
LEAST_RING_MM = 2.0
"""A broken edge as broad as this is as deep, at 45 degrees, and shows it; a narrower may not."""
CARD_BESIDE = Notice(
    "card-beside",
    "The largest circle is no bore, but looks like the rim of a piece: another lies level inside "
    "it. A card on that face would lie inside it too.",
    "If the card lay beside the piece, on the bench, give --card at-foot --face-height MM; if it "
    "was held level with the face, --card coplanar.",
)


def check_card(
    photo: Photo, sight: Sight, view: View, request: HoleRequest, edges: list[EdgeCircle]
) -> None:
    """Refuse a card that the photo shows to lie elsewhere than was said, or taken for granted.

    Parameters
    ----------
    sight, view : of the card.
    edges : circles of the face.

    Raises
    ------
    RefusalError
        `plane-contradicted`.
    """
    if request.card != AT_FOOT and card_out_of_focus(photo.bgr, linear_table(), sight, edges):
        raise RefusalError(
            "plane-contradicted",
            f"In {photo.name} the end face is sharp and the card is not: they are not level.",
            "Hold the card level with the face; or lay it on the bench and give "
            "--card at-foot --face-height MM.",
        )
    if request.card_said or not isinstance(sight, SideSight):
        return
    if goes_on_round(photo.bgr, view, sight.size_mm):
        raise RefusalError(
            "plane-contradicted",
            f"The card in {photo.name} looks as if it lay on the bench, or on the piece.",
            "Say where it is: --card at-foot --face-height MM, --card on-face, or --card coplanar "
            "if it was held level with the end face.",
        )


def is_rim(edges: list[EdgeCircle], view: View, plane: Plane) -> bool:
    """Return whether the largest circle of a face bounds a flat ring, so that it is no bore.

    The next one inside it lies level with it, or higher, and is smaller by more than a broken edge
    makes it. Where the phone stands so nearly over the axis that this cannot be told it is not.
    """
    if len(edges) < 2:
        return False
    outer, inner = sorted(edges, key=lambda edge: -edge.circle.radius)[:2]
    if outer.circle.radius - inner.circle.radius < LEAST_RING_MM:
        return False
    return measure_face(edges, view, plane, {}, rimmed=False)[1].where == ON_FACE


def check_depths(circles: list[FaceCircle], request: HoleRequest, photo_name: str) -> list[Notice]:
    """Refuse where the shift of a circle of known depth says that the face is elsewhere.

    The shift tells the depth as a share of the phone's distance: with the card in another
    plane than the one told, the distance and so the depth come out wrong by the same factor.
    A bore off centre is shifted too: what that may explain is only said.
    """
    said = []
    for circle in circles:
        if circle.where != GIVEN or circle.implied_depth_mm is None or circle.depth_mm is None:
            continue
        sd = math.hypot((circle.implied_u95_mm or 0.0) / COVERAGE, DEPTH_SD_MM)
        off = abs(circle.implied_depth_mm - circle.depth_mm)
        if off <= SURE * sd:
            continue
        looks = f"{circle.implied_depth_mm:.1f} mm deep, not {circle.depth_mm:.1f}"
        advice = "Check the depth, and where the card lay; see --card."
        if off > SURE * math.hypot(sd, ASTRAY_SD_MM * (circle.implied_per_mm or 0.0)):
            raise RefusalError(
                "plane-contradicted",
                f"{circle.name} in {photo_name} looks {looks}: the face is not where "
                f"--card {request.card} puts it, or the bore is far off centre.",
                advice,
            )
        said.append(
            Notice(
                "plane-doubtful",
                f"{circle.name} looks {looks}: it is off centre, or the face is not where "
                f"--card {request.card} puts it.",
                advice,
            )
        )
    return said
