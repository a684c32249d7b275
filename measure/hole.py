"""The circles of an end face in one photo: the steps, in order."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.board import Board
from calib.finding import find_target, linear_table
from calib.lens import Lens
from calib.lightcheck import judge_light
from calib.photo import Photo
from calib.printed import PrintScale
from calib.refusal import BadFileError, Notice, RefusalError
from calib.targets import Target
from calib.view import View
from measure.boxcheck import check_box
from measure.circleedge import EdgeCircle, follow_circle
from measure.circlefind import find_circles
from measure.face import (
    DEEPER,
    ON_FACE,
    UNTOLD,
    FaceCircle,
    Plane,
    circle_names,
    measure_face,
)
from measure.faceplane import CARD_BESIDE, check_card, check_depths, is_rim
from measure.holerequest import AT_FOOT, COPLANAR, HoleRequest
from measure.holerequest import ON_FACE as CARD_ON_FACE
from measure.nest import LEAST_ARC_DEG, mouth_of, one_face, with_told_steps
from measure.trace import prior_lens

__all__ = ["HoleResult", "measure_hole"]

FloatArray = NDArray[np.float64]

PLAIN_ARC_DEG, RIM_ARC_DEG = 180.0, 240.0
"""Least arc of a circle, and of the clearest one of a face, where no box was drawn round it: the
grain of a bench and the highlights of a tool make arcs of circles too."""
CLEAREST_PX = 1.2
"""Edge points of a turned rim or a bore scatter less about a circle, those of grain more
(measured on rendered photos)."""
ARC_PX = 0.5
"""Points of an arc shorter than a rim's scatter about it by no more: in boxes drawn on the sides of
two rendered mills arcs up to 192 degrees were found, by 0.62 to 0.88 px; true ones of end faces do
by 0.08 to 0.3."""
NEAREST_MM = 40.0
"""The phone cannot stand nearer to the face than this and see it sharp."""
STEEPEST_DEG = 45.0
"""Beyond this the far wall of a bore hides its edge, and tilt costs more than it tells."""


@dataclass(frozen=True, slots=True)
class HoleResult:
    """What one photo of an end face gave; pixels and frames as elsewhere.

    Attributes
    ----------
    circles : outermost first.
    plane : the face; `phone_mm` : how far the phone is from it.
    """

    photo_name: str
    card: str
    scale_from: str
    lens_from: str
    circles: tuple[FaceCircle, ...]
    plane: Plane
    phone_mm: float
    tilt_deg: float
    px_per_mm: float
    target_px: FloatArray
    target_is_board: bool
    notices: tuple[Notice, ...]


def measure_hole(
    photo: Photo,
    request: HoleRequest,
    target: Target,
    progress: Callable[[str], None] = lambda _: None,
    lens: Lens | None = None,
    scale: PrintScale | None = None,
) -> HoleResult:
    """Return the circles of the end face in a photo.

    Raises
    ------
    RefusalError
        `no-circle`, `arc-short`, `plane-contradicted`, or why the target was not found.
    BadFileError
        `bad-option`: a depth was given for a circle that is not there.
    """
    progress("finding the card")
    check_box(photo.size_px, request.box_px, photo.name)
    lens = lens or prior_lens(photo)
    found = find_target(photo, lens, target, scale, steepest_deg=STEEPEST_DEG)
    view = found.view
    plane = Plane(request.height_mm(found.thickness_mm), request.plane_sd_mm)
    phone = float(view.camera_centre_mm[2]) - plane.height_mm
    tilt = math.degrees(math.acos(min(abs(float(view.rotation[2, 2])), 1.0)))
    if phone < NEAREST_MM:
        raise RefusalError(
            "plane-contradicted",
            f"By the card in {photo.name} the phone was {phone + plane.height_mm:.0f} mm above it: "
            f"a face {plane.height_mm:.0f} mm above the card would touch the phone.",
            "Check --card and --face-height.",
        )
    if tilt > STEEPEST_DEG:
        raise RefusalError(
            "too-slanted",
            f"The phone looked at the face in {photo.name} at {tilt:.0f} degrees.",
            "Hold it square over the end face, within 20 degrees or so.",
        )
    progress("looking for circles")
    boxed = request.box_px is not None
    keep_off = np.zeros((3, 2)) if isinstance(target, Board) else found.polygon_px
    look = _Look(photo.bgr, view, plane.height_mm, keep_off)
    least = LEAST_ARC_DEG if boxed else PLAIN_ARC_DEG
    seen = look.followed(request.box_px, 45.0 if boxed else 150.0, least)
    edges = one_face([edge for edge in seen if edge.arc_deg >= least and _surely_round(edge)])
    if not edges or (not boxed and max(edge.arc_deg for edge in edges) < RIM_ARC_DEG):
        arcs_deg = [edge.arc_deg for edge in seen if _surely_round(edge) or not boxed]
        raise _nothing(photo.name, max(arcs_deg, default=0.0), boxed)
    # A face on which the card lies goes on round it, and so does its rim.
    outer = edges[0].circle
    rimmed = request.card != CARD_ON_FACE or bool(np.linalg.norm(outer.centre) < outer.radius)
    beside = not rimmed and "bore" not in request.depths and is_rim(edges, view, plane)
    rimmed = rimmed or beside
    if set(request.depths) - set(circle_names(len(edges), rimmed)):
        progress("looking down the bore")
        arcs = look.followed(_box_of(mouth_of(edges, rimmed)), 45.0, 360.0, edges)
        over = view.camera_centre_mm - np.array([0.0, 0.0, plane.height_mm])
        edges = with_told_steps(edges, arcs, over, request.depths, rimmed)
    progress("measuring")
    check_card(photo, found.sight, view, request, edges)
    circles = measure_face(edges, view, plane, request.depths, rimmed)
    _check_names(circles, request)
    _, light = judge_light(photo.bgr, found.sight, linear_table())
    doubts = check_depths(circles, request, photo.name)
    return HoleResult(
        photo_name=photo.name,
        card=request.card,
        scale_from=found.scale_from,
        lens_from=lens.source,
        circles=tuple(circles),
        plane=plane,
        phone_mm=phone,
        tilt_deg=tilt,
        px_per_mm=edges[0].px_per_mm,
        target_px=found.polygon_px,
        target_is_board=found.is_board,
        notices=(
            *found.notices,
            *light,
            *([CARD_BESIDE] if beside else []),
            *doubts,
            *_notices(circles, request, phone),
        ),
    )


@dataclass(frozen=True, slots=True)
class _Look:
    """A photo and the plane in it in which circles are looked for."""

    bgr: NDArray[np.uint8]
    view: View
    height_mm: float
    keep_off_px: FloatArray

    def followed(
        self,
        box_px: tuple[float, float, float, float] | None,
        seek_deg: float,
        least_arc_deg: float,
        known: Sequence[EdgeCircle] = (),
    ) -> list[EdgeCircle]:
        """Return the circles with a clear edge, largest first; none where those known are.

        Rough ones are looked for with so much of an arc; once so much of one is followed, no
        other is looked for along its edge.
        """
        try:
            rough = find_circles(
                self.bgr, self.view, self.height_mm, self.keep_off_px, box_px, seek_deg
            )
        except ValueError:
            return []
        edges: list[EdgeCircle] = []
        for circle in sorted(rough, key=lambda c: -c.radius):
            kept = [edge for edge in edges if edge.arc_deg >= least_arc_deg]
            others = [edge.circle for edge in (*known, *kept)]
            edge = follow_circle(
                self.bgr, linear_table(), self.view, self.height_mm, circle, others
            )
            if edge is not None and edge.scatter_px <= CLEAREST_PX:
                edges.append(edge)
        return edges


def _surely_round(edge: EdgeCircle) -> bool:
    """Whether a circle is more than points of grain and shadow that happen to lie on one."""
    return edge.arc_deg >= RIM_ARC_DEG or edge.scatter_px <= ARC_PX


def _box_of(edge: EdgeCircle) -> tuple[float, float, float, float]:
    low, high = edge.points_px.min(axis=0), edge.points_px.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1])


def _nothing(name: str, short: float, boxed: bool) -> RefusalError:
    if short > 0.0:
        return RefusalError(
            "arc-short",
            f"Only {short:.0f} degrees of a circle are to be seen in {name}.",
            f"Show the whole end face, or {LEAST_ARC_DEG:.0f} degrees at least."
            if boxed
            else "Show the whole end face, or draw a --box round it if part of it is hidden; a "
            "piece seen from the side is for measure trace.",
        )
    return RefusalError(
        "no-circle",
        f"No circle of an end face is to be seen in {name}.",
        "Turn the end face to the phone, whole in the picture, clear of the card; or "
        + ("draw the --box wider" if boxed else "give --box")
        + ". A piece seen from the side is for measure trace.",
    )


def _check_names(circles: list[FaceCircle], request: HoleRequest) -> None:
    names = [circle.name for circle in circles]
    for name in request.depths:
        if name not in names:
            raise BadFileError(
                "bad-option",
                f"--depth names {name}, which is not among the circles found.",
                f"Found: {', '.join(names)}.",
            )


def _mouth_notices(circles: list[FaceCircle]) -> list[Notice]:
    """Return what to say where the circle called rim may be the mouth of a bore, its rim unseen."""
    inner = [circle for circle in circles[1:2] if circles[0].name == "rim"]
    if not any(c.where == DEEPER and (c.implied_depth_mm or 0.0) > 0.0 for c in inner):
        return []
    return [
        Notice(
            "rim-or-mouth",
            "What is called rim is the outermost circle seen; as the next looks deeper, it may be "
            "the mouth of a bore.",
            "Look at the picture. If the true rim is not in it, light the face from another side.",
        )
    ]


def _notices(circles: list[FaceCircle], request: HoleRequest, phone: float) -> list[Notice]:
    notices = _mouth_notices(circles)
    for circle in circles:
        if circle.where == DEEPER and circle.implied_depth_mm is not None:
            deep, u95 = circle.implied_depth_mm, circle.implied_u95_mm
            sure = "" if u95 is None else f" ±{u95:.1f}"
            what = (
                f"{deep:.1f}{sure} mm deeper than the face" if deep > 0.0 else "nearer to the phone"
            )
            notices.append(
                Notice(
                    "circle-deeper",
                    f"{circle.name} looks {what}, or off centre; its diameter hangs on that.",
                    f"Measure its depth and give --depth {circle.name}:MM, 0 if it is in the face.",
                )
            )
        elif circle.where == UNTOLD:
            notices.append(
                Notice(
                    "circle-deeper",
                    f"How deep {circle.name} lies cannot be seen; its diameter hangs on that.",
                    f"Measure its depth and give --depth {circle.name}:MM, 0 if it is in the face.",
                )
            )
        elif circle.where == ON_FACE and circle.name == "bore":
            u95 = circle.implied_u95_mm
            if circle.implied_depth_mm is None or u95 is None or u95 > 1.0:
                notices.append(
                    Notice(
                        "depth-assumed",
                        "The bore was taken to open in the face; the photo does not show it.",
                        "If it lies deeper, give --depth bore:MM."
                        if request.card != CARD_ON_FACE
                        else "If it lies deeper, give --depth bore:MM; if it is the rim of a piece "
                        "that the card lay beside, another --card.",
                    )
                )
    if request.card == AT_FOOT and request.face_height_mm is not None:
        notices.append(
            Notice(
                "plane-told",
                f"The card was taken to lie on the bench, the face {request.face_height_mm:g} mm "
                "above it, as told; a photo alone cannot tell.",
                f"Each millimetre of that height is {100.0 / phone:.1f} % of every diameter: check "
                "it with calipers.",
            )
        )
    if request.card == COPLANAR:
        notices.append(
            Notice(
                "plane-told",
                "The card was taken to be level with the face; a photo alone cannot tell.",
                f"Each millimetre between them is {100.0 / phone:.1f} % of every diameter. If the "
                "card lay on the bench, give --card at-foot --face-height MM.",
            )
        )
    return notices
