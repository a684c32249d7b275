"""Fair a profile: the fewest lines and arcs that its noise supports, with how far they stray."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from measure.chain import Chain
from measure.jointplace import place_u95
from measure.memoryfit import fitted_with_memory
from measure.profile import GRID_MM, Profile
from measure.runfit import RunFit, fit_run
from measure.runsearch import searched
from measure.segmenting import Costs, run_costs
from measure.stray import Stray, is_within, local_u95, rows_bear, stray_of

__all__ = ["FairCurve", "fair_profile", "to_profile"]

FloatArray = NDArray[np.float64]

STEEPEST_COSINE = 0.25
PRICES = (24.0, 12.0, 6.0, 3.0, 1.5, 0.75)
"""Prices of a free number that are tried, dear ones first, in logarithms of the row count."""
CHEAPEST = 1.0
"""Rows that forget each other at once and scatter as they claim support this price."""
LONGEST_MEMORY_MM = 20.0
LEAST_SHARE, TIE_SHARE = 0.25, 0.6
"""A slow wobble under coarser noise hides from its own estimate; so the price found from the
scatter is not believed below this share of the dearest one that meets the uncertainty. Corners
are judged a little more cheaply: they tell where a feature begins."""


@dataclass(frozen=True, slots=True)
class FairCurve:
    """Lines and arcs for each gapless piece of a profile.

    Attributes
    ----------
    chains : one for each piece of the profile, shoulders included as upright segments.
    smooth_joints : for each chain, the nodes without a corner.
    place_u95_mm : for each chain, (nodes,) 95 % half-width of the z of its nodes; 0 at ends.
    stray : how far it is from the rows.
    chi2, free : squared deviations of the rows that are left, and the free numbers spent.
    prices : that a free number had to earn: of a line or arc, of a tie, and the least.
    """

    chains: tuple[Chain, ...]
    smooth_joints: tuple[frozenset[int], ...]
    place_u95_mm: tuple[FloatArray, ...]
    stray: Stray
    chi2: float
    free: int
    prices: tuple[float, float, float]


def fair_profile(profile: Profile) -> FairCurve:
    """Return the lines and arcs that the rows support, no more.

    Raises
    ------
    ValueError
        When no piece of the profile has two rows of different z.
    """
    sigma = normal_sigma(profile)
    runs = [
        [_Run(z, r, s, run_costs(z, r, s)) for z, r, s in _cut(profile, piece, sigma)]
        for piece in _long_pieces(profile)
    ]
    if not runs:
        raise ValueError("the profile has no two rows of different z; nothing to fair")
    log_rows = float(np.log(max(len(profile.z_mm), 8)))
    price = PRICES[0]
    fits = _fit_all(runs, price * log_rows)
    curve = _curve(profile, fits)
    for cheaper in PRICES[1:]:
        if rows_bear(curve.stray):
            break
        price = cheaper
        fits = _fit_all(runs, price * log_rows)
        curve = _curve(profile, fits)
    supported = min(_supported_price(profile, curve), price)
    tie_price = price
    if supported < price:
        price = max(supported, price * LEAST_SHARE)
        tie_price = max(supported, price * TIE_SHARE)
        fits = _fit_all(runs, price * log_rows, tie_price * log_rows)
    least = max(supported, CHEAPEST)
    prices = (price * log_rows, tie_price * log_rows, min(least, tie_price) * log_rows)
    fits = [[searched(run, *prices) for run in piece] for piece in fits]
    curve = _curve(profile, fits)
    fits, curve = _mended(profile, runs, fits, curve, least * log_rows)
    moved = fitted_with_memory(fits)
    truer = _curve(profile, moved)
    if is_within(truer.stray) or not is_within(curve.stray):
        fits, curve = moved, truer
    # The fit took the rows for independent, as uncertain as they claim: put that right.
    spread = float(np.sqrt(_supported_price(profile, curve)))
    places = (np.concatenate([place_u95(fit, spread) for fit in piece]) for piece in fits)
    return replace(curve, place_u95_mm=tuple(places), prices=prices)


def _mended(
    profile: Profile,
    runs: list[list[_Run]],
    fits: list[list[RunFit]],
    curve: FairCurve,
    price: float,
) -> tuple[list[list[RunFit]], FairCurve]:
    """Fit the run anew that leaves the rows over millimetres, at the price the scatter supports.

    The price that guards against a slow wobble hides a feature as well; where the rows lie to one
    side by more than is known of them, they speak of a feature.
    """
    stray = curve.stray
    if stray.mean_mm <= stray.mean_allowed_mm:
        return fits, curve
    at = stray.mean_z_mm
    trial = []
    for own, piece in zip(runs, fits, strict=True):
        new: list[RunFit] = []
        for run in own:
            if run.z[0] <= at <= run.z[-1]:
                new += fit_run(run.z, run.r, run.sigma, run.costs, price, price)
            else:
                new += [fit for fit in piece if run.z[0] <= fit.z[0] and fit.z[-1] <= run.z[-1]]
        trial.append(new)
    other = _curve(profile, trial)
    share, before = (s.mean_mm / s.mean_allowed_mm for s in (other.stray, stray))
    return (trial, other) if share < before else (fits, curve)


@dataclass(frozen=True, slots=True)
class _Run:
    z: FloatArray
    r: FloatArray
    sigma: FloatArray
    costs: Costs


def _cut(
    profile: Profile, piece: slice, sigma: FloatArray
) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
    z, r, s = profile.z_mm[piece], 0.5 * profile.diameter_mm[piece], sigma[piece]
    return [(z[run], r[run], s[run]) for run in _runs(z)]


def _fit_all(
    pieces: list[list[_Run]], price: float, tie_price: float | None = None
) -> list[list[RunFit]]:
    prices = (price, price if tie_price is None else tie_price)
    return [
        [fit for run in runs for fit in fit_run(run.z, run.r, run.sigma, run.costs, *prices)]
        for runs in pieces
    ]


def _curve(profile: Profile, fits: list[list[RunFit]]) -> FairCurve:
    """Return the curve of the fits; places of its nodes, and prices, are left open."""
    chains, smooth = zip(*(_join(piece) for piece in fits), strict=True)
    chi2 = sum(run.fit.chi2 for piece in fits for run in piece)
    free = sum(run.fit.free for piece in fits for run in piece)
    stray = stray_of(chains, _long_pieces(profile), profile)
    return FairCurve(chains, smooth, (), stray, chi2, free, (0.0, 0.0, 0.0))


def _supported_price(profile: Profile, curve: FairCurve) -> float:
    """Return how dear a free number is, given how the rows scatter about a curve.

    Noise of the variance v (in units of what the uncertainty allows) that forgets itself only
    over m rows holds n / m independent rows of variance v: a free number must win v m log n.
    """
    variance, memory, weight = 0.0, 0.0, 0
    allowed = local_u95(profile) / 1.96
    for chain, piece in zip(curve.chains, _long_pieces(profile), strict=True):
        z = profile.z_mm[piece]
        fair = 2.0 * chain.radius_at(z)
        # Steep sides and the rows beside shoulders would drown the rest.
        calm = np.abs(np.gradient(fair)) < 0.5
        ratio = np.where(calm, (profile.diameter_mm[piece] - fair) / allowed[piece], 0.0)
        if calm.sum() < 8:
            continue
        variance += float(np.sum(ratio**2) / calm.sum()) * len(z)
        memory += _memory(ratio, int(min(LONGEST_MEMORY_MM / GRID_MM, len(z) // 4))) * len(z)
        weight += len(z)
    if not weight:
        return PRICES[0]
    return variance / weight * memory / weight


def _memory(ratio: FloatArray, most: int) -> float:
    """Return over how many rows a series forgets itself: 1 for independent rows."""
    power = max(float(ratio @ ratio), 1e-12)
    memory = 1.0
    for lag in range(1, most):
        rho = float(ratio[lag:] @ ratio[:-lag]) / power
        if rho < 0.05:
            break
        memory += 2.0 * rho
    return memory


def normal_sigma(profile: Profile) -> FloatArray:
    """Return the standard deviation of each row's distance normal to the outline, mm."""
    sigma = 0.5 * local_u95(profile) / 1.96
    for piece in profile.pieces():
        for run in _runs(profile.z_mm[piece]):
            rows = np.arange(len(profile.z_mm))[piece][run]
            if len(rows) > 2:
                slope = np.gradient(0.5 * profile.diameter_mm[rows], profile.z_mm[rows])
                sigma[rows] *= np.maximum(1.0 / np.sqrt(1.0 + slope**2), STEEPEST_COSINE)
    return sigma


def to_profile(curve: FairCurve, like: Profile) -> Profile:
    """Return the fair curve on the rows of the profile that it was fitted to."""
    diameter = like.diameter_mm.copy()
    for chain, piece in zip(curve.chains, _long_pieces(like), strict=True):
        z = like.z_mm[piece]
        d = 2.0 * chain.radius_at(z)
        second = np.concatenate([[False], np.diff(z) <= 0.0])
        for i in np.nonzero(second)[0]:
            d[i] = 2.0 * _after(chain, float(z[i]))
        diameter[piece] = np.where(np.isfinite(d), d, diameter[piece])
    return replace(like, diameter_mm=diameter)


def _long_pieces(profile: Profile) -> list[slice]:
    return [p for p in profile.pieces() if profile.z_mm[p][-1] > profile.z_mm[p][0]]


def _after(chain: Chain, z: float) -> float:
    nodes = np.nonzero(np.abs(chain.z_mm - z) < 1e-9)[0]
    return float(chain.r_mm[nodes[-1]]) if len(nodes) else float(chain.radius_at(np.array([z]))[0])


def _runs(z: FloatArray) -> list[slice]:
    cuts = np.nonzero(np.diff(z) <= 0.0)[0] + 1
    edges = [0, *cuts.tolist(), len(z)]
    return [slice(a, b) for a, b in pairwise(edges)]


def _join(fits: list[RunFit]) -> tuple[Chain, frozenset[int]]:
    z: list[float] = []
    r: list[float] = []
    bulge: list[float] = []
    smooth: set[int] = set()
    for i, fit in enumerate(f.fit for f in fits):
        if i:
            bulge.append(0.0)
        offset = len(z)
        z += fit.chain.z_mm.tolist()
        r += fit.chain.r_mm.tolist()
        bulge += fit.chain.bulge.tolist()
        smooth |= {offset + k for name, k in fit.ties if name == "tangent"}
    return Chain(np.array(z), np.array(r), np.array(bulge)), frozenset(smooth)
