"""Test data, not measurements: whole photos without a picture, drawn from the stated priors.

A scene is the truth: lens, view, card, piece and how it lies. `seen` is what edge finding would
hand on, exact or with noise; `traced` runs the joint estimate and the assembling on it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from exact_piece import Solid, curve, exact_outline, lying_axis, seen_outline
from exact_views import view_from

from calib.cardsides import SIDE_BIAS_SD_PX
from calib.exif import CameraId
from calib.finding import FoundTarget
from calib.lens import lens_from_exif
from calib.photo import Photo
from calib.sight import SIDE_NORMALS, SideSight, fit_view
from calib.targets import ID1
from measure.outline import Outline
from measure.rest import resting_places
from measure.result import TraceRequest
from measure.revolve import Axis
from measure.rimbias import RIM_BIAS_PX, RIM_BIAS_SD_PX
from measure.setting import HEIGHT_SD_MM, PLANE_SD_MM, UPRIGHT_SD_RAD
from measure.sides import contour_values
from measure.solving import solve_outline
from measure.tracing import finished

SIZE_PX = (4032, 3024)
FOCAL_35MM = 26.0
CONTACT_SD_MM = 0.05
CARD_SIDE_BIAS_SD_PX = SIDE_BIAS_SD_PX
CARD_NOISE_PX = 0.1
SLOW_RIM_PX = 0.15
"""The estimate reckons with rims that go wrong over long stretches together: so they do here."""
POINTS_A_SIDE = 40


@dataclass(frozen=True)
class Scene:
    """The truth, and what the turner types."""

    setup: str
    view: object
    axis: Axis
    solid: Solid
    card_mm: np.ndarray
    request: TraceRequest


def spindle(rng):
    """Return a turned piece of 20 to 70 mm diameter and 80 to 220 mm length, flat ends.

    Waves that hide nothing from a phone above, and a square shoulder.
    """
    length, mean = rng.uniform(80.0, 220.0), rng.uniform(13.0, 28.0)
    depth = 0.2 * mean * rng.uniform(0.3, 1.0)
    period, phase = rng.uniform(8.0 * depth + 25.0, 90.0), rng.uniform(0.0, 6.28)
    lean = rng.uniform(-0.06, 0.06)
    step = rng.uniform(1.5, 4.0) * rng.choice([-1.0, 1.0])
    at = rng.uniform(0.35, 0.65) * length

    def radius(shift):
        return lambda z: (
            mean + shift + lean * (z - at) + depth * np.sin(2.0 * np.pi * z / period + phase)
        )

    def slope(z):
        wave = np.cos(2.0 * np.pi * z / period + phase)
        return lean + depth * 2.0 * np.pi / period * wave

    return Solid(
        (
            curve(0.0, at, radius(-0.5 * step), slope),
            curve(at, length, radius(0.5 * step), slope),
        )
    )


def true_lens(rng, spread):
    prior = lens_from_exif(SIZE_PX, FOCAL_35MM)
    sd = np.sqrt(np.diag(prior.covariance))
    return prior.with_vector(prior.vector() + spread * sd * rng.standard_normal(5))


def in_picture(view, points, margin=30.0):
    pixels = view.to_pixels(points)
    return bool(np.all((pixels > margin) & (pixels < np.array(SIZE_PX) - margin)))


def extent(axis, solid):
    """Return points round the piece, to see that the picture holds it."""
    widest = float(solid.table()[1].max()) * 1.1
    corners = np.array([[a, b, c] for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)])
    ends = axis.at(np.array([0.0, solid.length]))
    return (ends[:, None, :] + widest * corners).reshape(-1, 3)


def card_corners(size):
    w, h = size / 2.0
    return np.array([[-w, h, 0.0], [w, h, 0.0], [w, -h, 0.0], [-w, -h, 0.0]])


def scene(setup, rng, spread=1.0):
    """Return a scene, everything unknown drawn from its prior times `spread`."""
    card = np.array([ID1.width_mm, ID1.height_mm])
    card = card + spread * np.array([ID1.width_sd_mm, ID1.height_sd_mm]) * rng.standard_normal(2)
    for _ in range(300):
        solid, lens = spindle(rng), true_lens(rng, spread)
        axis, view, request = PLACES[setup](rng, spread, solid, lens)
        if in_picture(view, extent(axis, solid)) and in_picture(view, card_corners(card)):
            return Scene(setup, view, axis, solid, card, request)
    raise AssertionError("no scene fits the picture")


def over(rng, middle, lens, tilt=(5.0, 30.0), distance=(380.0, 620.0)):
    """Return the view of a phone above the bench, tilted, looking at a place."""
    tilt_rad, turn = np.radians(rng.uniform(*tilt)), rng.uniform(-np.pi, np.pi)
    away = np.array(
        [np.sin(tilt_rad) * np.cos(turn), np.sin(tilt_rad) * np.sin(turn), np.cos(tilt_rad)]
    )
    look = np.array([*middle, 10.0])
    return view_from(look + rng.uniform(*distance) * away, look, lens, rng.uniform(-0.2, 0.2))


def on_bench(rng, spread, solid, lens):
    z, r = solid.resting_table()
    rest = resting_places(z, r)[0]
    errors = spread * CONTACT_SD_MM * rng.standard_normal(2)
    beside = 0.5 * ID1.height_mm + 12.0 + float(r.max())
    middle = np.array([rng.uniform(-15.0, 15.0), beside])
    axis = lying_axis(
        solid,
        (rest.first_mm, rest.second_mm),
        -ID1.thickness_mm,
        errors,
        middle,
        rng.uniform(-0.2, 0.2),
    )
    return axis, over(rng, 0.6 * middle, lens), TraceRequest()


def chocked(rng, spread, solid, lens):
    r = float(solid.table()[1].max())
    height = r + rng.uniform(2.0, 30.0)
    beside = 0.5 * ID1.height_mm + 12.0 + r
    a = np.array([-0.5 * solid.length, beside, height - ID1.thickness_mm])
    b = a + np.array([solid.length, 0.0, 0.0])
    a[2] += spread * HEIGHT_SD_MM * rng.standard_normal()
    b[2] += spread * HEIGHT_SD_MM * rng.standard_normal()
    view = over(rng, [0.0, 0.6 * beside], lens)
    request = TraceRequest(setup="level", axis_height_mm=height)
    return Axis(a, (b - a) / np.linalg.norm(b - a)), view, request


def in_plane(rng, spread, solid, lens):
    beside = 0.5 * ID1.height_mm + 12.0 + float(solid.table()[1].max())
    a = np.array([-0.5 * solid.length, beside, spread * PLANE_SD_MM * rng.standard_normal()])
    b = np.array([0.5 * solid.length, beside, spread * PLANE_SD_MM * rng.standard_normal()])
    view = over(rng, [0.0, 0.6 * beside], lens)
    return Axis(a, (b - a) / np.linalg.norm(b - a)), view, TraceRequest(setup="plane")


def standing(rng, spread, solid, lens):
    lean = spread * UPRIGHT_SD_RAD * rng.standard_normal(2)
    d = np.array([*lean, 1.0]) / np.linalg.norm([*lean, 1.0])
    beside = 0.5 * ID1.width_mm + 12.0 + float(solid.table()[1].max())
    foot = np.array([rng.choice([-1.0, 1.0]) * beside, rng.uniform(0.0, 30.0), -ID1.thickness_mm])
    above = np.radians(rng.uniform(22.0, 48.0))
    look = np.array([0.5 * foot[0], 0.0, 0.4 * solid.length])
    camera = look + rng.uniform(420.0, 620.0) * np.array([0.0, -np.cos(above), np.sin(above)])
    view = view_from(camera, look, lens, rng.uniform(-0.05, 0.05), up=(0.0, 0.0, 1.0))
    return Axis(foot, d), view, TraceRequest(setup="upright", start="bottom")


PLACES = {"bench": on_bench, "level": chocked, "plane": in_plane, "upright": standing}


def seen_card(it, rng, noise_px, bias_px):
    """Return points on the straight parts of the card's sides as edge finding gives them."""
    points, side = [], []
    margin = 1.0 - 2.0 * 1.6 * ID1.corner_radius_mm / ID1.height_mm
    share = np.linspace(-margin, margin, POINTS_A_SIDE)
    for k, normal in enumerate(SIDE_NORMALS):
        half = 0.5 * it.card_mm
        tangent = np.array([-normal[1], normal[0]])
        flat = normal * half + share[:, None] * tangent * half
        on_side = np.column_stack([flat, np.zeros(len(flat))])
        px = it.view.to_pixels(on_side)
        along = it.view.to_pixels(on_side + 0.1 * np.array([*tangent, 0.0])) - px
        out = it.view.to_pixels(on_side + 0.1 * np.array([*normal, 0.0])) - px
        across = np.column_stack([-along[:, 1], along[:, 0]])
        across /= np.linalg.norm(across, axis=1, keepdims=True)
        across *= np.sign(np.sum(across * out, axis=1))[:, None]
        off = bias_px[k] + noise_px * rng.standard_normal(len(px))
        points.append(px + off[:, None] * across)
        side.append(np.full(len(px), k))
    points, side = np.concatenate(points), np.concatenate(side)
    return SideSight(
        size_mm=np.array([ID1.width_mm, ID1.height_mm]),
        size_sd_mm=np.array([ID1.width_sd_mm, ID1.height_sd_mm]),
        thickness_mm=ID1.thickness_mm,
        points_px=points,
        side=side,
        sd_px=np.full(len(points), CARD_NOISE_PX),
        bias_px=np.zeros(4),
        bias_sd_px=np.full(4, CARD_SIDE_BIAS_SD_PX),
        corners_px=it.view.to_pixels(card_corners(it.card_mm)),
    )


def seen(it, rng, spread=1.0, noise_px=0.1):
    """Return what edge finding would hand on: the target as found, and the outline."""
    card_noise = CARD_NOISE_PX if noise_px > 0 else 0.0
    sight = seen_card(it, rng, card_noise, spread * CARD_SIDE_BIAS_SD_PX * rng.standard_normal(4))
    lens = lens_from_exif(SIZE_PX, FOCAL_35MM)
    view, _ = fit_view(sight, lens)
    # Nothing hides anything here: that the piece may reach over the card is no matter.
    nowhere = sight.corners_px - 2.0 * np.array(SIZE_PX)
    found = FoundTarget(sight, view, nowhere, "ID-1 card", False, ID1.thickness_mm, ())
    exact = exact_outline(it.view, it.axis, it.solid)
    side = contour_values(exact.points_px, exact.tangents, it.view, it.axis)[3]
    bias = RIM_BIAS_PX + spread * RIM_BIAS_SD_PX * rng.standard_normal(2)
    slow = SLOW_RIM_PX if noise_px > 0 else 0.0
    return lens, found, seen_outline(exact, rng, noise_px, bias, side, slow)


def traced(it, lens, found, outline: Outline):
    """Return the tracing, run as the project runs it from the outline on."""
    photo = Photo(
        "exact.jpg",
        np.broadcast_to(np.uint8(0), (SIZE_PX[1], SIZE_PX[0], 3)),
        FOCAL_35MM,
        CameraId("", "", None, FOCAL_35MM),
        (),
    )
    solved = solve_outline(it.request, lens, found, outline, 3)
    return finished(photo, it.request, found, solved)


@dataclass(frozen=True)
class Judged:
    """Errors of one photo, mm: diameters where the slope is below 1, elsewhere twice normal.

    `calm` are the rows 4 mm and more from the shoulder and 2 mm and more from the ends.
    """

    z_mm: np.ndarray
    error_mm: np.ndarray
    u95_mm: np.ndarray
    calm: np.ndarray
    length_error_mm: float
    length_u95_mm: float
    covered: float

    def normalised(self):
        """Return errors in standard uncertainties."""
        return self.error_mm / (self.u95_mm / 1.96)


def shoulder_of(solid):
    z, r = solid.table()
    return float(z[int(np.argmax(np.abs(np.diff(r))))])


def judged(it, tracing):
    result = tracing.result
    p = result.profile
    slope = it.solid.slope(p.z_mm)
    error = p.diameter_mm - 2.0 * it.solid.radius(p.z_mm)
    z_fine, r_fine = it.solid.table()
    # At a shoulder a little z is a lot of diameter: twice the distance from the outline there.
    for i in np.flatnonzero((np.abs(slope) >= 1.0) | (np.abs(error) > 0.5)):
        off = np.hypot(z_fine - p.z_mm[i], r_fine - 0.5 * p.diameter_mm[i])
        error[i] = np.sign(error[i]) * 2.0 * off.min()
    calm = np.abs(p.z_mm - shoulder_of(it.solid)) > 4.0
    calm &= (p.z_mm > 2.0) & (p.z_mm < it.solid.length - 2.0)
    return Judged(
        p.z_mm,
        error,
        p.u95_mm,
        calm,
        result.length_mm - it.solid.length,
        result.length_u95_mm,
        result.measured_mm() / it.solid.length,
    )


def point_errors(it, tracing):
    """Return the errors of the diameters at the outline's own points, mm, at their true z.

    This is the estimate alone: ends, rows and evening out do not enter. Points near ends and
    shoulder are left out, where a tangent is no tangent.
    """
    errors = []
    for c in tracing.curves:
        on_axis = tracing.estimate.axis.at(c.z_mm + tracing.shift_mm)
        z = (on_axis - it.axis.point_mm) @ it.axis.direction
        calm = np.abs(z - shoulder_of(it.solid)) > 4.0
        calm &= (z > 4.0) & (z < it.solid.length - 4.0)
        errors.append(2.0 * (c.r_mm - it.solid.radius(z))[calm])
    return np.concatenate(errors)


def drawn(setup, seed, spread=1.0, noise_px=0.1):
    """Return a scene and its tracing from a seed."""
    rng = np.random.default_rng(seed)
    it = scene(setup, rng, spread)
    return it, traced(it, *seen(it, rng, spread, noise_px))
