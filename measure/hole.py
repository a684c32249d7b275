"""The circles of an end face in one photo: the steps, in order."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.board import Board
from calib.finding import find_target, linear_table
from calib.lens import Lens
from calib.photo import Photo
from calib.printed import PrintScale
from calib.refusal import BadFileError, Notice, RefusalError
from calib.targets import Target
from measure.circleedge import EdgeCircle, follow_circle
from measure.circlefind import find_circles
from measure.face import (
    DEEPER,
    DEPTH_SD_MM,
    GIVEN,
    ON_FACE,
    UNTOLD,
    FaceCircle,
    Plane,
    measure_face,
)
from measure.holerequest import HoleRequest
from measure.mating import COVERAGE
from measure.trace import prior_lens

__all__ = ["HoleResult", "measure_hole"]

FloatArray = NDArray[np.float64]

LEAST_ARC_DEG = 60.0
"""Below this no diameter is given, even in a box."""
PLAIN_ARC_DEG, RIM_ARC_DEG = 180.0, 240.0
"""Least arc of a circle, and of the clearest one of a face, where no box was drawn round it: the
grain of a bench and the highlights of a tool make arcs of circles too."""
NEST_MM = 0.5
CLEAREST_PX = 1.2
SURE = 3.5
ASTRAY_SD_MM = 0.2
"""Standard uncertainty of how true bores run to the rim (common practice, no source)."""
NEAREST_MM = 40.0
"""The phone cannot stand nearer to the face than this and see it sharp."""
STEEPEST_DEG = 45.0


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
    keep_off = np.zeros((3, 2)) if isinstance(target, Board) else found.polygon_px
    boxed = request.box_px is not None
    least = LEAST_ARC_DEG if boxed else PLAIN_ARC_DEG
    seek = 45.0 if boxed else 150.0
    try:
        rough = find_circles(photo.bgr, view, plane.height_mm, keep_off, request.box_px, seek)
    except ValueError:
        rough = []
    progress("measuring")
    edges: list[EdgeCircle] = []
    short = 0.0
    for circle in sorted(rough, key=lambda c: -c.radius):
        edge = follow_circle(
            photo.bgr, linear_table(), view, plane.height_mm, circle,
            [other.circle for other in edges],
        )  # fmt: skip
        if edge is None or edge.scatter_px > CLEAREST_PX:
            continue
        if edge.arc_deg < least:
            short = max(short, edge.arc_deg)
            continue
        edges.append(edge)
    edges = _one_face(edges)
    if not edges or (not boxed and max(edge.arc_deg for edge in edges) < RIM_ARC_DEG):
        short = max([short, *(edge.arc_deg for edge in edges)])
        raise _nothing(photo.name, short)
    circles = measure_face(edges, view, plane, request.depths)
    _check_names(circles, request)
    doubts = _check_plane(circles, request, photo.name)
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
        notices=(*found.notices, *doubts, *_notices(circles, request, phone)),
    )


def _one_face(edges: list[EdgeCircle]) -> list[EdgeCircle]:
    """Return the largest set of circles that lie in one another: those of one end face."""
    best: list[EdgeCircle] = []
    for outer in edges:
        nest = [outer]
        for edge in edges:
            last = nest[-1].circle
            room = (
                last.radius
                - edge.circle.radius
                - float(np.linalg.norm(edge.circle.centre - last.centre))
            )
            if edge.circle.radius < last.radius and room > -NEST_MM:
                nest.append(edge)
        if sum(edge.arc_deg for edge in nest) > sum(edge.arc_deg for edge in best):
            best = nest
    return best


def _nothing(name: str, short: float) -> RefusalError:
    if short > 0.0:
        return RefusalError(
            "arc-short",
            f"Only {short:.0f} degrees of a circle are to be seen in {name}.",
            "Show the whole end face; or draw a --box round it if part of it is hidden.",
        )
    return RefusalError(
        "no-circle",
        f"No circle of an end face is to be seen in {name}.",
        "Turn the end face to the phone, whole in the picture, clear of the card; or give --box.",
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


def _check_plane(circles: list[FaceCircle], request: HoleRequest, photo_name: str) -> list[Notice]:
    """Refuse where the shift of a circle of known depth says that the face is elsewhere.

    The shift tells the depth as a share of the phone's distance: with the card in another
    plane than the one told, the distance and so the depth come out wrong by the same factor.
    A bore off centre is shifted too: what that may explain is only said.
    """
    said = []
    for circle in circles:
        if circle.where != GIVEN or circle.implied_depth_mm is None or not circle.depth_mm:
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


def _notices(circles: list[FaceCircle], request: HoleRequest, phone: float) -> list[Notice]:
    notices = []
    for circle in circles:
        if circle.where == DEEPER and circle.implied_depth_mm is not None:
            deep = circle.implied_depth_mm
            what = (
                f"about {deep:.1f} mm deeper than the face" if deep > 0.0 else "nearer to the phone"
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
                        "If it lies deeper, give --depth bore:MM.",
                    )
                )
    if request.card == "coplanar":
        notices.append(
            Notice(
                "plane-told",
                "The card was taken to be level with the face; a photo alone cannot tell.",
                f"Each millimetre between them is {100.0 / phone:.1f} % of every diameter.",
            )
        )
    return notices
