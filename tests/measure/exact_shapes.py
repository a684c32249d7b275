"""Test data, not measurements: exact cones, balls and stepped cylinders seen from far away."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calib.refusal import Notice
from measure.profile import GRID_MM, Profile
from measure.result import LeftOut, TraceResult

SIZE_PX = (2016, 1512)
PX_PER_MM = 9.0
START_PX = np.array([150.0, 600.0])
CARD_PX = np.array([[900.0, 1000.0], [1670.0, 1030.0], [1650.0, 1480.0], [885.0, 1450.0]])


def profile_of(z, diameter, u95=0.12, common=0.08):
    z, diameter = np.asarray(z, dtype=float), np.asarray(diameter, dtype=float)
    return Profile(z, diameter, np.full(z.shape, u95), np.full(z.shape, common))


def cone(length=100.0, small=20.0, large=60.0):
    z = np.arange(0.0, length + 1e-9, GRID_MM)
    return profile_of(z, small + (large - small) * z / length)


def ball(radius=30.0):
    z = np.arange(0.0, 2.0 * radius + 1e-9, GRID_MM)
    return profile_of(z, 2.0 * np.sqrt(np.maximum(radius**2 - (z - radius) ** 2, 0.0)))


def stepped(edges=(0.0, 30.0, 50.1, 90.0), diameters=(40.0, 25.0, 52.0)):
    """Cylinders end to end; a shoulder is two rows, also where it is off the grid."""
    rows = []
    for a, b, d in zip(edges[:-1], edges[1:], diameters, strict=True):
        inner = np.arange(np.floor(a / GRID_MM) + 1, np.ceil(b / GRID_MM)) * GRID_MM
        rows += [(a, d), *((z, d) for z in inner), (b, d)]
    return profile_of(*np.array(rows).T)


def without(profile, a, b):
    """Return the profile without its rows between a and b."""
    keep = (profile.z_mm <= a) | (profile.z_mm >= b)
    columns = (profile.z_mm, profile.diameter_mm, profile.u95_mm, profile.u95_common_mm)
    return Profile(*(column[keep] for column in columns))


def result_of(profile, **changes):
    """Return the result that a camera far above, looking straight down, would have given."""
    z, r = profile.z_mm, profile.diameter_mm / 2.0
    x = START_PX[0] + PX_PER_MM * z
    sides = [np.column_stack([x, START_PX[1] + s * PX_PER_MM * r]) for s in (-1.0, 1.0)]
    far = float(z[-1])
    result = TraceResult(
        photo_name="mill.jpg",
        setup="bench",
        scale_from="ID-1 card",
        lens_from="EXIF",
        z_zero="end",
        length_mm=far,
        length_u95_mm=0.25,
        profile=profile,
        notices=(),
        left_out=(),
        outline_px=np.vstack(sides),
        outline_z_mm=np.concatenate([z, z]),
        axis_px=START_PX + np.array([[0.0, 0.0], [PX_PER_MM * far, 0.0]]),
        target_px=CARD_PX,
        tilt_deg=22.0,
        px_per_mm=PX_PER_MM,
    )
    return replace(result, **changes)


def gapped_result(**changes):
    """Return a cone with a hidden stretch and a warning."""
    notice = Notice("lens-unsure", "The lens is not known well.", "Calibrate it with calib lens.")
    return result_of(
        without(cone(), 40.0, 52.0),
        left_out=(LeftOut(40.0, 52.0, "hidden behind a bead"),),
        notices=(notice,),
        **changes,
    )
