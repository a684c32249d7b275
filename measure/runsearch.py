"""Look again at a simplified run: is there a chain beside it that the rows like better?"""

from __future__ import annotations

import numpy as np

from measure.chainequations import tie_value
from measure.chainfit import ChainFit
from measure.runfit import RunFit, simplify
from measure.runtrials import trials_of

__all__ = ["GAIN", "searched"]

MOST_TURNS = 4
GAIN = 1.0
"""Another fit must be better by so much, in squared standard deviations, to be taken."""
OBEYED = 1e-2
"""mm or radian: a tie that is off by more was not to be had, and saves no free number."""
LEAST_MM = 0.5
"""Two rows: nothing shorter is a segment."""


def searched(run: RunFit, price: float, tie_price: float, supported: float) -> RunFit:
    """Return the run with the better fit, if one of its neighbours is.

    A fit is better where it is so at every price: a number more must earn the dearest, the price
    of a line or arc; a number less may lose no more than the cheapest.

    Parameters
    ----------
    price, tie_price : see `fit_run`.
    supported : price of a free number by the scatter of the rows alone.
    """
    prices = (price, tie_price, supported)
    fit = run.fit
    for _ in range(MOST_TURNS):
        best = fit
        for trial in trials_of(run, fit, price):
            if _is_met(trial) and _is_better(trial, best, prices):
                simple = simplify(run.z, run.r, run.sigma, trial, price, tie_price)
                best = simple if _is_met(simple) else trial
        if best is fit:
            break
        fit = best
    return RunFit(run.z, run.r, run.sigma, fit)


def _is_better(trial: ChainFit, than: ChainFit, prices: tuple[float, ...]) -> bool:
    return all(trial.criterion(p) < than.criterion(p) - GAIN for p in prices)


def _is_met(fit: ChainFit) -> bool:
    """Say whether a fit does what it says: ties obeyed, nothing shorter than two rows."""
    ties = all(abs(tie_value(fit.chain, tie)[0]) < OBEYED for tie in fit.ties)
    return ties and bool(np.all(np.diff(fit.chain.z_mm) > LEAST_MM))
