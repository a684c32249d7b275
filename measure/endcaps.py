"""The end of a piece by the forward model: which cap makes the arc that closes the outline.

Every ray of the outline only just touches the piece. A cap that is too short leaves rays of the
arc in the air, one too long swallows them. The families of `measure.capshapes` are tried; each
has one unknown, where it ends.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from measure.caprays import EndRays, depth_mm, end_rays
from measure.capshapes import EASED_MOST_MM, Conic, NearEnd, Shape, near_end, shapes
from measure.endrim import (
    CLEAN_RIM_PX,
    DOME_LOST_MM,
    DOME_SHARE,
    OBLIQUE,
    EndRim,
    face_rim,
    is_faced,
    lost_mm,
    tip_rim,
)
from measure.revolve import Axis
from measure.sides import SideCurve

__all__ = ["FLOOR_PX", "Cap", "best_cap"]

FloatArray = NDArray[np.float64]

MOST_RAYS = 40
INWARD_MM = 4.0
"""How far inside the outermost side points an end is looked for: they scatter at rims."""
STRAY_MM = 0.3
"""So far out a side's last points may stray (no source)."""
CLIP_PX, POOREST_PX = 3.0, 1.8
"""A ray misses by no more than the first; what misses the arc by more than the second is no end."""
NOISE_PX = 0.3
FLOOR_PX = 1.3
"""How well an end is known at best: blur, an eased edge and grain (measured on rendered photos)."""
RIM_FLOOR_PX = 0.5
"""The same of an end whose rim is seen as a circle."""
TIP_SURE_MM = 1.0
"""A tip's end known no better than this is not told; and a rim no better known, unless its arc is
of one circle, is not asked whether something peeps out behind it."""
STICKS_OUT_PX = 1.5
"""So much of a tip blur may hide."""
FORM_MM = 0.03
"""No end is quite an ellipse or a cone: what misses by so little more is as likely (no source)."""
CLOSING = 0.6
"""Sides that close in by this slope are a dome's, unless the arc says otherwise."""
CUT_DOMES, ROUNDED_OVER, EDGE_SHARE = 0.1, 1.0, 0.08
"""How often, for each dome, one is cut off flat where only its hidden part would show it; and how
often an edge is rounded over that has closed in by less than this share of the radius (no
source)."""
BUTTON = 0.1
"""What a dome's hidden part may be longer or shorter, of its length (no source)."""
ASLANT = 0.15
"""What may hide behind a flat end that no cap quite makes, seen aslant from inside, as a share of
the radius, at most: of 9 such ends two were domes that hid 0.28 of it (rendered photos)."""
BLUNT = 0.1
"""A dome lower than this share of its radius is no other than a flat end."""
ROUNDED = 0.2
"""Sides that close in by this slope before they are lost do not end square."""
EASED_MM = 0.3
FARTHER_IN_MM = (3.0, 8.0)
"""Where the sides tell whether they lead to an end by a taper (no source)."""
DOMED = 0.25
"""How much an eased edge hides, and how often it is a dome instead (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Cap:
    """A cap that was fitted.

    Attributes
    ----------
    end_mm : how far the piece goes on beyond the last circle seen; `sd_mm` its standard
        deviation.
    kind : "flat", "dome", or "hidden" where the end may go on behind its own edge.
    misfit_px : root mean square by which the rays miss it.
    low_mm, high_mm : the ends that the arc cannot tell from this one.
    circle : whether the arc is the picture of a circle about the axis.
    """

    end_mm: float
    sd_mm: float
    kind: str
    misfit_px: float
    low_mm: float
    high_mm: float
    circle: bool = False


def best_cap(
    rays: FloatArray,
    camera_mm: FloatArray,
    axis: Axis,
    curves: tuple[SideCurve, SideCurve],
    z0: float,
    sign: float,
    scale_mm: float,
) -> Cap | None:
    """Return the cap that fits the arc best; None when none does within a few pixels.

    Parameters
    ----------
    rays : (n, 3) of the arc that joins both sides at this end, target frame.
    camera_mm : (3,) camera centre.
    axis, curves : of the piece.
    z0 : the outermost z at which both sides are seen; `sign` 1 for the end at small z, else -1.
    scale_mm : of a pixel at the piece.
    """
    if len(rays) < 8:
        return None
    near = near_end(curves, z0, sign, scale_mm)
    rim = face_rim(rays, camera_mm, axis, z0, sign, near, scale_mm)
    if rim is not None:
        peeps, tip = False, None
        if rim.sd_mm < TIP_SURE_MM or rim.misfit_px < CLEAN_RIM_PX:
            peeps, tip = tip_rim(rays, camera_mm, axis, z0, sign, rim, scale_mm)
        if peeps and (tip is None or tip.sd_mm > TIP_SURE_MM):
            return None
        if tip is not None:
            # What stands before it may hide more of it.
            sd = float(np.hypot(tip.sd_mm, FLOOR_PX * scale_mm))
            return Cap(tip.end_mm, sd, "flat", tip.misfit_px, tip.end_mm - sd, tip.end_mm + sd)
        sd = float(np.hypot(rim.sd_mm, RIM_FLOOR_PX * scale_mm))
        low, high = rim.end_mm - sd, rim.end_mm + sd
        face = Cap(rim.end_mm, sd, "flat", rim.misfit_px, low, high, circle=True)
        faced = is_faced(camera_mm, axis, z0, sign, rim.end_mm)
        share = 0.0 if faced else _dome_share(near, rim)
        if share == 0.0:
            return face
        few, _, found = _tried(rays, camera_mm, axis, z0, sign, near, scale_mm)
        return _perhaps_domed(face, share, found, len(few), scale_mm)
    rays, lines, found = _tried(rays, camera_mm, axis, z0, sign, near, scale_mm)
    cap = _among(found, near, len(rays), scale_mm)
    return None if cap is None else _with_hidden(_unlike_sides(cap), lines, near, scale_mm)


def _tried(
    rays: FloatArray,
    camera_mm: FloatArray,
    axis: Axis,
    z0: float,
    sign: float,
    near: NearEnd,
    scale_mm: float,
) -> tuple[FloatArray, EndRays, list[Cap]]:
    """Return the rays that are enough, (n, 3), the same about the end, and each family's best."""
    few = rays[:: max(1, len(rays) // MOST_RAYS)]
    lines = end_rays(few, camera_mm, axis, z0, sign, near.x_mm, near.r_mm)
    most = _outermost_mm(lines, near) + STICKS_OUT_PX * scale_mm
    found = [_fitted(lines, shape, min(shape.most_mm, most), scale_mm) for shape in shapes(near)]
    return few, lines, found


def _dome_share(near: NearEnd, rim: EndRim) -> float:
    """Return how likely a face seen from inside is a low dome, by how its sides close in.

    A taper is cut off where it is narrower; a dome closes in only near its end.
    """
    lost = min(lost_mm(near, rim), _straight_on(near, rim.end_mm) - rim.radius_mm)
    if near.lost_mm <= EASED_MOST_MM:
        return 0.0
    # On a small knob that is little, but so fast only a dome closes in, unless an edge is broken.
    least = DOMED if near.slope > CLOSING else 0.0
    return max(DOME_SHARE * float(np.interp(lost, DOME_LOST_MM, (0.0, 1.0))), least)


def _perhaps_domed(face: Cap, share: float, found: list[Cap], count: int, scale_mm: float) -> Cap:
    """Return a face with the doubt that `count` rays are of a low dome's arc.

    From inside, that passes for the rim of a smaller face.
    """
    best = min(found, key=lambda cap: cap.misfit_px)
    domes = [cap for cap in found if cap.kind == "dome" and cap.end_mm > face.end_mm]
    if not domes:
        return face
    dome = min(domes, key=lambda cap: cap.misfit_px)
    slack = _slack(best, count) + (FORM_MM / scale_mm) ** 2
    share *= float(np.exp(-2.0 * (dome.misfit_px**2 - best.misfit_px**2) / slack))
    apart = dome.end_mm - face.end_mm
    own = max(dome.end_mm - dome.low_mm, dome.high_mm - dome.end_mm) / 1.96
    square = (1.0 - share) * face.sd_mm**2 + share * own**2 + share * (1.0 - share) * apart**2
    end, sd = face.end_mm + share * apart, float(np.sqrt(square))
    return replace(face, end_mm=end, sd_mm=sd, high_mm=dome.high_mm)


def _straight_on(near: NearEnd, end_mm: float) -> float:
    """Return the radius at an end to which the sides lead straight on from farther in, mm."""
    x = np.linspace(*FARTHER_IN_MM, 20)
    slope, level = np.polyfit(x, near.inside(x), 1)
    return float(level - slope * end_mm)


def _among(found: list[Cap], near: NearEnd, count: int, scale_mm: float) -> Cap | None:
    """Return the best cap with the doubt of all that `count` rays cannot tell from it."""
    best = min(found, key=lambda cap: cap.misfit_px)
    if best.misfit_px > POOREST_PX:
        return None
    form = (FORM_MM / scale_mm) ** 2
    # Shapes that the arc cannot tell apart all have their say.
    alike = [c for c in found if c.misfit_px**2 < best.misfit_px**2 + _slack(best, count) + form]
    low, high = min(c.low_mm for c in alike), max(c.high_mm for c in alike)
    domes = [c for c in alike if c.kind == "dome"]
    if near.slope > CLOSING and domes:
        dome = min(domes, key=lambda cap: cap.misfit_px)
        edge = near.lost_mm < EDGE_SHARE * near.broadest_mm
        flat = ROUNDED_OVER if edge else CUT_DOMES
        slack = _slack(best, count) + form
        return replace(_domed(dome, alike, flat, slack, scale_mm), low_mm=low, high_mm=high)
    flats = [c for c in alike if c.kind == "flat"]
    if best.kind == "dome" and flats:
        # Where the sides do not close in, there are more faces than domes.
        face = min(flats, key=lambda cap: cap.misfit_px)
        worse = face.misfit_px**2 - best.misfit_px**2
        likelier = np.exp(-2.0 * worse / (_slack(best, count) + form))
        best = face if (1.0 - DOMED) * likelier > DOMED else best
    sd = max(best.end_mm - low, high - best.end_mm) / 1.96
    return replace(best, sd_mm=float(np.hypot(sd, FLOOR_PX * scale_mm)), low_mm=low, high_mm=high)


def _domed(dome: Cap, alike: list[Cap], flat: float, slack: float, scale_mm: float) -> Cap:
    """Return the dome with the doubt of what else sides that close in so fast may end with.

    A face that cuts a dome off just where it hides itself counts by its likelihood and by how
    often there is one, `flat`. `slack` is by how much two mean squares may differ, px squared.
    """
    share = {"dome": 1.0, "flat": flat}
    weight = {}
    square = 0.0
    for kind in ("dome", "flat"):
        own = [cap for cap in alike if cap.kind == kind]
        if not own:
            continue
        fit = min(cap.misfit_px for cap in own)
        weight[kind] = share[kind] * float(np.exp(-2.0 * (fit**2 - dome.misfit_px**2) / slack))
        off = [max(dome.end_mm - cap.low_mm, cap.high_mm - dome.end_mm) / 1.96 for cap in own]
        if kind == "flat":
            off = [cap.end_mm - dome.end_mm for cap in own]
        square += weight[kind] * float(np.max(np.square(off)))
    sd = float(np.sqrt(square / sum(weight.values())))
    return replace(dome, sd_mm=float(np.hypot(sd, FLOOR_PX * scale_mm)))


def _unlike_sides(cap: Cap) -> Cap:
    """Return a cap with the doubt that the sides go on where they were seen, and it cuts them off.

    What was seen there may be points of the arc, or a chamfer that no cap is quite like.
    """
    cut = 0.5 * max(-cap.end_mm - STRAY_MM, 0.0)
    return replace(cap, sd_mm=float(np.hypot(cap.sd_mm, cut)))


def _with_hidden(cap: Cap, lines: EndRays, near: NearEnd, scale_mm: float) -> Cap:
    """Return the cap with what may hide behind its own edge.

    Where the sides close in and the phone is not beyond the end, the end may be an eased edge,
    or the shoulder of a dome that goes on as far as the outermost ray allows.
    """
    beyond_end = -float(np.median(lines.start)) > cap.end_mm
    blunt = cap.kind == "flat" or cap.end_mm < BLUNT * near.radius_mm
    if not blunt:
        # No dome is quite a conic: a point or a little button hides behind it.
        return replace(cap, sd_mm=float(np.hypot(cap.sd_mm, BUTTON * max(cap.end_mm, 0.0))))
    if beyond_end:
        return cap
    eased = near.lost_mm < EASED_MOST_MM
    if eased or near.slope_at(max(-cap.end_mm, 0.0)) < ROUNDED:
        # An edge eased by less than can be seen hides itself.
        eased_off = np.hypot(0.5 * EASED_MM, _aslant_mm(cap, lines, near))
        return replace(cap, sd_mm=float(np.hypot(cap.sd_mm, eased_off)))
    room = max(_outermost_mm(lines, near) - cap.end_mm, 0.0)
    if room < 2.0 * scale_mm:
        return replace(cap, sd_mm=float(np.hypot(cap.sd_mm, _aslant_mm(cap, lines, near))))
    # An eased edge hides a little, a dome anything up to the room.
    mean = (1.0 - DOMED) * 0.5 * min(EASED_MM, room) + DOMED * 0.5 * room
    square = (1.0 - DOMED) * EASED_MM**2 + DOMED * room**2 / 3.0
    sd = float(np.sqrt(max(square - mean**2, 0.0) + cap.sd_mm**2))
    return replace(cap, end_mm=cap.end_mm + mean, sd_mm=sd, kind="hidden")


def _aslant_mm(cap: Cap, lines: EndRays, near: NearEnd) -> float:
    """Return the doubt that a flat end, which no cap quite makes, is a low dome, mm.

    It is no circle either; seen aslant from inside, a low dome hides most of itself and looks so.
    """
    if cap.misfit_px < NOISE_PX:
        return 0.0
    oblique = np.interp(-float(np.median(lines.pace)), OBLIQUE, (0.0, 1.0))
    return float(oblique) * ASLANT * near.broadest_mm


def _outermost_mm(lines: EndRays, near: NearEnd) -> float:
    """Return how far outward of the last circle seen the axis may reach inside the outline, mm.

    No ray but the outline's tells of a tip so thin that it passes between them: what would stick
    out of the outline is no end. A ray that comes from beyond the end touches a round one of the
    sides' radius before it passes the axis.
    """
    nearest = -lines.b / np.maximum(lines.a, 1e-12)
    outermost = float(np.max(-(lines.start + lines.pace * nearest)))
    inward = np.clip(lines.pace, 0.0, 1.0)
    sine = float(np.median(inward))
    cosine = np.sqrt(1.0 - sine**2)
    before = 1.0 - (1.0 - 2.0 * sine**2) / max(cosine, 0.1)
    return outermost + near.broadest_mm * float(before)


def _slack(cap: Cap, count: int) -> float:
    """Return by how much a mean square may exceed the least one and be as likely, px squared.

    Up to `NOISE_PX` a misfit is noise and averages out; beyond it the shape itself is wrong, and
    another one as wrong is as likely.
    """
    noise = 4.0 * max(min(cap.misfit_px, NOISE_PX), 0.15) ** 2 / (count / 4.0)
    return noise + max(cap.misfit_px**2 - NOISE_PX**2, 0.0)


def _fitted(lines: EndRays, shape: Shape, most_mm: float, scale_mm: float) -> Cap:
    """Return the cap of one family that the rays touch best and that ends within `most_mm`."""
    tries, scores = _scores(lines, shape, max(most_mm, 0.0), scale_mm)
    k = int(np.argmin(scores))
    cap = Cap(float(tries[k]), 0.0, shape.kind, float(np.sqrt(scores[k])), 0.0, 0.0)
    fits = tries[scores < scores[k] + _slack(cap, len(lines.a))]
    cap = replace(cap, low_mm=float(fits.min()), high_mm=float(fits.max()))
    if isinstance(shape, Conic) and cap.high_mm >= shape.most_mm - 1e-6:
        # Nothing speaks against closing on the axis: the simplest is that it does.
        return replace(cap, end_mm=shape.most_mm, kind="dome")
    return cap


def _scores(
    lines: EndRays, shape: Shape, most_mm: float, scale_mm: float
) -> tuple[FloatArray, FloatArray]:
    """Return ends (n,) that were tried, mm, and their clipped mean squares, px squared."""

    def score(end: float) -> float:
        radius, rim = shape.solid(end)
        off = depth_mm(lines, radius, end, rim) / scale_mm
        return float(np.mean(np.minimum(off**2, CLIP_PX**2)))

    tries = np.unique(np.concatenate([np.linspace(-INWARD_MM, most_mm, 21), [0.0]]))
    scores = np.array([score(float(t)) for t in tries])
    for _ in range(3):
        k = int(np.argmin(scores))
        more = np.concatenate(
            [
                np.linspace(tries[max(k - 1, 0)], tries[k], 4)[1:-1],
                np.linspace(tries[k], tries[min(k + 1, len(tries) - 1)], 4)[1:-1],
            ]
        )
        tries = np.concatenate([tries, more])
        scores = np.concatenate([scores, [score(float(t)) for t in more]])
        order = np.argsort(tries)
        tries, scores = tries[order], scores[order]
    return tries, scores
