"""How a turned piece rests on a flat bench: on the hull edge under its centre of mass."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = ["Hidden", "Rest", "resting_places"]

FloatArray = NDArray[np.float64]

STEEPEST = 1.0
"""A piece that leans by more than 45 degrees stands on its end."""


@dataclass(frozen=True, slots=True)
class Rest:
    """One way to rest.

    Attributes
    ----------
    first_mm, second_mm : (2,) z and r of the two circles that touch the bench.
    chance : that the piece can rest so, given how well its centre of mass is known; a piece
        that can rest in two ways has two such chances, and they may add up to more than 1.
    """

    first_mm: FloatArray
    second_mm: FloatArray
    chance: float

    @property
    def lean(self) -> float:
        """How the radius grows from one circle to the other: the axis leans by as much."""
        along, out = self.second_mm - self.first_mm
        return float(out / max(along, 1e-9))


@dataclass(frozen=True, slots=True)
class Hidden:
    """A stretch of which only the ends are seen: somewhere between them may be a shoulder.

    What hides lies lower than the line of sight to its far end: as a rule it is all as thin as its
    thin end, a wall standing at the thick one (the centre of mass of 59 rendered pieces was 0.5 mm
    off so, 1.8 mm by straight lines between the ends).

    Attributes
    ----------
    start_mm, stop_mm : where along the axis it lies.
    thin_mm, thick_mm : radii of its ends, the smaller first.
    """

    start_mm: float
    stop_mm: float
    thin_mm: float
    thick_mm: float

    def moment_sd_mm4(self, z_mm: float) -> float:
        """Return the standard deviation of its moment of volume about a place on the axis.

        Half of what it would be if the shoulder stood anywhere in it, each place as likely as the
        other (JCGM 100:2008, 4.3.7): the moment goes with the square of where it stands.
        """
        a, b = self.start_mm - z_mm, self.stop_mm - z_mm
        square, fourth = (b**3 - a**3) / (3.0 * (b - a)), (b**5 - a**5) / (5.0 * (b - a))
        area = math.pi * (self.thick_mm**2 - self.thin_mm**2)
        return 0.25 * area * math.sqrt(max(fourth - square**2, 0.0))


def _upper_hull(z: FloatArray, r: FloatArray) -> list[int]:
    order = np.lexsort((r, z))
    hull: list[int] = []
    for i in order:
        while len(hull) > 1:
            a, b = hull[-2], hull[-1]
            if (z[b] - z[a]) * (r[i] - r[a]) - (r[b] - r[a]) * (z[i] - z[a]) >= 0:
                hull.pop()
            else:
                break
        hull.append(int(i))
    return hull


def resting_places(
    z_mm: FloatArray,
    r_mm: FloatArray,
    sd_share: float = 0.02,
    hidden: Sequence[Hidden] = (),
) -> list[Rest]:
    """Return the ways a piece that lies can rest, likeliest first; none that stands on its end.

    Parameters
    ----------
    z_mm, r_mm : (n,) the outer profile, z rising, hidden parts bridged.
    sd_share : standard deviation of the centre of mass along the axis, as a share of the
        length: bores, mechanisms and uneven wood move it from where the outer shape puts it.
    hidden : stretches that were bridged: they weigh what their thin ends say, and what else they
        may weigh adds to that.
    """
    hull = _upper_hull(z_mm, r_mm)
    area = np.pi * r_mm**2
    for part in hidden:
        within = (z_mm > part.start_mm) & (z_mm < part.stop_mm)
        area[within] = np.minimum(area[within], np.pi * part.thin_mm**2)
    dz = np.diff(z_mm)
    mass = 0.5 * (area[1:] + area[:-1]) * dz
    centre = float(np.sum(mass * 0.5 * (z_mm[1:] + z_mm[:-1])) / np.sum(mass))
    sd = sd_share * float(z_mm[-1] - z_mm[0])
    for part in hidden:
        sd = math.hypot(sd, part.moment_sd_mm4(centre) / float(np.sum(mass)))
    places = []
    for a, b in pairwise(hull):
        # The plumb line through the centre of mass meets the hull a little off it when tilted.
        slope = (r_mm[b] - r_mm[a]) / max(z_mm[b] - z_mm[a], 1e-9)
        if abs(slope) > STEEPEST:
            continue
        radius_there = r_mm[a] + slope * (centre - z_mm[a])
        foot = centre - slope * radius_there / (1.0 + slope**2)
        # The foot moves less than the centre does, by the same tilt.
        foot_sd = sd / (1.0 + slope**2)
        below, above = (z_mm[a] - foot) / foot_sd, (z_mm[b] - foot) / foot_sd
        chance = float(_cdf(above) - _cdf(below))
        first = np.array([z_mm[a], r_mm[a]])
        places.append(Rest(first, np.array([z_mm[b], r_mm[b]]), chance))
    places.sort(key=lambda p: -p.chance)
    return places


def _cdf(x: float) -> float:
    return 0.5 * math.erfc(-x / math.sqrt(2.0))
