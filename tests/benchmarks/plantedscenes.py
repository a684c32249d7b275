"""Scenes of pieces with planted errors: a plan, and turnings of it that are off by known amounts.

All lie on the bench beside an ID-1 card, the phone tilted by about 25 degrees, 2016 x 1512 pixels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_images.rendering.pieces import mill_of_the_set, random_piece
from sample_images.rendering.scene import Scene
from sample_images.rendering.staging import StageError
from tests.benchmarks.benchscenes import beside_card
from tests.benchmarks.scenedraws import Subject

__all__ = ["CASES", "PLANS", "Case", "Error", "piece_of", "scene_of"]

FloatArray = NDArray[np.float64]

SIZE_PX = (2016, 1512)
TILTS_DEG = (23.0, 27.0)
RAMP_MM = 0.5
TRIES = 300

PLANS: dict[str, FloatArray] = {
    "mill": mill_of_the_set(1),
    "spindle": random_piece(np.random.default_rng(4), "baluster", 200.0, 48.0),
}
"""Planned meridians, (n, 2) of (z, r), mm."""
WOODS = {"mill": "beech", "spindle": "maple"}


@dataclass(frozen=True, slots=True)
class Error:
    """A stretch that is off by `size_mm` on the diameter, its middle at `z_mm`."""

    z_mm: float
    size_mm: float
    width_mm: float = 8.0


@dataclass(frozen=True, slots=True)
class Case:
    """One turning of a plan; `bead` is (from, to, shift), mm, of a bead that moved."""

    name: str
    plan: str
    errors: tuple[Error, ...] = ()
    bead: tuple[float, float, float] | None = None
    scale: float = 1.0


CASES = (
    Case("mill-true", "mill"),
    Case(
        "mill-errors-a",
        "mill",
        (
            Error(7.0, -0.5),
            Error(50.0, 0.3),
            Error(82.0, 0.5),
            Error(105.0, -0.3),
            Error(136.5, 1.0, 5.0),
            Error(162.0, -1.0),
        ),
    ),
    Case(
        "mill-errors-b",
        "mill",
        (
            Error(7.0, 0.3),
            Error(50.0, -0.5),
            Error(82.0, -1.0),
            Error(105.0, 0.5),
            Error(136.5, -0.3, 5.0),
            Error(162.0, 1.0),
        ),
    ),
    Case("mill-bead", "mill", bead=(24.6, 31.4, 1.0)),
    Case("mill-small", "mill", scale=0.995),
    Case("spindle-true", "spindle"),
    Case(
        "spindle-errors-a",
        "spindle",
        (
            Error(10.0, 0.5),
            Error(26.0, -1.0),
            Error(62.0, 0.3),
            Error(88.0, -0.5),
            Error(138.0, 1.0),
            Error(190.0, -0.3),
        ),
    ),
    Case(
        "spindle-errors-b",
        "spindle",
        (
            Error(10.0, -0.3),
            Error(26.0, 0.5),
            Error(62.0, 1.0),
            Error(88.0, 0.3),
            Error(138.0, -0.5),
            Error(190.0, -1.0),
        ),
    ),
)


def piece_of(case: Case) -> FloatArray:
    """Return the meridian that was turned, (n, 2) of (z, r), mm."""
    zr = PLANS[case.plan].copy()
    if case.bead is not None:
        low, high, shift = case.bead
        # Its fillets give way: one grows by the shift, the other shrinks.
        place = [-1e3, low - 1.5, low, high, high + 1.5, 1e3]
        zr[:, 0] += np.interp(zr[:, 0], place, [0.0, 0.0, shift, shift, 0.0, 0.0])
    for error in case.errors:
        zr = _with_points(zr, error)
        edge = 0.5 * error.width_mm
        off = np.abs(zr[:, 0] - error.z_mm)
        zr[:, 1] += 0.5 * error.size_mm * np.clip((edge - off) / RAMP_MM + 0.5, 0.0, 1.0)
    return zr * case.scale


def _with_points(zr: FloatArray, error: Error) -> FloatArray:
    """Return a meridian with points where the error begins, is whole, and ends."""
    edge, half = 0.5 * error.width_mm, 0.5 * RAMP_MM
    z = error.z_mm + np.array([-edge - half, -edge + half, edge - half, edge + half])
    z = z[~np.isin(z, zr[:, 0])]
    at = np.searchsorted(zr[:, 0], z)
    r = np.interp(z, zr[:, 0], zr[:, 1])
    return np.insert(zr, at, np.column_stack([z, r]), axis=0)


def scene_of(case: Case) -> Scene:
    """Return the scene; each case is drawn from its own place in the list."""
    rng = np.random.default_rng([20, [c.name for c in CASES].index(case.name)])
    subject = Subject(piece_of(case), WOODS[case.plan], 11, {"case": case.name})
    for _ in range(TRIES):
        try:
            return beside_card(rng, case.name, SIZE_PX, subject, TILTS_DEG)
        except StageError:
            continue
    raise RuntimeError(f"no scene of {case.name} in {TRIES} draws")
