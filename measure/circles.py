"""A circle in a plane, fitted by least squares of distances, also through a photo of it.

The photo of a circle is an ellipse whose centre is not the picture of the circle's centre. So
the circle itself is fitted: its centre and radius in the plane, such that its projection passes
the edge points in the photo as closely as may be [GanderGolubStrebel1994].
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.view import View

__all__ = [
    "Circle",
    "CircleFit",
    "arc_degrees",
    "circle_points",
    "fit_circle",
    "fit_circle_algebraic",
    "fit_projected_circle",
]

FloatArray = NDArray[np.float64]
ROUNDS = 60


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle in a plane: centre (2,) and radius, mm or whatever the points are in."""

    centre: FloatArray
    radius: float


@dataclass(frozen=True, slots=True)
class CircleFit:
    """A fitted circle.

    Attributes
    ----------
    circle : the circle.
    covariance : (3, 3) of (x, y, radius), from the scatter of the points.
    residuals : (n,) distance of each point, outward positive; in pixels through a photo.
    weights : (n,) robust weights, near 0 for points that are not on the circle.
    """

    circle: Circle
    covariance: FloatArray
    residuals: FloatArray
    weights: FloatArray


def fit_circle_algebraic(points: FloatArray) -> Circle:
    """Return the circle that minimises the algebraic distance, for a first guess only.

    It is drawn toward small radii where the points cover a short arc.

    Parameters
    ----------
    points : (n, 2), n >= 3.

    Raises
    ------
    ValueError
        If there are fewer than three points or all lie on a line.
    """
    if len(points) < 3:
        raise ValueError(f"got {len(points)} points, need 3 or more for a circle")
    middle = points.mean(axis=0)
    p = points - middle
    # a (x^2 + y^2) + b x + c y + d = 0 with unit length of (a, b, c, d).
    matrix = np.column_stack([np.sum(points**2, axis=1), points, np.ones(len(points))])
    a, b, c, d = np.linalg.svd(matrix, full_matrices=True)[2][-1]
    spread = float(np.sqrt(np.mean(p**2)))
    if abs(a) * spread < 1e-12 * float(np.hypot(b, c)):
        raise ValueError("the points lie on a line; no circle passes them")
    centre = np.array([-b, -c]) / (2.0 * a)
    return Circle(centre, float(np.sqrt(max(float(centre @ centre) - d / a, 0.0))))


def fit_circle(points: FloatArray, start: Circle | None = None) -> CircleFit:
    """Return the circle with the least sum of squared distances from points, (n, 2).

    References
    ----------
    [GanderGolubStrebel1994], section 3.2.
    """
    p = np.asarray(points, dtype=np.float64)
    guess = _moderate(p) if start is None else start
    return _solve(p, np.ones(len(p)), guess, robust=np.inf)


def fit_projected_circle(
    points_px: FloatArray,
    sd_px: FloatArray,
    view: View,
    height_mm: float,
    start: Circle | None = None,
    robust: float = 2.5,
) -> CircleFit:
    """Return the circle in the plane Z = height whose projection passes points of a photo.

    Parameters
    ----------
    points_px, sd_px : (n, 2) edge points, and (n,) standard deviation across the edge.
    view, height_mm : the view of the target, and the plane in its frame.
    start : first guess, mm.
    robust : points farther off than this many standard deviations lose weight (Cauchy);
        infinite for plain least squares.

    Returns
    -------
    The fit; circle in mm in the target frame, residuals in pixels across the projected circle.
    """
    on = view.on_plane(points_px, height_mm)
    guess = _moderate(on) if start is None else start
    fit = CircleFit(guess, np.zeros((3, 3)), np.zeros(0), np.zeros(0))
    for _ in range(3):
        scale = _px_per_mm(view, height_mm, on, fit.circle)
        fit = _solve(on, sd_px / scale, fit.circle, robust)
    return CircleFit(fit.circle, fit.covariance, fit.residuals * scale, fit.weights)


def _px_per_mm(view: View, height_mm: float, on: FloatArray, circle: Circle) -> FloatArray:
    """Return how many pixels across the projected circle a millimetre off it makes, (n,)."""
    out = on - circle.centre
    out = out / np.maximum(np.linalg.norm(out, axis=1), 1e-9)[:, None]
    along = np.column_stack([-out[:, 1], out[:, 0]])
    foot = circle.centre + circle.radius * out

    def to_px(points: FloatArray) -> FloatArray:
        return view.to_pixels(np.column_stack([points, np.full(len(points), height_mm)]))

    h = 0.01
    step = (to_px(foot + h * out) - to_px(foot - h * out)) / (2.0 * h)
    tangent = to_px(foot + h * along) - to_px(foot - h * along)
    tangent = tangent / np.linalg.norm(tangent, axis=1)[:, None]
    # Across the curve in the photo: the step's part square to the curve's picture.
    return np.asarray(np.abs(step[:, 0] * tangent[:, 1] - step[:, 1] * tangent[:, 0]))


def circle_points(circle: Circle, count: int) -> FloatArray:
    """Return points of a circle at equal angles, (count, 2), from +x toward +y."""
    t = 2.0 * np.pi * np.arange(count) / count
    return circle.centre + circle.radius * np.column_stack([np.cos(t), np.sin(t)])


def arc_degrees(points: FloatArray, centre: FloatArray, cell_deg: float = 4.0) -> float:
    """Return how many degrees of arc round a centre hold at least one of the points, (n, 2)."""
    off = points - centre
    turn = np.degrees(np.arctan2(off[:, 1], off[:, 0])) % 360.0
    cells = round(360.0 / cell_deg)
    return cell_deg * len(np.unique((turn / cell_deg).astype(int) % cells))


def _moderate(points: FloatArray) -> Circle:
    try:
        return fit_circle_algebraic(points)
    except ValueError:
        middle = points.mean(axis=0)
        return Circle(middle, float(np.mean(np.linalg.norm(points - middle, axis=1))))


def _solve(points: FloatArray, sd: FloatArray, start: Circle, robust: float) -> CircleFit:
    """Minimise the distances over their standard deviations by Gauss-Newton steps."""
    x = np.array([*start.centre, start.radius])
    weights = np.ones(len(points))
    r = np.zeros(len(points))
    normal = np.eye(3)
    for _ in range(ROUNDS):
        out = points - x[:2]
        distance = np.maximum(np.linalg.norm(out, axis=1), 1e-12)
        r = (distance - x[2]) / sd
        if np.isfinite(robust):
            weights = 1.0 / (1.0 + (r / robust) ** 2)
        J = -np.column_stack([out / distance[:, None], np.ones(len(points))]) / sd[:, None]
        normal = J.T @ (weights[:, None] * J)
        step = -np.linalg.lstsq(normal, J.T @ (weights * r), rcond=None)[0]
        x = x + step
        if np.all(np.abs(step) < 1e-10 * (1.0 + abs(x[2]))):
            break
    free = max(float(weights.sum()) - 3.0, 1.0)
    spread = max(float(np.sum(weights * r**2)) / free, 1e-12)
    covariance = np.asarray(np.linalg.pinv(normal) * spread, dtype=np.float64)
    return CircleFit(Circle(x[:2].copy(), abs(float(x[2]))), covariance, r * sd, weights)
