"""The rim of an end face: the circle that the arc which closes the outline is the picture of."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.vectors import cross, sum_of_planes
from measure.capshapes import NearEnd
from measure.limb import limb
from measure.revolve import Axis

__all__ = [
    "CLEAN_RIM_PX",
    "DOME_LOST_MM",
    "DOME_SHARE",
    "OBLIQUE",
    "EndRim",
    "circle_seen",
    "face_rim",
    "is_faced",
    "lost_mm",
    "tip_rim",
]

FloatArray = NDArray[np.float64]

PLACES = 240
ROUNDS = 8
JUMP = 2.0
"""Twice the most that a circle's picture moves when the circle does: such a ray has come to lie
nearest to another place of it, and does not tell which way to go."""
STRAY_PX = 1.5
"""A point farther from the rim is of a side, a splinter or a shadow."""
LIMB = 0.02
"""Places of the circle whose outward normal turns inward by more lie behind the face."""
LEAST_POINTS, MOST_RAYS = 10, 150
NOISE_PX = 0.15
RIM_PX, ROUGH_RIM_PX = 0.35, 0.5
"""What points of one rim scatter about their circle, and what they do on a rough one."""
CLEAN_RIM_PX, FEW_RAYS = 0.25, 40
"""A rim that scatters by less is no chamfered one's; so many rays tell a chamfer."""
CHAMFERS_MM, ALIKE, BROKEN = (0.0, 0.2, 0.4, 0.6, 0.8, 1.1, 1.5), 1.4, 1.3
"""Chamfers tried, and mean squares that may be of the same one: four rays of the few share their
blur, so that two standard deviations of a mean of ten squares are no sign; an edge is taken for
broken where the mean square is so much less."""
SHAPE_SHARE = 0.25
"""How far a rounded edge puts the face off that is fitted as a chamfered one's (exact scenes)."""
MIDDLE, BETTER, SAME = 0.6, 0.6, 0.01
"""The share of the radius within which the middle of an arc lies; it shows another circle where
it scatters so much less about its own, or where that is smaller by such a share."""
AS_BROAD_MM = 0.15
"""A rim narrower than the sides by less is as broad as they are."""
BESIDE_MM = (0.8, 2.5)
"""Where, inward of a rim, the sides tell whether they close in."""
SQUARE_MM, CHAMFER_MOST_MM, CHAMFER_SHARE = 0.35, 1.6, 0.15
"""Sides that close in by less end square; a chamfer is no larger, nor a larger share of the
radius: anything else is rounded (common practice, no source)."""
EASED_MM, ROUNDED_SHARE, LEAST_SINE = 0.3, 0.5, 0.2
"""Edges are eased by so much with a touch of abrasive, and so often rounded where they could be
(common practice, no source)."""
OBLIQUE, DOME_SHARE = (0.5, 0.7), 0.5
"""Sine of the angle between sight and end, seen from inside, from which a dome's arc begins to
pass for a circle, and at which it does; and how often it then is a dome (rendered photos)."""
DOME_LOST_MM = (SQUARE_MM, 3.0 * SQUARE_MM)
"""An end that closes in by less is a face with a broken edge, by more as likely a dome as said
(common practice, no source): in between no reading of a tenth may turn the one into the other."""
HIDDEN_CHAMFER_MM, CHAMFERED_SHARE = 0.7, 0.15
"""Chamfer that hides itself from so oblique a sight, and how often there is one (rendered
photos)."""

PEEPS_PX, PEEPS_SHARE, PEEPS_WITHIN = 3.0, 0.15, 0.85
"""So far outside a rim, and so many of the arc's rays, a part behind it peeps out, within such a
share of the rim's radius (rendered photos); splinters and shadows make fewer."""


@dataclass(frozen=True, slots=True)
class EndRim:
    """A circle about the axis.

    Attributes
    ----------
    end_mm : how far outward of the last circle seen it lies; `radius_mm` its radius.
    misfit_px : root mean square by which the points of the arc miss it.
    sd_mm, radius_sd_mm : standard deviations of the first two from that misfit.
    """

    end_mm: float
    radius_mm: float
    misfit_px: float
    sd_mm: float
    radius_sd_mm: float


def circle_seen(
    rays: FloatArray,
    camera_mm: FloatArray,
    axis: Axis,
    z0: float,
    sign: float,
    guess_mm: tuple[float, float],
    scale_mm: float,
    middle: float = np.inf,
    chamfer: float = 0.0,
) -> EndRim | None:
    """Return the circle that most rays of an arc touch; None where too few do.

    With a chamfer, that and a larger one as far behind it as it is larger bound the arc together,
    and the one returned is the smaller, the face's.

    Parameters
    ----------
    rays, camera_mm : (n, 3) of the arc, target frame, and (3,) camera centre.
    axis : of the piece.
    z0 : the outermost z at which both sides are seen; `sign` 1 for the end at small z, else -1.
    guess_mm : how far outward of that the circle may lie, and its radius.
    scale_mm : of a pixel at the piece.
    middle : only rays that pass the axis by less than this, mm, are taken.
    chamfer : of 45 degrees, mm.
    """
    v = rays / np.linalg.norm(rays, axis=1, keepdims=True)
    base, frame = end_frame(camera_mm, axis, z0, sign)
    one = frame[0]
    v = v[np.abs(v @ one) * np.linalg.norm(base) < middle]
    if len(v) < LEAST_POINTS:
        return None
    x = np.array(guess_mm)
    near = np.zeros(len(v), dtype=bool)
    slope = np.zeros((0, 2))
    off = np.zeros(0)
    for count in range(ROUNDS):
        reach = STRAY_PX * max(1.0, 8.0 / 2.0**count) * scale_mm
        off, away = _misses(v, base, frame, x, chamfer)
        near = (away < reach) & np.isfinite(off)
        if near.sum() < LEAST_POINTS or x[1] <= 0.0:
            return None
        step = 1e-4
        slope = np.column_stack(
            [
                (_misses(v[near], base, frame, x + step * unit, chamfer)[0] - off[near]) / step
                for unit in np.eye(2)
            ]
        )
        slope[~(np.abs(slope) < JUMP).all(axis=1)] = 0.0
        change = np.linalg.lstsq(slope, -off[near], rcond=None)[0]
        x = x + np.clip(change, -2.0, 2.0)
    off, away = _misses(v, base, frame, x, chamfer)
    misfit = float(np.sqrt(np.mean(off[near] ** 2))) / scale_mm
    noise = max(misfit, NOISE_PX) * scale_mm
    normal = slope.T @ slope
    if np.linalg.cond(normal) > 1e8:
        return None
    # Points next to each other share their blur: every third one counts.
    sd = np.sqrt(3.0 * np.diag(np.linalg.inv(normal))) * noise
    return EndRim(float(x[0]), float(x[1]), misfit, float(sd[0]), float(sd[1]))


def face_rim(
    rays: FloatArray,
    camera_mm: FloatArray,
    axis: Axis,
    z0: float,
    sign: float,
    near: NearEnd,
    scale_mm: float,
) -> EndRim | None:
    """Return the rim of the face that closes the piece; None where the arc shows no such circle.

    Where a face closes it, the whole arc and its middle are of one circle. The arc of a dome bends
    ever more towards its middle; that of a chamfered end has the face's circle there and a larger
    one beside it. Arguments as for `circle_seen`; `near` are the sides near this end.
    """
    rays = rays[:: max(1, len(rays) // MOST_RAYS)]
    guess = (0.0, near.radius_mm)
    whole = circle_seen(rays, camera_mm, axis, z0, sign, guess, scale_mm)
    if whole is None:
        return None
    guess, within = (whole.end_mm, whole.radius_mm), MIDDLE * whole.radius_mm
    middle = circle_seen(rays, camera_mm, axis, z0, sign, guess, scale_mm, within)
    rim, chamfered = whole, False
    if whole.misfit_px > RIM_PX and middle is not None:
        chamfered = middle.misfit_px < min(BETTER * whole.misfit_px, RIM_PX)
        rim = middle if chamfered else whole
    cornered, one = chamfered, _of_one_circle(whole, middle)
    unsure = whole.misfit_px > CLEAN_RIM_PX or not one
    if not chamfered and unsure and whole.misfit_px < ROUGH_RIM_PX:
        rim = _perhaps_chamfered(rays, camera_mm, axis, z0, sign, whole, scale_mm)
        chamfered = rim.radius_mm != whole.radius_mm
    if rim.misfit_px > ROUGH_RIM_PX:
        return None
    beside = _beside(near, rim)
    if float(beside.max()) - rim.radius_mm < -SQUARE_MM:
        # No face is broader than the sides that lead to it: a chuck's jaw, a shoulder, a shadow.
        return None
    square = float(beside.min()) - rim.radius_mm < SQUARE_MM
    faced = is_faced(camera_mm, axis, z0, sign, rim.end_mm)
    lost = lost_mm(near, rim)
    # An arc without its middle, but as broad as the sides and of one circle, is no dome's.
    clean = middle is None and lost < AS_BROAD_MM and whole.misfit_px < CLEAN_RIM_PX
    if not chamfered and not (square and faced) and not one and not clean:
        return None
    broad = min(CHAMFER_MOST_MM, CHAMFER_SHARE * float(beside.max()))
    if (chamfered or not square) and lost > broad:
        return None
    if faced:
        return rim
    # A large chamfer shows its own rim beside the face's; anything else may be rounded.
    hidden = ROUNDED_SHARE * _hidden_mm(0.0 if cornered else lost, rays, axis) ** 2
    hidden += _obliquely_hidden(lost, float(beside.max()), rays, axis)
    return replace(rim, sd_mm=float(np.sqrt(rim.sd_mm**2 + hidden)))


def is_faced(camera_mm: FloatArray, axis: Axis, z0: float, sign: float, end_mm: float) -> bool:
    """Return whether the phone is beyond an end, so that it sees its face."""
    return float((camera_mm - axis.at(z0)) @ axis.direction) * -sign > end_mm


def lost_mm(near: NearEnd, rim: EndRim) -> float:
    """Return by how much a rim is narrower than the sides just inward of it."""
    return max(float(_beside(near, rim).max()) - rim.radius_mm, 0.0)


def _beside(near: NearEnd, rim: EndRim) -> FloatArray:
    return near.inside(np.linspace(*BESIDE_MM, 10) - rim.end_mm)


def tip_rim(
    rays: FloatArray,
    camera_mm: FloatArray,
    axis: Axis,
    z0: float,
    sign: float,
    rim: EndRim,
    scale_mm: float,
) -> tuple[bool, EndRim | None]:
    """Return whether a part peeps out from behind a rim, and the rim of its own end if that shows.

    A flange may hide all of a tenon but its tip. Arguments as for `face_rim`.
    """
    v = rays / np.linalg.norm(rays, axis=1, keepdims=True)
    base, frame = end_frame(camera_mm, axis, z0, sign)
    off, _ = _misses_one(v, base, frame, np.array([rim.end_mm, rim.radius_mm]))
    aside = np.abs(v @ frame[0]) * np.linalg.norm(base)
    # What passes farther out is of a chamfer, or of the sides.
    tip = (off > PEEPS_PX * scale_mm) & (aside < PEEPS_WITHIN * rim.radius_mm)
    if tip.sum() < max(LEAST_POINTS, PEEPS_SHARE * len(rays)):
        return False, None
    guess = (rim.end_mm + 2.0 * float(np.median(off[tip])), float(aside[tip].max()))
    own = circle_seen(rays[tip], camera_mm, axis, z0, sign, guess, scale_mm)
    if own is None or own.misfit_px > ROUGH_RIM_PX or own.radius_mm > rim.radius_mm:
        return True, None
    return True, own if own.end_mm > rim.end_mm else None


def end_frame(
    camera_mm: FloatArray, axis: Axis, z0: float, sign: float
) -> tuple[FloatArray, FloatArray]:
    """Return the axis' point at z0 as seen from the camera, (3,), and unit vectors (3, 3) there.

    The first is square to axis and sight, the last points outward along the axis.
    """
    out = -sign * axis.direction
    one = cross(out, camera_mm - axis.at(z0))
    one /= np.linalg.norm(one)
    return axis.at(z0) - camera_mm, np.stack([one, cross(out, one), out])


def _perhaps_chamfered(
    rays: FloatArray,
    camera_mm: FloatArray,
    axis: Axis,
    z0: float,
    sign: float,
    whole: EndRim,
    scale_mm: float,
) -> EndRim:
    """Return the face's rim with the chamfer that its arc fits best, if any, and the doubt of it.

    A chamfer of a few pixels makes one circle miss the arc by a fraction of a pixel only.
    """
    few = rays[:: max(1, len(rays) // FEW_RAYS)]
    tried = []
    for chamfer in CHAMFERS_MM:
        guess = (whole.end_mm + 0.5 * chamfer, whole.radius_mm - 0.5 * chamfer)
        rim = circle_seen(few, camera_mm, axis, z0, sign, guess, scale_mm, np.inf, chamfer)
        if rim is not None:
            # What is no chamfer but rounded ends elsewhere, by a share of its size.
            sd = float(np.hypot(rim.sd_mm, SHAPE_SHARE * chamfer))
            tried.append(replace(rim, sd_mm=sd))
    best = min([whole, *tried], key=lambda rim: rim.misfit_px)
    if not tried or BROKEN * best.misfit_px**2 > tried[0].misfit_px ** 2:
        best = whole
    # Chamfers that do as well, by the scatter of so few points, have their say.
    alike = [rim.end_mm for rim in tried if rim.misfit_px**2 <= ALIKE * best.misfit_px**2]
    off = max((abs(end - best.end_mm) for end in alike), default=0.0)
    return replace(best, sd_mm=float(np.hypot(best.sd_mm, off / 1.96)))


def _of_one_circle(whole: EndRim, middle: EndRim | None) -> bool:
    """Return whether the middle of an arc is of the circle that all of it shows."""
    if middle is None:
        return False
    less = whole.radius_mm - middle.radius_mm
    return less < max(SAME * whole.radius_mm, 2.0 * middle.radius_sd_mm)


def _hidden_mm(lost_mm: float, rays: FloatArray, axis: Axis) -> float:
    """Return how much of the piece a rounded edge would hide where the phone looks past the end.

    Of a quarter round of radius e the phone sees the circle whose normal is square to its sight:
    e (1 - sin a) smaller than the sides and e (1 - cos a) short of the face, where a is the angle
    between the sight and the plane of the end.
    """
    sine, cosine = _sight(rays, axis)
    radius = max(lost_mm / max(1.0 - sine, LEAST_SINE), EASED_MM)
    return radius * (1.0 - cosine)


def _obliquely_hidden(lost_mm: float, broadest_mm: float, rays: FloatArray, axis: Axis) -> float:
    """Return the variance, mm squared, of what hides behind an arc seen very aslant from inside.

    A chamfer hides itself whole. So does most of a dome: of a half ellipse of radius R and height
    h, seen at an angle a to the plane of the end, the arc is where R (1 - cos t) is lost and
    h = R tan t tan a; the rest, h (1 - sin t), is behind it.
    """
    sine, cosine = _sight(rays, axis)
    oblique = float(np.interp(sine, OBLIQUE, (0.0, 1.0)))
    chamfer = CHAMFERED_SHARE * HIDDEN_CHAMFER_MM**2
    share = DOME_SHARE * float(np.interp(lost_mm, DOME_LOST_MM, (0.0, 1.0)))
    angle = float(np.arccos(np.clip(1.0 - max(lost_mm, 0.0) / broadest_mm, 0.1, 1.0)))
    height = broadest_mm * np.tan(angle) * sine / max(cosine, LEAST_SINE)
    dome = share * (height * (1.0 - np.sin(angle))) ** 2
    return oblique * float(max(chamfer, dome))


def _sight(rays: FloatArray, axis: Axis) -> tuple[float, float]:
    """Return sine and cosine of the angle between the rays and the plane of the end."""
    v = rays / np.linalg.norm(rays, axis=1, keepdims=True)
    sine = min(float(np.median(np.abs(v @ axis.direction))), 1.0)
    return sine, float(np.sqrt(1.0 - sine**2))


def _misses(
    v: FloatArray, base: FloatArray, frame: FloatArray, x: FloatArray, chamfer: float
) -> tuple[FloatArray, FloatArray]:
    """Return how far outside the rim or rims each ray passes, and how far from the nearest, mm."""
    off, away = _misses_one(v, base, frame, x)
    if chamfer == 0.0:
        return off, away
    behind, away_behind = _misses_one(v, base, frame, x + np.array([-chamfer, chamfer]))
    # What bounds the picture is the outline of both together.
    return np.fmin(off, behind), np.minimum(away, away_behind)


def _misses_one(
    v: FloatArray, base: FloatArray, frame: FloatArray, x: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return how far outside the circle each ray passes, and how far from its nearest place, mm.

    Only places that can bound the piece's picture count: their outward normal points neither
    into the piece nor into the face.
    """
    place, normal = limb(base + x[0] * frame[2], float(x[1]), frame, PLACES, -LIMB)
    if len(place) == 0:
        return np.full(len(v), np.nan), np.full(len(v), np.inf)
    depth = v @ place.T
    away = np.sqrt(np.maximum(sum_of_planes(place**2) - depth**2, 0.0))
    k = np.argmin(away, axis=1)
    rows = np.arange(len(v))
    foot = v * depth[rows, k][:, None] - place[k]
    return sum_of_planes(foot * normal[k]), away[rows, k]
