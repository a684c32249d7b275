"""Turned pieces: the café's pepper mill, a few others by name, and random ones."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from sample_images.rendering.meridian import Meridian

__all__ = ["FAMILIES", "NAMED", "mill_of_the_set", "random_piece"]

FloatArray = NDArray[np.float64]
Rng = np.random.Generator


def pepper_mill() -> FloatArray:
    """Return the café's pepper mill, 212 mm long, 58 mm at the foot: (n, 2) of (z, r), mm."""
    m = Meridian().start(28.6).line(0.4, 0.4).line(13.0).to(25.6).bead(9.0, -4.2).to(24.8)
    m.line(2.0).bead(6.5, 2.6).line(1.6, -0.4).to(23.2)
    m.waist(78.0, -7.2, -0.6, 0.58).line(3.0).to(24.0).bead(5.0, 2.0).line(2.0).to(22.6)
    m.groove(1.2, 1.0).line(10.0).groove(1.2, 1.0).line(2.4).to(25.0).bead(6.0, 1.6)
    m.to(21.0).bead(8.0, -3.0).to(24.0).line(1.2).quarter(31.0, -15.5, bulge=False)
    m.to(7.0).line(2.0).quarter(8.5, 5.0, bulge=True).quarter(10.0, -9.6, bulge=False)
    m.quarter(1.2, -2.4, bulge=False)
    return m.scaled(212.0, 58.0)


def mill_of_the_set(number: int) -> FloatArray:
    """Return one of the café's six mills: hand work, so each differs by a few tenths."""
    length, diameter = np.random.default_rng([6, number]).normal((212.0, 58.0), (0.5, 0.25))
    zr = pepper_mill() * (length / 212.0, diameter / 58.0)
    return np.asarray(zr)


def salt_mill() -> FloatArray:
    """Return the squat mill that stands beside it: 118 mm long, 62 mm across."""
    m = Meridian().start(29.0).quarter(2.0, 2.0, bulge=True).line(8.0).ogee(26.0, -9.0)
    m.waist(30.0, -2.0, 6.0).to(25.0).line(3.0).to(28.0).bead(10.0, 1.8).to(24.0).line(2.0)
    m.to(27.0).dome(30.0)
    return m.scaled(118.0, 62.0)


def stepped_borer() -> FloatArray:
    """Return the steel borer that opens the mills' throats: 140 mm, steps of 24, 30 and 38 mm."""
    m = Meridian().start(5.2).line(0.8, 0.8).line(58.0).to(19.0).line(12.0).to(15.0).line(20.0)
    m.to(12.0).line(40.0).line(9.2, -9.2)
    return m.scaled(140.0, 38.0)


def mill(rng: Rng) -> Meridian:
    """A pepper mill of random proportions: foot, waist, head, knob."""
    u = rng.uniform
    m = Meridian().start(u(24, 29)).line(u(7, 14)).line(0.0, -u(1, 4)).bead(u(6, 11), -u(2, 5))
    m.line(u(0.5, 2)).line(0.0, u(-1.5, 1.5)).bead(u(4, 8), u(1.5, 3)).line(u(0.5, 2), -u(0, 0.6))
    m.waist(u(50, 95), -u(3, 9), -u(-3, 4), u(0.35, 0.65)).line(u(1, 4))
    m.line(0.0, u(-1.5, 1.5)).bead(u(4, 7), u(1, 2.5)).line(u(1, 3)).line(0.0, -u(1, 2.5))
    m.groove(u(0.8, 1.6), u(0.6, 1.4)).line(u(5, 12)).line(0.0, u(0.5, 3)).bead(u(4, 8), u(1, 2))
    m.line(0.0, -u(2, 5)).line(u(1, 3)).line(0.0, u(1, 4)).quarter(
        u(16, 34), -u(9, 16), bulge=False
    )
    m.to(u(5, 7)).line(u(1, 3)).quarter(u(5, 10), u(2, 5), bulge=True)
    return m.dome(u(6, 12))


def baluster(rng: Rng) -> Meridian:
    """A baluster: tenon, square shoulders, beads and coves in random order, tenon."""
    u = rng.uniform
    m = Meridian().start(u(7, 12)).line(u(10, 25)).to(u(18, 24)).line(u(10, 25))
    for _ in range(int(rng.integers(2, 5))):
        _ornament(m, rng)
    m.waist(u(50, 110), u(2, 7), -u(0, 5), u(0.2, 0.6))
    for _ in range(int(rng.integers(1, 4))):
        _ornament(m, rng)
    m.to(u(17, 24)).line(u(8, 25)).to(u(6, 12)).line(u(10, 22))
    return m


def handle(rng: Rng) -> Meridian:
    """A tool handle: ferrule, swell, hollow, round butt."""
    u = rng.uniform
    m = Meridian().start(u(8, 11)).line(u(12, 22)).line(0.0, u(0.8, 3))
    if rng.random() < 0.6:
        m.bead(u(4, 7), u(1, 2.5))
    m.waist(u(40, 80), u(2, 5), -u(-2, 3), u(0.4, 0.6)).waist(u(40, 90), u(1, 6), u(0, 3), 0.6)
    if rng.random() < 0.5:
        m.groove(u(0.8, 1.5), u(0.5, 1.0)).line(u(2, 5)).groove(u(0.8, 1.5), u(0.5, 1.0))
    return m.line(u(1, 5)).dome(u(5, 14))


def rolling_pin(rng: Rng) -> Meridian:
    """A pin with unequal tenons: long cylinders or a slight barrel."""
    u = rng.uniform
    m = Meridian().start(u(6, 11)).line(u(12, 40)).to(u(17, 25)).line(u(0.3, 1), u(0.3, 1))
    m.waist(u(80, 160), u(-0.8, 2.5), u(-2.5, 2.5), u(0.3, 0.7)).line(0.0, -u(5, 9)).line(u(8, 40))
    return m.line(u(0.5, 1.5), -u(0.5, 1.5))


def finial(rng: Rng) -> Meridian:
    """A finial: tenon, flange, urn, ball or drop on top."""
    u = rng.uniform
    m = Meridian().start(u(5, 8)).line(u(10, 18)).to(u(16, 24)).line(u(3, 7)).to(u(11, 15))
    m.bead(u(6, 10), -u(2, 4)).bead(u(3, 6), u(1, 2.5)).ogee(u(12, 30), u(4, 9))
    m.line(u(1, 3)).ogee(u(10, 22), -u(6, 10)).to(u(6, 8)).bead(u(3, 5), u(1, 2.5)).line(u(1, 2))
    return m.quarter(u(7, 13), u(3, 7), bulge=True).dome(u(9, 22))


def bobbin(rng: Rng) -> Meridian:
    """A bobbin with two flanges of unequal size."""
    u = rng.uniform
    m = Meridian().start(u(18, 24)).line(u(0.3, 0.8), u(0.3, 0.8)).line(u(5, 10)).to(u(9, 14))
    m.line(u(10, 40)).bead(u(4, 9), u(1, 4)).waist(u(25, 50), u(-2, 3), u(-2, 2)).to(u(16, 23))
    m.bead(u(6, 12), u(0.5, 2))
    return m.to(u(8, 12)).line(u(3, 10))


def goblet(rng: Rng) -> Meridian:
    """A plate-like foot on a stem with a cup: large steps of diameter."""
    u = rng.uniform
    m = Meridian().start(u(24, 30)).line(u(2, 4)).quarter(u(3, 6), -u(12, 16), bulge=True)
    m.line(u(2, 4), -u(0, 1)).bead(u(3, 6), u(1, 2.5)).waist(u(25, 55), -u(0.5, 2.5), u(-1, 2))
    m.bead(u(4, 7), u(1.5, 3)).quarter(u(16, 26), u(8, 14), bulge=True).line(u(10, 25), u(-2, 2))
    return m


def borer(rng: Rng) -> Meridian:
    """A stepped steel borer: shank, steps, chamfered nose."""
    u = rng.uniform
    m = Meridian().start(u(5, 7)).line(0.8, 0.8).line(u(30, 60)).to(u(17, 22)).line(u(8, 16))
    for _ in range(int(rng.integers(1, 4))):
        m.line(0.0, -u(1.5, 3.5)).line(u(12, 30))
    return m.line(u(2, 5), -u(2, 5))


def _ornament(m: Meridian, rng: Rng) -> None:
    u = rng.uniform
    kind = rng.integers(0, 5)
    if kind == 0:
        m.line(0.0, -u(1, 4)).bead(u(4, 10), u(1.5, 3.5)).line(u(0.5, 2))
    elif kind == 1:
        m.line(0.0, -u(0.5, 2)).bead(u(6, 14), -u(2, 5)).line(u(0.5, 2))
    elif kind == 2:
        m.to(u(13, 19)).line(u(3, 9))
    elif kind == 3:
        m.ogee(u(8, 16), u(-4, 4) if m.r > 14.0 else u(2, 6)).line(u(0.5, 2))
    else:
        m.groove(u(1, 2.5), u(0.6, 1.6)).line(u(2, 5))
    if m.r < 9.0:
        m.to(u(12, 16))


FAMILIES: dict[str, Callable[[Rng], Meridian]] = {
    "mill": mill,
    "baluster": baluster,
    "handle": handle,
    "rolling pin": rolling_pin,
    "finial": finial,
    "bobbin": bobbin,
    "goblet": goblet,
    "borer": borer,
}
"""Makers of random pieces, by name. `borer` is steel, the others are wood."""

NAMED: dict[str, Callable[[], FloatArray]] = {
    "pepper mill": pepper_mill,
    "salt mill": salt_mill,
    "stepped borer": stepped_borer,
}
"""Pieces of the café scenario, by name."""


def random_piece(rng: Rng, family: str, length_mm: float, diameter_mm: float) -> FloatArray:
    """Return a random piece of a family, stretched to a length and largest diameter.

    Returns
    -------
    (n, 2) of (z, r), mm, from end A at z = 0; half of the pieces are turned end for end.
    """
    zr = FAMILIES[family](rng).scaled(length_mm, diameter_mm)
    if rng.random() < 0.5:
        zr = np.column_stack([length_mm - zr[::-1, 0], zr[::-1, 1]])
    return zr
