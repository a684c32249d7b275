"""Least squares with priors and a robust loss, and the covariance that goes with it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["Remembered", "Solution", "jacobian", "solve"]

FloatArray = NDArray[np.float64]
Residuals = Callable[[FloatArray], FloatArray]
Value = TypeVar("Value")


class Remembered(Generic[Value]):
    """A function of some of the unknowns, worked out anew only when one of them has changed.

    A Jacobian's columns move one unknown at a time, and most leave most of the residuals alone.
    """

    def __init__(
        self, function: Callable[[FloatArray], Value], places: slice | NDArray[np.int64]
    ) -> None:
        """Take a function of all unknowns (n,) that depends on those at some places only."""
        self._function, self._places = function, places
        self._last: tuple[bytes, Value] | None = None

    def __call__(self, x: FloatArray) -> Value:
        """Return the function's value at the unknowns (n,)."""
        key = x[self._places].tobytes()
        if self._last is None or key != self._last[0]:
            self._last = key, self._function(x)
        return self._last[1]


@dataclass(frozen=True, slots=True)
class Solution:
    """A minimum of the sum of squares.

    Attributes
    ----------
    x : (n,) parameters.
    covariance : (n, n) inverse of the weighted normal matrix, for residuals of unit variance.
    cost : half the robust sum of squares.
    weights : (m,) robust weights of the residuals, 1 for those kept whole.
    converged : whether the last step was small.
    """

    x: FloatArray
    covariance: FloatArray
    cost: float
    weights: FloatArray
    converged: bool


def jacobian(
    residuals: Residuals, x: FloatArray, steps: FloatArray, at_x: FloatArray | None = None
) -> FloatArray:
    """Return the Jacobian, shape (m, n), of a residual function by differences.

    Central differences; one-sided ones, at half the cost, where `at_x`, the residuals at x, are
    given.
    """
    columns = []
    for i, h in enumerate(steps):
        up = x.copy()
        up[i] += h
        if at_x is not None:
            columns.append((residuals(up) - at_x) / h)
            continue
        down = x.copy()
        down[i] -= h
        columns.append((residuals(up) - residuals(down)) / (2.0 * h))
    return np.stack(columns, axis=1)


def _robust(r: FloatArray, scale: FloatArray) -> tuple[FloatArray, float]:
    # Cauchy's loss where the scale is finite, plain squares where it is infinite.
    # A trial step may lead to what cannot be computed: its cost is then no number, and refused.
    with np.errstate(invalid="ignore", over="ignore"):
        ratio = (r / scale) ** 2
        finite = np.isfinite(scale)
        weights = 1.0 / (1.0 + ratio)
        bounded = np.where(finite, scale, 1.0) ** 2 * np.log1p(ratio)
        return weights, 0.5 * float(np.sum(np.where(finite, bounded, r**2)))


def _inverse(normal: FloatArray) -> FloatArray:
    # Scaled to a unit diagonal first: a focal length in pixels and a turn in radians differ so
    # much that the pseudo-inverse would take the least known of the unknowns for certain.
    d = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    return np.asarray(np.linalg.pinv(normal * np.outer(d, d), hermitian=True) * np.outer(d, d))


def solve(
    residuals: Residuals,
    start: FloatArray,
    steps: FloatArray,
    robust_scale: float | FloatArray = np.inf,
    iterations: int = 20,
    tolerance: float = 1e-3,
) -> Solution:
    """Minimise the sum of squares of whitened residuals by damped Gauss-Newton steps.

    Parameters
    ----------
    residuals : function of (n,) parameters giving (m,) whitened residuals, priors included; its
        length must not change.
    start : (n,) first guess.
    steps : (n,) difference steps, small against each parameter's uncertainty.
    robust_scale : Cauchy scale for all or each of the residuals; infinite for plain squares.
    iterations : most steps taken.
    tolerance : a step is small when every parameter moves less than this fraction of its
        standard deviation.

    References
    ----------
    [Madsen2004] for the damping rule.
    """
    x = start.astype(np.float64).copy()
    r = residuals(x)
    scale = np.broadcast_to(np.asarray(robust_scale, dtype=np.float64), r.shape)
    weights, cost = _robust(r, scale)
    damping = 1e-6
    converged = False
    normal = np.eye(len(x))
    for _ in range(iterations):
        J = jacobian(residuals, x, steps, r)
        normal = J.T @ (weights[:, None] * J)
        gradient = J.T @ (weights * r)
        diagonal = np.diag(normal) + 1e-30
        sd = np.sqrt(np.maximum(np.diag(_inverse(normal)), 1e-300))
        wanted = -np.linalg.solve(normal + np.diag(damping * diagonal), gradient)
        for _ in range(8):
            even = 1.0 / np.sqrt(diagonal)
            matrix = normal * even[:, None] * even + damping * np.eye(len(x))
            delta = -even * np.linalg.solve(matrix, even * gradient)
            r_new = residuals(x + delta)
            weights_new, cost_new = _robust(r_new, scale)
            if np.isfinite(cost_new) and cost_new <= cost * (1 + 1e-12):
                damping = max(damping * 0.1, 1e-9)
                break
            damping = max(damping * 10.0, 1e-6)
        else:
            # No step lowers the cost: a minimum only if the wanted step is small as well.
            converged = bool(np.all(np.abs(wanted) < tolerance * sd))
            break
        x, r, weights, cost = x + delta, r_new, weights_new, cost_new
        if np.all(np.abs(delta) < tolerance * sd):
            converged = True
            break
    J = jacobian(residuals, x, steps, r)
    covariance = _inverse(J.T @ (weights[:, None] * J))
    return Solution(x, covariance, cost, weights, converged)
