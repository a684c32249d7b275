"""How well the rows tell where the segments of a chain join."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from measure.chain import Chain, directions
from measure.chainequations import Tie
from measure.chainfit import ChainFit, fit_chain
from measure.runfit import RunFit

__all__ = ["place_u95"]

FloatArray = NDArray[np.float64]

CHI2_95 = 3.841
"""95 % point of chi-squared with one degree of freedom."""
FAINT_RAD = 0.15
"""At corners of more than 8 degrees the rows place a joint so well that it moves in proportion."""
FIRST_STEP_MM = 0.5
GAIN = 0.1
"""Nearer than this to the least squares, in squared standard deviations, makes no difference."""
LEAST_MM = 0.5
"""No segment is made shorter than this."""


def place_u95(run: RunFit, spread: float) -> FloatArray:
    """Return the 95 % half-width of the z of each node, shape (nodes,), mm; 0 at the ends.

    That two curves flow into each other is a guess that the rows do not contradict, no more: a
    corner too faint for them moves the joint by millimetres. So such a joint is moved, with
    any corner there, as far as the rows bear it (profile likelihood, chi-squared of one free
    number).

    Parameters
    ----------
    run : the fit and its rows.
    spread : by how much the rows scatter more than independent rows of their sigma would.
    """
    width = 1.96 * spread * _place_sigma(run.fit)
    chain = run.fit.chain
    starts, ends = directions(chain.z_mm, chain.r_mm, chain.bulge)
    for k in range(1, len(chain.bulge)):
        if abs(starts[k] - ends[k - 1]) < FAINT_RAD:
            width[k] = max(width[k], _farthest_mm(_beside(run, k), spread))
    return width


def _place_sigma(fit: ChainFit) -> FloatArray:
    out = np.zeros(len(fit.chain.z_mm))
    columns = {k: j for j, (what, k) in enumerate(fit.columns) if what == "z"}
    slopes = np.zeros((len(fit.columns), len(columns)))
    slopes[list(columns.values()), np.arange(len(columns))] = 1.0
    out[list(columns)] = np.sqrt(np.maximum(fit.variances(slopes), 0.0))
    return out


@dataclass(frozen=True, slots=True)
class _Joint:
    """Two segments to either side of a joint, with their rows; `at` is the joint's node."""

    run: RunFit
    ties: tuple[Tie, ...]
    arcs: NDArray[np.bool_]
    at: int

    def chi2(self, z: float) -> tuple[float, _Joint]:
        """Return the least squared deviations with the joint at z, and the joint so fitted.

        Infinite where no room is left for a neighbour.
        """
        r = self.run
        nodes = r.fit.chain.z_mm.copy()
        nodes[self.at] = z
        if np.any(np.diff(nodes) < LEAST_MM):
            return float("inf"), self
        start = Chain(nodes, r.fit.chain.r_mm, r.fit.chain.bulge)
        fit = fit_chain(r.z, r.r, r.sigma, start, self.arcs, self.ties, self.at, GAIN)
        return fit.chi2, replace(self, run=replace(r, fit=fit))


def _beside(run: RunFit, k: int) -> _Joint:
    chain = run.fit.chain
    first, last = max(k - 2, 0), min(k + 2, len(chain.bulge))
    inside = (run.z >= chain.z_mm[first]) & (run.z <= chain.z_mm[last])
    part = Chain(
        chain.z_mm[first : last + 1], chain.r_mm[first : last + 1], chain.bulge[first:last]
    )
    free = set(run.fit.columns)
    arcs = np.array([("bulge", i) in free for i in range(first, last)])
    ties = tuple(
        (kind, i - first)
        for kind, i in run.fit.ties
        if (kind == "level" and first <= i < last)
        or (kind == "tangent" and first < i < last and i != k)
    )
    fit = replace(run.fit, chain=part)
    rows = RunFit(run.z[inside], run.r[inside], run.sigma[inside], fit)
    return _Joint(rows, ties, arcs, k - first)


def _farthest_mm(joint: _Joint, spread: float) -> float:
    """Return how far a joint may move to either side before the rows object, mm."""
    chain, at = joint.run.fit.chain, joint.at
    here = float(chain.z_mm[at])
    least, here_joint = joint.chi2(here)
    limit = CHI2_95 * spread**2
    reach = 0.0
    for side, end in ((-1.0, float(chain.z_mm[at - 1])), (1.0, float(chain.z_mm[at + 1]))):
        room = abs(end - here) - LEAST_MM
        moved, rise, step, now = 0.0, 0.0, FIRST_STEP_MM, here_joint
        while moved < room:
            further = min(moved + step, room)
            chi2, now = now.chi2(here + side * further)
            if not np.isfinite(chi2):
                break
            least = min(least, chi2)
            if chi2 - least > limit:
                low, high = np.sqrt(max(rise, 0.0)), np.sqrt(chi2 - least)
                moved += (further - moved) * (np.sqrt(limit) - low) / (high - low)
                break
            moved, rise, step = further, chi2 - least, 2.0 * step
        reach = max(reach, moved)
    return float(reach)
