"""Pieces turned from known features, with rows as noisy as a trace's: invented, repeatable."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.chain import Chain, directions
from measure.profile import Profile

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Made:
    """A feature as it was made, mm: kind, ends, and its crest, bottom or level as a diameter."""

    kind: str
    z0: float
    z1: float
    diameter: float


class Turner:
    """Adds one feature after the other."""

    def __init__(self, radius: float) -> None:
        self.z, self.r, self.bulge = [0.0], [radius], []
        self.made: list[Made] = []

    def _to(self, dz: float, dr: float, bulge: float = 0.0) -> None:
        self.z.append(self.z[-1] + dz)
        self.r.append(self.r[-1] + dr)
        self.bulge.append(bulge)

    def flat(self, width: float, kind: str = "") -> None:
        z0 = self.z[-1]
        self._to(width, 0.0)
        kind = kind or ("fillet" if width < 4.0 else "cylinder")
        self.made.append(Made(kind, z0, self.z[-1], 2 * self.r[-1]))

    def taper(self, width: float, rise: float) -> None:
        z0 = self.z[-1]
        self._to(width, rise)
        self.made.append(Made("taper", z0, self.z[-1], 2 * self.r[-1] - rise))

    def shoulder(self, step: float) -> None:
        self._to(0.0, step)
        self.made.append(Made("shoulder", self.z[-1], self.z[-1], 2 * max(self.r[-1], self.r[-2])))

    def bow(self, width: float, height: float) -> None:
        """Bead for a positive height, cove for a negative one; one arc, at most half a circle."""
        z0, r0 = self.z[-1], self.r[-1]
        self._to(width, 0.0, height / (width / 2))
        kind = "bead" if height > 0 else "cove"
        self.made.append(Made(kind, z0, self.z[-1], 2 * (r0 + height)))

    def ogee(self, width: float, rise: float) -> None:
        """Two equal arcs that flow into each other, level at both ends."""
        z0, r0 = self.z[-1], self.r[-1]
        # Each arc turns by 2 atan(rise / width): from level to the chord's direction and more.
        turn = 2.0 * np.arctan(rise / width)
        b = float(np.tan(turn / 4.0))
        self._to(width / 2, rise / 2, -b)
        self._to(width / 2, rise / 2, b)
        self.made.append(Made("ogee", z0, self.z[-1], 2 * r0 + rise))

    def chain(self) -> Chain:
        return Chain(np.array(self.z), np.array(self.r), np.array(self.bulge))


def rows_of(chain: Chain) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return z, diameter and the cosine of the slope on the grid, two rows at each shoulder."""
    z, d, cosine = [], [], []
    cuts = [0, *[k + 1 for k in range(len(chain.bulge)) if chain.is_shoulder(k)]]
    cuts.append(len(chain.z_mm))
    for a, b in itertools.pairwise(cuts):
        part = Chain(chain.z_mm[a:b], chain.r_mm[a:b], chain.bulge[a : b - 1])
        low, high = part.z_mm[0], part.z_mm[-1]
        grid = np.arange(np.ceil(low * 4 - 1e-6), np.floor(high * 4 + 1e-6) + 1) / 4.0
        grid = np.clip(np.unique(np.concatenate([[low], grid, [high]])), low, high)
        r = part.radius_at(grid)
        slope = (part.radius_at(np.minimum(grid + 0.01, high))
                 - part.radius_at(np.maximum(grid - 0.01, low))) / 0.02  # fmt: skip
        z.append(grid)
        d.append(2 * r)
        cosine.append(1 / np.sqrt(1 + slope**2))
    return np.concatenate(z), np.concatenate(d), np.concatenate(cosine)


SCATTER_MM, WOBBLE_MM, MEMORY_MM = 0.025, 0.03, 1.5
"""Of a trace, on the diameter: from row to row, slower, and over how much that forgets itself."""
STEEPEST_COSINE = 0.25


def wobble_kernel(memory_mm: float = MEMORY_MM) -> FloatArray:
    """Return the weights of 81 independent rows that make a wobbling one of variance 1."""
    kernel = np.exp(-0.5 * (np.arange(-40, 41) * 0.25 / memory_mm) ** 2)
    return np.asarray(kernel / np.sqrt(np.sum(kernel**2)))


def traced(
    chain: Chain,
    rng: np.random.Generator,
    scatter: float = SCATTER_MM,
    wobble: float = WOBBLE_MM,
    memory_mm: float = MEMORY_MM,
    u95: float = 0.10,
    common: float = 0.06,
) -> Profile:
    """Return the piece as a trace gives it: scatter from row to row and a slower wobble.

    Both act normal to the outline, so they grow on steep sides, and the uncertainty with them.
    `u95` is the local part; scatter and wobble together make it (1.96 x 0.039 = 0.077 mm of the
    0.10 mm that is claimed).
    """
    z, d, cosine = rows_of(chain)
    cosine = np.maximum(cosine, STEEPEST_COSINE)
    kernel = wobble_kernel(memory_mm)
    slow = np.convolve(rng.normal(size=len(z) + 80), kernel, mode="valid")[: len(z)]
    noise = scatter * rng.normal(size=len(z)) + wobble * slow
    local = u95 / cosine
    total = np.sqrt(local**2 + common**2)
    return Profile(z, np.maximum(d + noise / cosine, 0.2), total, np.full(len(z), common))


SHARP_RAD = 0.15
"""Corners sharper than this (8 degrees) have a place; fainter ones, and curves that flow into
each other, leave it open by the noise over the angle."""


def sharp_places(chain: Chain) -> FloatArray:
    """Return z of the shoulders, ends and sharp corners of a piece as made."""
    starts, ends = directions(chain.z_mm, chain.r_mm, chain.bulge)
    turn = np.abs(starts[1:] - ends[:-1])
    inner = chain.z_mm[1:-1][turn > SHARP_RAD]
    return np.concatenate([inner, chain.z_mm[[0, -1]]])


def mill() -> Turner:
    """Body and cap of a pepper mill, 180 mm long."""
    t = Turner(26.0)
    t.taper(6.0, 2.0)
    t.bow(6.0, 2.2)
    t.flat(2.0)
    t.taper(46.0, -3.5)
    t.bow(20.0, -3.0)
    t.flat(23.0)
    t.bow(8.0, 2.5)
    t.flat(2.5)
    t.taper(21.5, 2.5)
    t.bow(30.0, 5.0)
    t.shoulder(-8.0)
    t.flat(7.0)
    t.bow(8.0, 3.0)
    return t


def baluster(length: float = 600.0) -> Turner:
    """A long spindle that needs several pages."""
    t = Turner(20.0)
    t.flat(0.05 * length)
    t.shoulder(6.0)
    t.bow(14.0, 6.0)
    t.flat(12.0)
    t.ogee(0.1 * length, -6.0)
    t.taper(0.5 * length, 8.0)
    t.bow(20.0, -5.0)
    t.bow(12.0, 4.0)
    t.taper(length - t.z[-1], -6.0)
    return t


def any_piece(rng: np.random.Generator, fillets: bool = True) -> Turner:
    """A piece of random features, such that neighbours can be told apart by eye.

    A fillet never meets an ogee: both are level there, and over 2 mm the arc leaves the level
    by no more than the noise.
    """
    t = Turner(float(rng.uniform(18, 30)))
    last = ""
    while t.z[-1] < 150.0:
        kind = str(rng.choice(["flat", "taper", "bead", "cove", "ogee", "shoulder"]))
        straight = last in ("flat", "taper")
        if (kind == "shoulder" and last in ("shoulder", "")) or (kind == last == "ogee"):
            continue
        if kind == "flat" and straight:
            continue
        if kind == "taper" and last in ("taper", "ogee"):
            continue
        if (kind, last) in (("ogee", "bead"), ("ogee", "cove")):
            continue  # a level end against a bow is a corner, yet no turner would leave it
        width = float(rng.uniform(4, 12))
        if kind == "flat":
            narrow = fillets and last not in ("", "ogee")
            t.flat(float(rng.uniform(2.0, 3.5) if narrow and rng.random() < 0.5
                         else rng.uniform(8.0, 30.0)))  # fmt: skip
        elif kind == "taper":
            long = float(rng.uniform(15, 50))
            t.taper(long, float(rng.choice([-1, 1]) * rng.uniform(0.06, 0.2) * min(long, 25.0)))
        elif kind == "bead":
            t.bow(width, float(rng.uniform(0.25, 0.48)) * width)
        elif kind == "cove":
            width *= 1.6
            t.bow(width, -float(rng.uniform(0.15, 0.35)) * width)
        elif kind == "ogee":
            if t.made and t.made[-1].kind == "fillet":
                continue
            long = float(rng.uniform(14, 40))
            t.ogee(long, float(rng.choice([-1, 1]) * rng.uniform(0.15, 0.3) * min(long, 20.0)))
        else:
            t.shoulder(float(rng.choice([-1, 1]) * rng.uniform(1.5, 5.0)))
        last = kind
        if not 9.0 < t.r[-1] < 45.0:
            return any_piece(rng, fillets)
    if last == "shoulder" or t.made[-1].kind == "fillet":
        return any_piece(rng, fillets)
    return t


def names_of(made: list[Made]) -> list[str]:
    """Return what the features should be called: a low end between shoulder and air is a tenon."""
    names = [m.kind for m in made]
    for end, beside in ((0, 1), (-1, -2)):
        low = len(made) > 2 and made[beside].kind == "shoulder"
        if low and names[end] == "cylinder" and made[end].diameter < made[beside].diameter - 1.0:
            names[end] = "tenon"
    return names
