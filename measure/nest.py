"""Which of the circles followed in a photo are those of one end face, and of the steps down it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from measure.circleedge import EdgeCircle
from measure.face import DEPTH_SD_MM, circle_names

__all__ = ["ASTRAY_SD_MM", "LEAST_ARC_DEG", "mouth_of", "one_face", "with_told_steps"]

FloatArray = NDArray[np.float64]

LEAST_ARC_DEG = 60.0
"""Below this no diameter is given, even in a box."""
ASTRAY_SD_MM = 0.2
"""Standard uncertainty of how true bores run to the rim (common practice, no source)."""
NEST_MM = 0.5
"""A circle may stick out of the one round it by this and still lie in it: torn or broken rims."""
SURE = 3.0
"""Standard uncertainties that a step may lie off its place."""
LEDGE_MM = 0.5
"""A circle at the foot of a bore that is narrower by less is the corner of the bore itself."""


def one_face(edges: list[EdgeCircle]) -> list[EdgeCircle]:
    """Return the largest set of circles that lie in one another: those of one end face.

    Parameters
    ----------
    edges : largest first.
    """
    best: list[EdgeCircle] = []
    for outer in edges:
        nest = [outer]
        for edge in edges:
            last = nest[-1].circle
            room = (
                last.radius
                - edge.circle.radius
                - float(np.linalg.norm(edge.circle.centre - last.centre))
            )
            if edge.circle.radius < last.radius and room > -NEST_MM:
                nest.append(edge)
        if sum(edge.arc_deg for edge in nest) > sum(edge.arc_deg for edge in best):
            best = nest
    return best


def with_told_steps(
    face: list[EdgeCircle],
    arcs: list[EdgeCircle],
    over: FloatArray,
    depths: dict[str, float],
    rimmed: bool = True,
) -> list[EdgeCircle]:
    """Return the circles of a face with the arcs that are steps of a depth told.

    Aslant, the mouth of a bore hides part of a deeper circle, and light on its wall makes arcs
    of its own. So an arc is taken for a step only where a depth was told for one that is not
    among the whole circles, and its centre lies where that of a circle so deep on the bore's
    axis must: toward the phone's foot on the face.

    Parameters
    ----------
    face, arcs : circles of one face, and arcs that may lie in them, in the plane of the face.
    over : (3,) the phone over the face, mm.
    depths : name to depth below the face, mm.
    rimmed : as for `circle_names`.
    """
    found = sorted(face, key=lambda edge: -edge.circle.radius)
    for name, depth in sorted(depths.items(), key=lambda item: item[1]):
        if name in circle_names(len(found), rimmed):
            continue
        fitting = [
            sorted([*found, arc], key=lambda edge: -edge.circle.radius)
            for arc in sorted(arcs, key=lambda arc: -arc.arc_deg)
            if _lies_so_deep(arc, mouth_of(found, rimmed), over, depth)
        ]
        named = [
            nest for nest in fitting
            if circle_names(len(nest), rimmed)[_new(nest, found)] == name
        ]  # fmt: skip
        found = named[0] if named else found
    return found


def mouth_of(face: list[EdgeCircle], rimmed: bool) -> EdgeCircle:
    """Return the circle, of those of a face, largest first, that deeper ones are seen through."""
    return face[min(int(rimmed), len(face) - 1)]


def _new(nest: list[EdgeCircle], found: list[EdgeCircle]) -> int:
    return next(k for k, edge in enumerate(nest) if k == len(found) or edge is not found[k])


def _lies_so_deep(arc: EdgeCircle, mouth: EdgeCircle, over: FloatArray, depth: float) -> bool:
    """Return whether an arc may be a circle of the axis through the mouth, at this depth."""
    high = float(over[2])
    shift = arc.circle.centre - mouth.circle.centre
    to_eye = over[:2] - mouth.circle.centre
    expected = to_eye * depth / (high + depth)
    per_depth = float(np.linalg.norm(to_eye)) * high / (high + depth) ** 2
    sd = math.sqrt(float(np.trace(arc.covariance[:2, :2])))
    off_sd = math.hypot(sd, ASTRAY_SD_MM, per_depth * DEPTH_SD_MM)
    narrower = 2.0 * (mouth.circle.radius - arc.circle.radius * (high + depth) / high)
    return (
        arc.arc_deg >= LEAST_ARC_DEG
        and narrower > LEDGE_MM
        and float(np.linalg.norm(shift - expected)) < SURE * off_sd
    )
