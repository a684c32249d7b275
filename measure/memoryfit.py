"""Fit chains anew to rows that remember their neighbours: what joins where is told more truly.

A fit that takes the rows for independent is pulled along by their slow wobble as if many rows bore
it out. Generalised least squares weigh what is new in each row [Aitken1935].
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from measure.chain import Chain
from measure.chainequations import ChainProblem
from measure.chainfit import is_sound, put_numbers
from measure.rowmemory import LONGEST_ROWS, Memory, memory_of
from measure.runfit import RunFit

__all__ = ["fitted_with_memory"]

FloatArray = NDArray[np.float64]

MOST_STEPS = 12
SHORTEST_ROWS = 2 * LONGEST_ROWS
"""A run not much longer than the memory cannot be told from its own wobble: it stays as it was."""
GAIN = 0.05
"""A step that could gain less, in squared standard deviations, is the last."""


def fitted_with_memory(pieces: list[list[RunFit]]) -> list[list[RunFit]]:
    """Return the runs with their chains moved; segments, ties and all else stay.

    Parameters
    ----------
    pieces : the runs of each gapless piece, fitted as if their rows were independent.
    """
    problems = [[_problem(run) for run in piece] for piece in pieces]
    left = [
        problem.dense(run.fit.chain)[0]
        for piece, own in zip(pieces, problems, strict=True)
        for run, problem in zip(piece, own, strict=True)
        if len(run.fit.chain.bulge)
    ]
    memory = memory_of(left)
    return [
        [
            replace(run, fit=replace(run.fit, chain=_moved(run, problem, memory)))
            if len(run.z) >= SHORTEST_ROWS
            else run
            for run, problem in zip(piece, own, strict=True)
        ]
        for piece, own in zip(pieces, problems, strict=True)
    ]


def _problem(run: RunFit) -> ChainProblem:
    fit = run.fit
    return ChainProblem((run.z, run.r, run.sigma), fit.columns, fit.ties, len(fit.chain.bulge))


def _moved(run: RunFit, problem: ChainProblem, memory: Memory) -> Chain:
    """Return the chain with the least squares of what is new in each row [Marquardt1963]."""
    columns, chain = run.fit.columns, run.fit.chain
    numbers = {"z": chain.z_mm, "r": chain.r_mm, "bulge": chain.bulge}
    x = np.array([numbers[what][k] for what, k in columns])
    value, slopes = _new(problem, memory, chain)
    damping = 1e-3
    for _ in range(MOST_STEPS):
        normal, pull = slopes.T @ slopes, slopes.T @ value
        lift = damping * np.diag(np.diag(normal)) + 1e-12 * np.eye(len(x))
        step = -np.linalg.lstsq(normal + lift, pull, rcond=None)[0]
        if -float(pull @ step) < GAIN:
            break
        trial = put_numbers(chain, columns, x + step)
        there = _new(problem, memory, trial) if is_sound(trial) else None
        if there is not None and there[0] @ there[0] <= value @ value:
            x, chain, (value, slopes) = x + step, trial, there
            damping = max(damping * 0.1, 1e-9)
        else:
            damping = max(damping * 10.0, 1e-3)
    return chain


def _new(problem: ChainProblem, memory: Memory, chain: Chain) -> tuple[FloatArray, FloatArray]:
    """Return what is new in each row, and the ties, with their slopes."""
    value, slopes = problem.dense(chain)
    rows = memory.whitened(np.column_stack([value, slopes]))
    ties, pulls = problem.dense_ties(chain)
    return np.concatenate([rows[:, 0], ties]), np.vstack([rows[:, 1:], pulls])
