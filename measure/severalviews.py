"""Several photos of one piece that was not moved, brought to one estimate.

Each photo was solved by itself. What they have in common is one lens, one card and one piece:
with that said, their estimates are one least-squares problem, solved here at the separate
solutions (first order [JCGM100], 5.1.2). No photo is looked at again.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.lens import Lens
from calib.lensequations import FOCUS_SD
from calib.sight import SideSight, Sight
from calib.view import VIEW_SIZE
from measure.carried import Carried, directions
from measure.fit import Estimate
from measure.profile import Profile
from measure.revolve import Axis
from measure.rimbias import RIM_BIAS_PX, RIM_BIAS_SD_PX
from measure.sides import SideCurve

__all__ = ["OneView", "at_one", "has_moved", "runs_backward"]

FloatArray = NDArray[np.float64]

SAME_FOCAL = 0.005
"""Lenses whose focal lengths are stated alike within this share are one lens at one zoom."""
CENTRE_SD_OF_12MP = 2.0
"""How far a steadied lens moves its centre from photo to photo, px (common practice, no source)."""
ALIKE = 0.9
"""Share of the variance of a clean rim's error that photos of one piece in one light have in
common. What more a noisy one has is its own: taken for common, it would count against the clean
ones."""
UNSAID = 1.2
"""What the photos' doubts have in common beside that, and what straight lines leave out: errors
are so much larger than the rest says (measured on exact scenes)."""
NUDGE_MM, MOVED = 0.05, 5.5
"""How still a piece lies that is not touched, and its card; and from how many standard deviations
(root of chi squared over four places) it was touched."""
ROW_MM = 2.0
"""Places that are compared are so far apart."""
ALONG_MM = 8.0
"""Where a rim is seen goes wrong over such a stretch together."""
STEEP, NEAR_MM = 0.5, 0.6
"""Places so near to where |dr/dz| is larger are not compared."""
LENS, STEP_MM = 5, 0.01
RIM = (7, 8)
"""Where the rim bias of both sides stands among what photos may share."""


@dataclass(frozen=True, slots=True)
class OneView:
    """One photo, solved by itself.

    Attributes
    ----------
    estimate, curves, carried, profile : of its tracing; z of curves and profile from its start.
    sight : what it shows of the target.
    prior : of its lens. `orientation` : how the phone was held, EXIF's value: a lens centre that
        lies off to one side does so in pictures turned alike only.
    shift_mm : z of the start in the estimate's own count.
    offset_mm : z of the first photo's profile = z of this one's + offset.
    """

    estimate: Estimate
    curves: tuple[SideCurve, SideCurve]
    carried: Carried
    profile: Profile
    sight: Sight
    prior: Lens
    shift_mm: float
    offset_mm: float
    orientation: int = 1

    def has_lens_of(self, other: OneView) -> bool:
        """Return whether both were taken with one lens at one zoom, the phone held alike."""
        one, two = self.prior, other.prior
        apart = abs(one.focal_px / two.focal_px - 1.0)
        turned = self.orientation != other.orientation
        return one.size_px == two.size_px and apart < SAME_FOCAL and not turned


@dataclass(frozen=True, slots=True)
class _Normal:
    """Normal matrix and right side of what is asked of all photos' unknowns, whitened."""

    matrix: FloatArray
    side: FloatArray

    def seen(self, rows: FloatArray, is_: FloatArray) -> None:
        """Add residuals is_ + rows u, (k, n) and (k,), of unit variance."""
        self.matrix[...] += rows.T @ rows
        self.side[...] -= rows.T @ is_


def at_one(views: Sequence[OneView]) -> list[Estimate]:
    """Return the photos' estimates with what they share brought to one value.

    Parameters
    ----------
    views : m of one piece, one card and one phone. Where the piece or the card has moved since
        the first one, its place beside the card is not shared.

    Raises
    ------
    ValueError
        If there are fewer than two, or the estimates cannot be of one scene.
    """
    if len(views) < 2:
        raise ValueError(f"got {len(views)} view, need two or more")
    spans = [directions(view.estimate) for view in views]
    starts = np.concatenate([[0], np.cumsum([span.shape[1] for span in spans])])
    places = [slice(a, b) for a, b in itertools.pairwise(starts.tolist())]
    total = int(starts[-1])
    normal = _Normal(np.eye(total), np.zeros(total))
    _share_priors(normal, views, spans, places)
    _share_axis(normal, views, spans, places)
    _share_profile(normal, views, places)
    if np.linalg.eigvalsh(normal.matrix)[0] <= 0.0:
        raise ValueError("the photos' estimates contradict what they share")
    covariance = np.linalg.inv(normal.matrix)
    u = covariance @ normal.side
    wider = max(UNSAID, _disagreement(u, np.asarray(covariance)))
    return [
        replace(
            view.estimate,
            x=view.estimate.x + span @ u[place],
            covariance=wider**2 * (span @ covariance[place, place] @ span.T),
        )
        for view, span, place in zip(views, spans, places, strict=True)
    ]


def _disagreement(u: FloatArray, covariance: FloatArray) -> float:
    """Return how much more the photos differ than they state, their scatter as a ratio.

    Parameters
    ----------
    u : (n,) how far they moved to agree, in their own standard deviations.
    covariance : (n, n) of that solution.

    References
    ----------
    [Birge1932]: results that differ by more than they state are as much less sure.
    """
    expected = float(np.trace(np.eye(len(u)) - covariance))
    return float(np.sqrt(u @ u / expected)) if expected > 0.0 else 1.0


def _share_priors(
    normal: _Normal,
    views: Sequence[OneView],
    spans: Sequence[FloatArray],
    places: Sequence[slice],
) -> None:
    """Count once what each photo counted for itself: priors of lens, card and rim."""
    m = len(views)
    index = [_shared_unknowns(view) for view in views]
    k = len(index[0])
    both = np.zeros((m * k, m * k))
    for i, view in enumerate(views):
        _, common, own = _prior(view)
        for j, other in enumerate(views):
            block = common + (own if i == j else 0.0)
            if not view.has_lens_of(other):
                block[:LENS] = 0.0
            both[i * k : (i + 1) * k, j * k : (j + 1) * k] = block
    scale = np.sqrt(np.diag(both))
    together = np.linalg.inv(both / np.outer(scale, scale)) / np.outer(scale, scale)
    rows = np.zeros((m * k, len(normal.side)))
    off = np.zeros(m * k)
    for i, (view, span, place) in enumerate(zip(views, spans, places, strict=True)):
        here = slice(i * k, (i + 1) * k)
        rows[here, place] = span[index[i]]
        mean, common, own = _prior(view)
        off[here] = view.estimate.x[index[i]] - mean
        each = np.sqrt(np.diag(common + own))
        alone = np.linalg.inv((common + own) / np.outer(each, each)) / np.outer(each, each)
        normal.matrix[...] -= rows[here].T @ alone @ rows[here]
        normal.side[...] += rows[here].T @ alone @ off[here]
    normal.matrix[...] += rows.T @ together @ rows
    normal.side[...] -= rows.T @ together @ off


def _shared_unknowns(view: OneView) -> NDArray[np.int64]:
    """Return where lens (5), size (2) and rim bias (2) stand among a view's unknowns."""
    rim = VIEW_SIZE + view.estimate.layout.extras + 4
    return np.array([*range(LENS), VIEW_SIZE, VIEW_SIZE + 1, rim, rim + 1], dtype=np.int64)


def _prior(view: OneView) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the prior's mean, (k,), and its covariance: common to all photos, and each one's."""
    lens, sight = view.prior, view.sight
    if isinstance(sight, SideSight):
        size, size_sd = sight.size_mm, sight.size_sd_mm
    else:
        size, size_sd = sight.scale, sight.scale_sd
    mean = np.concatenate([lens.vector(), size, np.full(2, RIM_BIAS_PX)])
    diagonal = float(np.hypot(*lens.size_px))
    moved = np.array([FOCUS_SD * lens.focal_px, *np.full(2, CENTRE_SD_OF_12MP * diagonal / 5040.0)])
    own = np.zeros((len(mean), len(mean)))
    common = np.zeros_like(own)
    # What a lens moves by from photo to photo is part of what its prior says.
    variance = np.minimum(moved**2, 0.9 * np.diag(lens.covariance)[:3])
    own[range(3), range(3)] = variance
    common[:LENS, :LENS] = lens.covariance
    common[range(3), range(3)] -= variance
    common[[5, 6], [5, 6]] = size_sd**2 * 0.999
    own[[5, 6], [5, 6]] = size_sd**2 * 0.001
    own[range(3, 5), range(3, 5)] = 0.001 * np.diag(lens.covariance)[3:5]
    common[range(3, 5), range(3, 5)] -= own[range(3, 5), range(3, 5)]
    common[RIM, RIM] = ALIKE * RIM_BIAS_SD_PX**2
    own[RIM, RIM] = view.estimate.rim_sd_px**2 - common[RIM, RIM]
    return mean, common, own


def _share_axis(
    normal: _Normal,
    views: Sequence[OneView],
    spans: Sequence[FloatArray],
    places: Sequence[slice],
) -> None:
    """The axis lies where it lay, as seen from the card."""
    first = views[0]
    for view, span, place in zip(views[1:], spans[1:], places[1:], strict=True):
        apart, of_first, of_view, _ = _axis_apart(first, view)
        rows = np.zeros((4, len(normal.side)))
        rows[:, places[0]] = -of_first @ spans[0] / NUDGE_MM
        rows[:, place] = of_view @ span / NUDGE_MM
        normal.seen(rows, apart / NUDGE_MM)


def has_moved(first: OneView, other: OneView) -> bool:
    """Return whether the piece lies elsewhere beside the card than in the first photo."""
    apart, of_first, of_other, _ = _axis_apart(first, other)
    doubt = NUDGE_MM**2 * np.eye(4)
    doubt += of_first @ first.estimate.covariance @ of_first.T
    doubt += of_other @ other.estimate.covariance @ of_other.T
    return bool(apart @ np.linalg.solve(doubt, apart) > MOVED**2)


def runs_backward(first: OneView, other: OneView) -> bool:
    """Return whether the other photo counts z from the other end, by where the axes lie."""
    *_, turn = _axis_apart(first, other)
    return float(first.estimate.axis.direction @ turn @ other.estimate.axis.direction) < 0.0


def _axis_apart(
    first: OneView, other: OneView
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return how far the other photo's axis lies from the first's, (4,) mm, how both depend on
    their photos' unknowns, (4, n) each, and the turn, (3, 3), of the other's target frame.

    Across the first's axis, in two directions, at both ends of its profile. A plain card looks
    the same turned by half a turn: it is taken the way round that brings the axes together.
    """
    z = first.shift_mm + first.profile.z_mm[[0, -1]]
    base = first.estimate.axis
    d = base.direction
    one = np.cross(d, np.eye(3)[int(np.argmin(np.abs(d)))])
    one /= np.linalg.norm(one)
    ways = np.stack([one, np.cross(d, one)])
    planes = base.at(z)
    half_turn = np.diag([-1.0, -1.0, 1.0])
    turns = [np.eye(3)] + ([half_turn] if isinstance(other.sight, SideSight) else [])

    def across(axis: Axis, turn: FloatArray) -> FloatArray:
        point, way = turn @ axis.point_mm, turn @ axis.direction
        along = ((planes - point) @ d) / (way @ d)
        return np.asarray(((point + along[:, None] * way - planes) @ ways.T).ravel())

    turn = min(turns, key=lambda t: float(np.sum(across(other.estimate.axis, t) ** 2)))

    def slopes(view: OneView, turn: FloatArray) -> FloatArray:
        fit = view.estimate
        rows = np.zeros((4, len(fit.x)))
        start = VIEW_SIZE + fit.layout.extras
        for k in range(start, start + 4):
            up, down = fit.x.copy(), fit.x.copy()
            up[k] += STEP_MM
            down[k] -= STEP_MM
            change = across(fit.layout.axis_of(up), turn) - across(fit.layout.axis_of(down), turn)
            rows[:, k] = change / (2.0 * STEP_MM)
        return rows

    apart = across(other.estimate.axis, turn)
    return apart, slopes(first, np.eye(3)), slopes(other, turn), turn


def _share_profile(normal: _Normal, views: Sequence[OneView], places: Sequence[slice]) -> None:
    """One piece has one diameter at a place, whichever photo shows it."""
    shown = [_diameters(view) for view in views]
    for at in np.arange(0.0, max(float(v.profile.z_mm[-1]) for v in views) + 1e-9, ROW_MM):
        seen = [k for k, rows in enumerate(shown) if at in rows]
        if len(seen) < 2:
            continue
        d = np.array([shown[k][at][0] for k in seen])
        weight = np.array([1.0 / shown[k][at][1] ** 2 for k in seen])
        rows = np.zeros((len(seen), len(normal.side)))
        for row, k in zip(rows, seen, strict=True):
            row[places[k]] = shown[k][at][2]
        share = weight / weight.sum()
        unit = np.sqrt(weight * ROW_MM / ALONG_MM)[:, None]
        normal.seen(unit * (rows - share @ rows), unit[:, 0] * (d - share @ d))


def _diameters(view: OneView) -> dict[float, tuple[float, float, FloatArray]]:
    """Return diameter, its own standard deviation and how it changes with u, by place.

    Places are multiples of `ROW_MM` in the first photo's count, where the profile is not steep.
    """
    profile, found = view.profile, {}
    local = np.sqrt(np.maximum(profile.u95_mm**2 - profile.u95_common_mm**2, 1e-6)) / 1.96
    for piece in profile.pieces():
        z, d = profile.z_mm[piece] + view.offset_mm, profile.diameter_mm[piece]
        rise = np.abs(np.diff(d)) > 2.0 * STEEP * np.maximum(np.diff(z), 1e-9)
        steep = z[:-1][rise]
        first, last = np.ceil(z[0] / ROW_MM), np.floor(z[-1] / ROW_MM)
        for at in ROW_MM * np.arange(first, last + 1.0):
            if np.any(np.abs(steep - at) < NEAR_MM):
                continue
            change = sum(
                np.array([np.interp(at - view.offset_mm, c.z_mm, column) for column in rows.T])
                for c, rows in zip(view.curves, view.carried.rows, strict=True)
            )
            own = float(np.interp(at, z, local[piece]))
            found[float(at)] = (float(np.interp(at, z, d)), own, np.asarray(change))
    return found
