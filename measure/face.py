"""The circles of an end face: diameters, how well known, how far off centre, how deep.

A circle that lies deeper than the face looks smaller, and looks shifted toward the foot of the
camera on the face: seen from a camera at height H over the face, a circle at depth d appears in
the face's plane scaled by H / (H + d) about that foot. So one photo tells a deeper circle from
one on the face by its centre, provided that it has the face's axis and the camera does not stand
right over it. A circle off the axis looks the same; which it is, only the turner knows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.view import View
from measure.circleedge import EdgeCircle
from measure.circles import Circle, fit_circle
from measure.mating import COVERAGE

__all__ = [
    "DEEPER",
    "DEPTH_SD_MM",
    "GIVEN",
    "ON_FACE",
    "UNTOLD",
    "FaceCircle",
    "Plane",
    "circle_names",
    "measure_face",
]

FloatArray = NDArray[np.float64]

EDGE_BIAS_PX = 0.15
"""Standard uncertainty of an edge all round, radius: what a phone's sharpening and a broken
rim leave (measured on sharpened synthetic edges: 0.12 to 0.16 px)."""
LOPSIDED = 0.5
"""What of it does not go all round alike, and so shifts the centre (common practice, no source)."""
DEPTH_SD_MM = 0.2
"""Of a depth that the turner gives (rule in a bore; common practice, no source)."""
SURE = 3.0
"""Standard uncertainties off the face that prove a circle deeper, or leave it no room to be."""
SHALLOW_MM = 1.0
"""A circle is told to lie on the face only where one this much deeper would be seen to."""
NEAREST_AWAY_MM, MOST_SHIFT = 1.0, 0.9
"""No depth is told nearer to the axis than this, nor from a shift of more of the way there: a
circle that deep would be ten times as far from the phone as the face."""

ON_FACE, GIVEN, DEEPER, UNTOLD = "on the face", "depth given", "looks deeper", "depth not told"


@dataclass(frozen=True, slots=True)
class Plane:
    """The face: Z in the target frame, mm, and its standard uncertainty."""

    height_mm: float
    sd_mm: float


@dataclass(frozen=True, slots=True)
class FaceCircle:
    """A circle of the face, or deeper.

    Attributes
    ----------
    name : rim, bore, step1 ...; alone: circle.
    where : `ON_FACE`, `GIVEN`, `DEEPER` or `UNTOLD`; of the last two the diameter is None.
    diameter_mm, u95_mm, u95_common_mm : the last is the part that plane and view share.
    centre_mm : (2,) in the target frame, at the depth told; for `DEEPER` and `UNTOLD` as it
        appears in the face's plane.
    depth_mm : below the face; None where not told.
    off_centre_mm, off_centre_u95_mm : from the reference circle's centre; None for itself and
        where the depth is not told.
    implied_depth_mm, implied_u95_mm : what its shift says if it shares the axis; None for the
        reference and where the camera stands over the axis.
    implied_per_mm : how much deeper it would look for each millimetre off the axis.
    arc_deg, scatter_px : how much of it was seen, and how ragged.
    points_px : (n, 2) its edge in the photo.
    """

    name: str
    where: str
    diameter_mm: float | None
    u95_mm: float | None
    u95_common_mm: float | None
    centre_mm: FloatArray
    depth_mm: float | None
    off_centre_mm: float | None
    off_centre_u95_mm: float | None
    implied_depth_mm: float | None
    implied_u95_mm: float | None
    implied_per_mm: float | None
    arc_deg: float
    scatter_px: float
    points_px: FloatArray


@dataclass(frozen=True, slots=True)
class _Placed:
    """A circle at a height, and how it moves: rows of (x, y, radius), mm, one a cause.

    `shared` are the steps of one standard deviation along each independent cause that all
    circles share (view, plane); `eye` (n, 3) how the camera moves with each, over the face;
    `own` is (3, 3), its own covariance.
    """

    circle: Circle
    shared: FloatArray
    eye: FloatArray
    own: FloatArray


def measure_face(
    edges: list[EdgeCircle],
    view: View,
    plane: Plane,
    depths: dict[str, float],
    rimmed: bool = True,
) -> list[FaceCircle]:
    """Return the circles, outermost first.

    Parameters
    ----------
    edges : the circles followed, in any order.
    depths : name to depth below the face, mm, as the turner gives them.
    rimmed : whether the outermost may be the rim of the face; else it is a bore in it.
    """
    edges = sorted(edges, key=lambda edge: -edge.circle.radius)
    names = circle_names(len(edges), rimmed)
    flat = [_placed(edge, view, plane, 0.0) for edge in edges]
    eye = view.camera_centre_mm
    reference = _reference(flat, eye, plane, names, depths)
    below = depths.get(names[reference], 0.0)
    doubts = [0.0] * len(edges)
    rows: list[FaceCircle] = []
    told: list[tuple[tuple[float, float, float] | None, str, float | None]] = []
    for index in range(len(edges)):
        implied = None
        if index != reference:
            implied = _implied_depth(flat[index], flat[reference], eye, plane, below)
        told.append((implied, *_where(index, reference, names[index], implied, depths)))
        # Of two that are taken for the face's, the one that looks a little deeper may be so.
        if implied is not None and told[-1][1] == ON_FACE:
            lower = index if implied[0] > 0.0 else reference
            doubts[lower] = max(doubts[lower], abs(implied[0]))
    base = _placed(edges[reference], view, plane, told[reference][2] or 0.0, doubts[reference])
    for index, (edge, name) in enumerate(zip(edges, names, strict=True)):
        implied, where, depth = told[index]
        sd = DEPTH_SD_MM if where == GIVEN and depth else doubts[index]
        at = flat[index]
        if depth or sd:
            at = _placed(edge, view, plane, depth or 0.0, sd if depth is not None else 0.0)
        row = _row(edge, name, where, depth, at)
        if implied is not None:
            row = replace(
                row,
                implied_depth_mm=implied[0],
                implied_u95_mm=COVERAGE * implied[1],
                implied_per_mm=implied[2],
            )
        if index != reference and depth is not None:
            off, off_sd = _apart(at, base)
            row = replace(row, off_centre_mm=off, off_centre_u95_mm=COVERAGE * off_sd)
        rows.append(row)
    return rows


def circle_names(count: int, rimmed: bool = True) -> list[str]:
    """Return the names of so many circles of a face, outermost first."""
    if rimmed and count == 1:
        return ["circle"]
    inner = ["bore", *(f"step{k}" for k in range(1, count))]
    return (["rim", *inner] if rimmed else inner)[:count]


def _reference(
    flat: list[_Placed],
    eye: FloatArray,
    plane: Plane,
    names: list[str],
    depths: dict[str, float],
) -> int:
    """Return which circle is taken for the face's: the outermost, unless the next lies higher.

    That the bore lies in the face does not take the rim out of it.
    """
    if len(flat) > 1 and depths.get(names[0]) != 0.0:
        implied = _implied_depth(flat[1], flat[0], eye, plane)
        higher = implied is not None and implied[0] < -max(SURE * implied[1], SHALLOW_MM)
        if higher or depths.get(names[0], 0.0) > 0.0:
            return 1
    return 0


def _where(
    index: int,
    reference: int,
    name: str,
    implied: tuple[float, float, float] | None,
    depths: dict[str, float],
) -> tuple[str, float | None]:
    """Return what is told of a circle's depth, and the depth."""
    if name in depths:
        return GIVEN, depths[name]
    if index == reference:
        return ON_FACE, 0.0
    if implied is not None and abs(implied[0]) > max(SURE * implied[1], SHALLOW_MM):
        return DEEPER, None
    if implied is not None and abs(implied[0]) + SURE * implied[1] < SHALLOW_MM:
        return ON_FACE, 0.0
    # The first bore inside a rim opens on the face; what lies within it may be anywhere.
    return (ON_FACE, 0.0) if name == "bore" else (UNTOLD, None)


def _row(edge: EdgeCircle, name: str, where: str, depth: float | None, at: _Placed) -> FaceCircle:
    common = 2.0 * COVERAGE * float(np.linalg.norm(at.shared[:, 2]))
    whole = float(np.hypot(common, 2.0 * COVERAGE * np.sqrt(at.own[2, 2])))
    told = depth is not None
    return FaceCircle(
        name=name,
        where=where,
        diameter_mm=2.0 * at.circle.radius if told else None,
        u95_mm=whole if told else None,
        u95_common_mm=common if told else None,
        centre_mm=at.circle.centre,
        depth_mm=depth,
        off_centre_mm=None,
        off_centre_u95_mm=None,
        implied_depth_mm=None,
        implied_u95_mm=None,
        implied_per_mm=None,
        arc_deg=edge.arc_deg,
        scatter_px=edge.scatter_px,
        points_px=edge.points_px,
    )


def _placed(
    edge: EdgeCircle, view: View, plane: Plane, depth: float, depth_sd: float = 0.0
) -> _Placed:
    height = plane.height_mm - depth

    def at(moved: View, lifted: float = 0.0) -> FloatArray:
        on = moved.on_plane(edge.points_px, height + lifted)
        # Square roots of weights draw points toward the circle as the weights would.
        pull = np.sqrt(edge.weights)[:, None]
        nearest = nominal.centre + (on - nominal.centre) * (
            nominal.radius / np.linalg.norm(on - nominal.centre, axis=1)[:, None]
        )
        fitted = fit_circle(nearest + pull * (on - nearest), nominal).circle
        return np.array([*fitted.centre, fitted.radius])

    eye = view.camera_centre_mm
    grown = (eye[2] - height) / (eye[2] - plane.height_mm)
    nominal = Circle(eye[:2] + grown * (edge.circle.centre - eye[:2]), grown * edge.circle.radius)
    values, ways = np.linalg.eigh(view.covariance)
    vector = view.vector()
    shared, moves = [], []
    for value, way in zip(values, ways.T, strict=True):
        step = np.sqrt(max(float(value), 0.0)) * way
        forth, back = view.with_vector(vector + step), view.with_vector(vector - step)
        shared.append(0.5 * (at(forth) - at(back)))
        moves.append(0.5 * (forth.camera_centre_mm - back.camera_centre_mm))
    sd = plane.sd_mm
    shared.append(0.5 * (at(view, sd) - at(view, -sd)))
    moves.append(np.array([0.0, 0.0, -sd]))
    own = edge.covariance * grown**2
    bias = grown * EDGE_BIAS_PX / edge.px_per_mm
    own = own + np.diag(np.square([LOPSIDED * bias, LOPSIDED * bias, bias]))
    if depth_sd:
        deep = 0.5 * (at(view, depth_sd) - at(view, -depth_sd))
        own = own + np.outer(deep, deep)
    return _Placed(nominal, np.array(shared), np.array(moves), own)


def _apart(one: _Placed, other: _Placed) -> tuple[float, float]:
    """Return the distance of two centres and its standard uncertainty."""
    off = one.circle.centre - other.circle.centre
    distance = float(np.linalg.norm(off))
    covariance = _difference(one, other)
    way = off / distance if distance > 1e-9 else np.array([1.0, 0.0])
    return distance, float(np.sqrt(way @ covariance @ way))


def _difference(one: _Placed, other: _Placed) -> FloatArray:
    moved = (one.shared - other.shared)[:, :2]
    return np.asarray(moved.T @ moved + one.own[:2, :2] + other.own[:2, :2])


def _implied_depth(
    one: _Placed, base: _Placed, eye: FloatArray, plane: Plane, below_mm: float = 0.0
) -> tuple[float, float, float] | None:
    """Return how deep a circle lies under the face if it shares an axis with another.

    With its standard uncertainty, and with what a millimetre off that axis makes of it; the
    other one lies `below_mm` under the face.

    The place of the camera counts as much as the shift: a lens known to a few per cent puts it
    millimetres aside. None where the camera stands so nearly over the axis that depth does not
    shift a centre.
    """
    over = np.array([eye[0], eye[1], eye[2] - plane.height_mm + below_mm])
    place, foot = one.circle.centre, base.circle.centre
    depth = _depth_by_shift(place, foot, over)
    if depth is None:
        return None
    h = 1e-4
    variance = 0.0
    for moved, founded, eyed in zip(one.shared, base.shared, one.eye, strict=True):
        steps = h * moved[:2], h * founded[:2], h * eyed
        forth = _depth_by_shift(place + steps[0], foot + steps[1], over + steps[2])
        back = _depth_by_shift(place - steps[0], foot - steps[1], over - steps[2])
        if forth is None or back is None:
            return None
        variance += ((forth - back) / (2.0 * h)) ** 2
    to_eye = over[:2] - foot
    away = float(np.linalg.norm(to_eye))
    way = to_eye / away
    own = float(way @ (one.own[:2, :2] + base.own[:2, :2]) @ way)
    per_mm = (float(over[2]) + depth) ** 2 / (float(over[2]) * away)
    return below_mm + depth, float(np.sqrt(variance + own * per_mm**2)), per_mm


def _depth_by_shift(place: FloatArray, foot: FloatArray, over: FloatArray) -> float | None:
    """Return the depth at which a centre over `foot` (2,) appears at `place` (2,) in the face.

    Seen from `over`, (3,) over the face, it is shifted toward the eye's foot by d / (H + d) of
    the way there.
    """
    to_eye = over[:2] - foot
    away = float(np.linalg.norm(to_eye))
    if away < NEAREST_AWAY_MM:
        return None
    shift = float((place - foot) @ to_eye) / away
    if shift >= MOST_SHIFT * away:
        return None
    return float(over[2]) * shift / (away - shift)
