"""Where a solid of revolution has its centre of mass, and so how it rests: handbook formulas.

From memory, any handbook of mechanics (for instance Dubbel, centres of gravity of bodies): cone
h/4 from the base; frustum h/4 (R^2 + 2 R r + 3 r^2) / (R^2 + R r + r^2) from the face of radius R;
hemisphere 3 R / 8 from its flat face; paraboloid h/3 from its base.

The centre shows through how likely the piece rests on each edge of its hull: by the normal
distribution of the centre's own uncertainty, which is asked for wide enough to leave both open.
"""

import math

import numpy as np
import pytest

from measure.rest import resting_places

SD_SHARE = 0.2


def chance_on(centre, sd, a, b):
    """Return how likely a centre of mass lies so that its plumb line meets the line from a to b.

    Square to that line, the points over a and b are the ends of the stretch: a_z + slope a_r.
    """
    slope = (b[1] - a[1]) / (b[0] - a[0]) if b[0] > a[0] else (b[1] - a[1]) / 1e-9
    ends = [(p[0] + slope * p[1] - centre) / sd / math.sqrt(2) for p in (a, b)]
    return 0.5 * (math.erf(ends[1]) - math.erf(ends[0]))


def check_centre(z, r, centre):
    sd = SD_SHARE * (z[-1] - z[0])
    rests = resting_places(z, r, SD_SHARE)
    judged = 0
    for rest in rests:
        expected = chance_on(centre, sd, rest.first_mm, rest.second_mm)
        assert rest.chance == pytest.approx(expected, abs=1e-4)
        judged += 0.05 < expected < 0.95
    assert judged >= 1


def with_flanges(z, r, places, radius):
    """Return the outline with knife-edge discs, which weigh nothing and make the hull's corners."""
    here = np.interp(places, z, r)
    for place, own in zip(places, here, strict=True):
        k = int(np.searchsorted(z, place))
        z, r = np.insert(z, k, [place] * 3), np.insert(r, k, [own, radius, own])
    return z, r


@pytest.mark.parametrize("base", ["first", "last"])
def test_cone(base):
    z = np.linspace(0.0, 100.0, 4001)
    r = 30.0 * (1.0 - z / 100.0)
    centre = 25.0
    if base == "last":
        r, centre = r[::-1].copy(), 75.0
    check_centre(*with_flanges(z, r, (5.0, 50.0, 95.0), 40.0), centre)


def test_frustum():
    R, r_small, h = 30.0, 12.0, 90.0
    z = np.linspace(0.0, h, 4001)
    centre = h / 4 * (R**2 + 2 * R * r_small + 3 * r_small**2) / (R**2 + R * r_small + r_small**2)
    check_centre(*with_flanges(z, R + (r_small - R) * z / h, (5.0, 40.0, 85.0), 40.0), centre)


def test_hemisphere():
    R = 40.0
    z = np.linspace(0.0, R, 8001)
    check_centre(*with_flanges(z, np.sqrt(R**2 - z**2), (2.0, 20.0, 38.0), 50.0), 3.0 * R / 8.0)


def test_paraboloid():
    R, h = 30.0, 80.0
    z = np.linspace(0.0, h, 4001)
    check_centre(*with_flanges(z, R * np.sqrt(1.0 - z / h), (5.0, 40.0, 75.0), 45.0), h / 3.0)


def test_two_cylinders_end_to_end():
    # Volumes add: 40 mm of radius 10 and 60 mm of radius 20.
    z = np.array([0.0, 40.0, 40.0, 100.0])
    r = np.array([10.0, 10.0, 20.0, 20.0])
    v1, v2 = 100.0 * 40.0, 400.0 * 60.0
    centre = (v1 * 20.0 + v2 * 70.0) / (v1 + v2)
    check_centre(*with_flanges(z, r, (5.0, 50.0, 95.0), 30.0), centre)
