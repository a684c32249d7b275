"""Look again at a simplified run: was a curve cut into straights?

A line is cheaper than an arc as long as the segments are not joined; that an arc flows into its
neighbours, and so is the cheaper one, shows only later.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from measure.chain import directions
from measure.chainfit import ChainFit, fit_chain
from measure.runfit import RunFit, arcs_of, simplify

__all__ = ["searched"]

FAINT_RAD = 0.3
"""A corner of less than 17 degrees beside a curve may be one that the piece does not have."""
LONGEST_MM = 10.0
"""A longer straight is one: no curve is cut into such (common practice, no source)."""
MOST_TURNS = 4
GAIN = 1.0
"""Another fit must be better by so much, in squared standard deviations, to be taken."""


def searched(run: RunFit, price: float, tie_price: float) -> RunFit:
    """Return the run with the better fit, if one of its neighbours is; see `fit_run`."""
    fit = run.fit
    for _ in range(MOST_TURNS):
        best = fit
        for trial in _trials(run, fit, price, tie_price):
            if trial.criterion(tie_price) < best.criterion(tie_price) - GAIN:
                best = trial
        if best is fit:
            break
        fit = best
    return RunFit(run.z, run.r, run.sigma, fit)


def _trials(run: RunFit, fit: ChainFit, price: float, tie_price: float) -> Iterator[ChainFit]:
    """Return fits that have an arc in place of a short line, flowing into its neighbours."""
    chain, arcs = fit.chain, arcs_of(fit)
    starts, ends = directions(chain.z_mm, chain.r_mm, chain.bulge)
    turns = np.concatenate([[0.0], starts[1:] - ends[:-1], [0.0]])
    tied = {k for name, k in fit.ties if name == "tangent"}
    faint = {
        k
        for k in range(1, len(arcs))
        if k not in tied and abs(turns[k]) < FAINT_RAD and (arcs[k - 1] or arcs[k])
    }
    rows = (run.z, run.r, run.sigma)
    for k in range(len(arcs)):
        is_level = ("level", k) in fit.ties
        long = chain.z_mm[k + 1] - chain.z_mm[k] > LONGEST_MM
        if arcs[k] or is_level or long or not {k, k + 1} & faint:
            continue
        bent = arcs.copy()
        bent[k] = True
        joints = [j for j in (k, k + 1) if j in faint]
        for some in [joints] if len(joints) == 1 else [joints, joints[:1], joints[1:]]:
            ties = (*fit.ties, *(("tangent", j) for j in some))
            trial = fit_chain(*rows, chain, bent, ties)
            yield simplify(*rows, trial, price, tie_price)
