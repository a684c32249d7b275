"""What the rims of end faces say of lens, view and axis, beside where the piece ends.

The picture of a rim bulges by its radius times the tangent of the angle at which the phone looks
past that end. Both ends together tell how far off the phone is in lengths of the piece, and with
the scale its focal length, of which a card that lies level says hardly anything.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.solve import Remembered
from calib.vectors import cross, sum_of_planes
from calib.view import VIEW_SIZE, View
from measure.endrim import circle_seen, end_frame
from measure.outline import Outline
from measure.revolve import Axis
from measure.unknowns import Layout

__all__ = ["STRAY_SDS", "RimSight", "rim_misses", "rim_on", "rim_residuals", "rims_start"]

FloatArray = NDArray[np.float64]

MISFIT_MOST_PX = 0.45
"""An arc that scatters more about its circle is a chamfered, rounded or spoiled one's, whose middle
alone is a circle."""
ON_RIM_PX = 1.5
"""A point farther from the circle is of a side, a splinter or a shadow."""
LEAST_POINTS, MOST_POINTS = 12, 40
SD_LEAST_PX = 0.12
SHARED = 4.0
"""Blur, shade and an eased edge move points next to each other alike: so many times what they
scatter counts (the focal length then misses by 0.76 of what is said in 160 rendered photos, in 60
exact scenes with noise by 1.1; counting them for less makes neither better)."""
STRAY_SDS = 1.25
"""Cauchy scale of what a point misses, in its standard deviations."""
NEAREST, LONGEST_TURN = 2, 0.3
"""Steps to the place of a circle that a ray passes nearest to, and the longest, radians."""


@dataclass(frozen=True, slots=True)
class RimSight:
    """Points on the picture of one rim, and the circle that they are first taken for.

    Attributes
    ----------
    index : (n,) of the outline points.
    angle : (n,) where on the circle their rays pass, radians from the first vector of `end_frame`.
    centre_mm, radius_mm : (3,) of the circle, target frame, and its radius.
    outward : 1 where the axis runs out of the face, -1 where it runs into it.
    sd_px : standard deviation of a point across the rim.
    """

    index: NDArray[np.int64]
    angle: FloatArray
    centre_mm: FloatArray
    radius_mm: float
    outward: float
    sd_px: float


def rim_on(
    outline: Outline, view: View, axis: Axis, arc: NDArray[np.int64], z_mm: float, sign: float
) -> RimSight | None:
    """Return the rim whose picture an arc is; None where it is not quite that of a circle.

    Parameters
    ----------
    outline, view, axis : as solved; `arc` (n,) indices of its points that close one end.
    z_mm : about where the piece ends there; `sign` 1 at the end at small z, else -1.
    """
    camera, rays = view.camera_centre_mm, view.rays(outline.points_px[arc])
    base, frame = end_frame(camera, axis, z_mm, sign)
    scale = float(np.linalg.norm(base)) / view.lens.focal_px
    v = rays / np.linalg.norm(rays, axis=1, keepdims=True)
    reach = 0.5 * float(np.ptp(v @ frame[0])) * float(np.linalg.norm(base))
    seen = circle_seen(rays, camera, axis, z_mm, sign, (0.0, reach), scale)
    if seen is None or seen.misfit_px > MISFIT_MOST_PX:
        return None
    centre = base + seen.end_mm * frame[2]
    angle = _nearest(v, centre, seen.radius_mm, frame, _roughly(v, centre, seen.radius_mm, frame))
    _, away = _passed(v, centre, seen.radius_mm, frame, angle)
    near = np.flatnonzero(away < ON_RIM_PX * scale)
    if len(near) < LEAST_POINTS:
        return None
    few = near[:: -(-len(near) // MOST_POINTS)]
    sd = SHARED * max(seen.misfit_px, SD_LEAST_PX) * float(np.sqrt(len(few) / len(near)))
    return RimSight(arc[few], angle[few], camera + centre, seen.radius_mm, -sign, sd)


def rim_misses(
    rays: FloatArray,
    camera_mm: FloatArray,
    axis: Axis,
    z_mm: float,
    radius_mm: float,
    rim: RimSight,
) -> FloatArray:
    """Return how far outside a circle about the axis rays of a rim pass, (n,) mm.

    Parameters
    ----------
    rays, camera_mm : (n, 3) of the rim's points, target frame, and (3,) camera centre.
    axis, z_mm, radius_mm : of the circle.
    rim : whose rays they are.
    """
    v = rays / np.sqrt(sum_of_planes(rays * rays))[:, None]
    centre, frame = end_frame(camera_mm, axis, z_mm, -rim.outward)
    angle = _nearest(v, centre, radius_mm, frame, rim.angle)
    return _passed(v, centre, radius_mm, frame, angle)[0]


def rims_start(rims: Sequence[RimSight], axis: Axis) -> FloatArray:
    """Return first values of the rims' own unknowns, z and radius of each, (2 k,) mm."""
    z = [float((rim.centre_mm - axis.point_mm) @ axis.direction) for rim in rims]
    return np.array([(z, rim.radius_mm) for z, rim in zip(z, rims, strict=True)]).ravel()


def rim_residuals(
    layout: Layout, outline: Outline, rims: Sequence[RimSight], scale_mm: float
) -> Callable[[FloatArray], FloatArray]:
    """Return the function from unknowns to what the rims' points miss, in standard deviations.

    The unknowns (layout.size + 2 k,) end with `rims_start`; `scale_mm` is of a pixel at the piece.
    """
    axis_at = np.arange(VIEW_SIZE + layout.extras, VIEW_SIZE + layout.extras + 4)
    parts = []
    for k, rim in enumerate(rims):
        own = layout.size + 2 * k

        def misses(x: FloatArray, rim: RimSight = rim, own: int = own) -> FloatArray:
            view, axis = layout.view_of(x), layout.axis_of(x)
            rays = view.rays(outline.points_px[rim.index])
            z, radius = float(x[own]), float(x[own + 1])
            off = rim_misses(rays, view.camera_centre_mm, axis, z, radius, rim)
            return off / (rim.sd_px * scale_mm)

        places = np.concatenate([np.arange(VIEW_SIZE), axis_at, [own, own + 1]])
        parts.append(Remembered(misses, places))

    def residuals(x: FloatArray) -> FloatArray:
        return np.concatenate([part(x) for part in parts]) if parts else np.zeros(0)

    return residuals


def _circle(
    centre: FloatArray, radius: float, frame: FloatArray, angle: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return places (n, 3) of a circle seen from the origin, and unit vectors out and along."""
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    out, along = c * frame[0] + s * frame[1], c * frame[1] - s * frame[0]
    return centre + radius * out, out, along


def _roughly(v: FloatArray, centre: FloatArray, radius: float, frame: FloatArray) -> FloatArray:
    """Return the angle (n,) of the place, of a few, nearest to each ray."""
    angle = np.linspace(-np.pi, np.pi, 180, endpoint=False)
    place, out, along = _circle(centre, radius, frame, angle)
    normal = cross(place, along)
    # What looks into the face is behind it.
    shown = np.copysign(1.0, sum_of_planes(normal * out)) * (normal @ frame[2]) > 0.0
    if shown.any():
        place, angle = place[shown], angle[shown]
    away = sum_of_planes(place * place) - (v @ place.T) ** 2
    return np.asarray(angle[np.argmin(away, axis=1)])


def _nearest(
    v: FloatArray, centre: FloatArray, radius: float, frame: FloatArray, angle: FloatArray
) -> FloatArray:
    """Return the angles (n,) of the places that rays pass nearest to, from those close to them."""
    for _ in range(NEAREST):
        place, out, along = _circle(centre, radius, frame, angle)
        depth = sum_of_planes(place * v)
        # Half the squared distance from the ray, by the angle: first and second derivative.
        aside, beside = sum_of_planes(along * v), sum_of_planes(out * v)
        slope = sum_of_planes(place * along) - depth * aside
        bend = radius * (1.0 - aside**2) - sum_of_planes(place * out) + depth * beside
        turn = -slope / np.maximum(np.abs(bend), 1e-9)
        angle = angle + np.clip(turn, -LONGEST_TURN, LONGEST_TURN)
    return angle


def _passed(
    v: FloatArray, centre: FloatArray, radius: float, frame: FloatArray, angle: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return how far outside the circle rays pass its places, and how far from them, (n,) mm."""
    place, out, along = _circle(centre, radius, frame, angle)
    normal = cross(place, along)
    size = np.copysign(np.sqrt(sum_of_planes(normal * normal)), sum_of_planes(normal * out))
    foot = v * sum_of_planes(place * v)[:, None] - place
    return sum_of_planes(foot * normal) / size, np.sqrt(sum_of_planes(foot * foot))
