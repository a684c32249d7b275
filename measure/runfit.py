"""Fit one run of rows: cut it, join the ends, then drop every freedom that the noise drowns."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from measure.chain import Chain, signed_distance
from measure.chainequations import Tie, tie_value
from measure.chainfit import ChainFit, fit_chain
from measure.segmenting import Costs, Segment, cut_run

__all__ = ["RunFit", "arcs_of", "fit_run", "simplify"]

FloatArray = NDArray[np.float64]

STEP_MM = 0.3
"""A jump of the radius inside one row spacing is a shoulder when it is larger than this."""
FAINT_RAD = 0.05
"""A corner of less than 3 degrees."""
FAINT_MM = 0.075
"""A rise of the radius from end to end of a line."""
CLEAR_SHARE = 0.2
"""Ties that cost less than this share of their limit are taken all at once."""


@dataclass(frozen=True, slots=True)
class RunFit:
    """What was fitted to which rows; z, r and sigma (n,), mm."""

    z: FloatArray
    r: FloatArray
    sigma: FloatArray
    fit: ChainFit


def fit_run(
    z: FloatArray,
    r: FloatArray,
    sigma: FloatArray,
    costs: Costs,
    price: float,
    tie_price: float,
) -> list[RunFit]:
    """Fit one run between shoulders; more than one fit where a hidden shoulder splits it.

    Parameters
    ----------
    z, r, sigma : (n,) rows without gap, z increasing, and the standard deviation of their
        distance normal to the outline, mm.
    costs : of the run, see `run_costs`, for the same sigma.
    price : of each free number of a further line or arc, in squared standard deviations.
    tie_price : of a corner, a slope or a bow that could as well be flowing, level or straight.
    """
    if len(z) < 2:
        point = Chain(z.copy(), r.copy(), np.zeros(0))
        return [RunFit(z, r, sigma, ChainFit(point, (), 0.0, (), np.zeros((0, 0))))]
    segments = cut_run(costs, price)
    parts = _split_at_steps(z, r, sigma, segments)
    fits = []
    for i, (part, own) in enumerate(parts):
        low = z[0] if i == 0 else 0.5 * (z[part.start - 1] + z[part.start])
        high = z[-1] if i == len(parts) - 1 else 0.5 * (z[part.stop - 1] + z[part.stop])
        rows = (z[part], r[part], sigma[part])
        fit = simplify(*rows, _first_fit(*rows, own, low, high), price, tie_price)
        fits.append(RunFit(*rows, fit))
    return fits


def _split_at_steps(
    z: FloatArray, r: FloatArray, sigma: FloatArray, segments: list[Segment]
) -> list[tuple[slice, list[Segment]]]:
    """Part a run where two neighbouring curves miss each other by a step."""
    parts: list[tuple[slice, list[Segment]]] = []
    first = 0
    for k in range(1, len(segments) + 1):
        if k < len(segments) and not _is_step(z, r, sigma, segments[k - 1], segments[k]):
            continue
        start, stop = segments[first].start, segments[k - 1].stop
        own = [Segment(s.start - start, s.stop - start, s.is_arc) for s in segments[first:k]]
        parts.append((slice(start, stop), own))
        first = k
    return parts


def _is_step(
    z: FloatArray, r: FloatArray, sigma: FloatArray, left: Segment, right: Segment
) -> bool:
    cell = np.linspace(z[left.stop - 1], z[right.start], 9)
    gap = _extend(z, r, left, cell) - _extend(z, r, right, cell)
    least = float(np.min(np.abs(gap)))
    steep = abs(r[right.start] - r[left.stop - 1]) > STEP_MM
    return (
        steep
        and not np.any(gap[:-1] * gap[1:] <= 0.0)
        and least > max(STEP_MM, 6.0 * float(sigma[left.stop - 1]))
    )


def _extend(z: FloatArray, r: FloatArray, segment: Segment, at: FloatArray) -> FloatArray:
    """Return r of the curve through a segment's rows, carried on to other z."""
    zs, rs = z[segment.start : segment.stop], r[segment.start : segment.stop]
    if len(zs) < 2:
        return np.full(at.shape, rs[0])
    if not segment.is_arc:
        return np.asarray(np.polyval(np.polyfit(zs - zs[0], rs, 1), at - zs[0]))
    bulge = _bulge_of(zs, rs)
    ends = Chain(zs[[0, -1]], rs[[0, -1]], np.array([bulge]))
    return ends.segment_radius(0, at)


def _bulge_of(z: FloatArray, r: FloatArray) -> float:
    """Return the bulge of the arc from the first to the last row that best meets the others."""
    n = len(z)
    if n < 3:
        return 0.0
    both = [(np.full(n, z[i]), np.full(n, r[i])) for i in (0, -1)]
    bulge = 0.0
    for _ in range(8):
        value = signed_distance(z, r, both[0], both[1], np.full(n, bulge))
        slope = (signed_distance(z, r, both[0], both[1], np.full(n, bulge + 1e-6)) - value) / 1e-6
        bulge = float(np.clip(bulge - slope @ value / (slope @ slope + 1e-12), -1.0, 1.0))
    return bulge


def _first_fit(
    z: FloatArray,
    r: FloatArray,
    sigma: FloatArray,
    segments: list[Segment],
    low: float,
    high: float,
) -> ChainFit:
    node_z, node_r = [low], [float(r[0])]
    for left, right in pairwise(segments):
        node_z.append(0.5 * float(z[left.stop - 1] + z[right.start]))
        node_r.append(0.5 * float(r[left.stop - 1] + r[right.start]))
    node_z.append(high)
    node_r.append(float(r[-1]))
    bulge = [
        _bulge_of(z[s.start : s.stop], r[s.start : s.stop]) if s.is_arc else 0.0 for s in segments
    ]
    start = Chain(np.array(node_z), np.array(node_r), np.array(bulge))
    return fit_chain(z, r, sigma, start, np.array([s.is_arc for s in segments]))


def simplify(
    z: FloatArray,
    r: FloatArray,
    sigma: FloatArray,
    fit: ChainFit,
    price: float,
    tie_price: float,
) -> ChainFit:
    """Level lines, smooth joints and straighten arcs as long as the criterion approves.

    A corner or a slope that no eye would see goes at the price of a segment: left free, the
    place where two curves flow into each other wanders by a millimetre.
    """
    fit = _simplify_at_once(z, r, sigma, fit, price, tie_price)
    refused: set[Tie] = set()
    for _ in range(60):
        offers = [o for o in _offers(fit, price, tie_price) if o[1] not in refused]
        if not offers:
            return fit
        _, tie, limit = min(offers)
        trial = _with_tie(z, r, sigma, fit, tie)
        if trial.criterion(limit) <= fit.criterion(limit):
            fit = trial
            refused = set() if tie[0] == "straight" else refused
        else:
            refused.add(tie)
    return fit


def _simplify_at_once(
    z: FloatArray, r: FloatArray, sigma: FloatArray, fit: ChainFit, price: float, tie_price: float
) -> ChainFit:
    """Take all clear offers together, which saves a refit for each; none if that is too dear."""
    clear = [
        (tie, limit)
        for cost, tie, limit in _offers(fit, price, tie_price)
        if cost < CLEAR_SHARE and not _removes_a_node(fit, tie)
    ]
    if len(clear) < 2:
        return fit
    arcs = arcs_of(fit)
    for (kind, k), _ in clear:
        if kind == "straight":
            arcs[k] = False
    ties = tuple(tie for tie, _ in clear if tie[0] != "straight")
    trial = fit_chain(z, r, sigma, fit.chain, arcs, (*fit.ties, *ties))
    gain = sum(limit for _, limit in clear)
    return trial if trial.chi2 - fit.chi2 <= 2.0 * CLEAR_SHARE * gain else fit


def arcs_of(fit: ChainFit) -> NDArray[np.bool_]:
    """Return which segments may bend."""
    named = set(fit.columns)
    return np.array([("bulge", k) in named for k in range(len(fit.chain.bulge))])


def _removes_a_node(fit: ChainFit, tie: Tie) -> bool:
    """Say whether a tie joins two lines into one, so that all later numbers move."""
    arcs = arcs_of(fit)
    return tie[0] == "tangent" and not arcs[tie[1] - 1] and not arcs[tie[1]]


def _offers(fit: ChainFit, price: float, tie_price: float) -> list[tuple[float, Tie, float]]:
    """Return the ties that look worth their price: (share of the limit, tie, limit).

    What a tie would cost in squared deviations is known to first order only.
    """
    arcs, count = arcs_of(fit), len(fit.chain.bulge)
    possible: list[Tie] = [("straight" if arcs[k] else "level", k) for k in range(count)]
    possible += [("tangent", k) for k in range(1, count)]
    possible = [tie for tie in possible if tie not in set(fit.ties)]
    place = {name: i for i, name in enumerate(fit.columns)}
    slopes = np.zeros((len(place), len(possible)))
    values = np.zeros(len(possible))
    for i, tie in enumerate(possible):
        values[i], own = tie_value(fit.chain, tie)
        for name, slope in own:
            if name in place:
                slopes[place[name], i] = slope
    offers = []
    for tie, value, variance in zip(possible, values, fit.variances(slopes), strict=True):
        faint = abs(value) < {"tangent": FAINT_RAD, "level": FAINT_MM}.get(tie[0], 0.0)
        limit = max(price, tie_price) if faint else tie_price
        if variance > 1e-12 and value**2 < limit * variance:
            offers.append((float(value**2 / variance / limit), tie, limit))
    return offers


def _with_tie(z: FloatArray, r: FloatArray, sigma: FloatArray, fit: ChainFit, tie: Tie) -> ChainFit:
    chain, count = fit.chain, len(fit.chain.bulge)
    arcs = arcs_of(fit)
    kind, k = tie
    if kind == "straight":
        arcs[k] = False
        return fit_chain(z, r, sigma, chain, arcs, fit.ties)
    if kind == "tangent" and not arcs[k - 1] and not arcs[k]:
        keep = np.arange(count + 1) != k
        merged = Chain(chain.z_mm[keep], chain.r_mm[keep], np.delete(chain.bulge, k))
        # A tie to the removed node or segment goes with it; those beyond move down by one.
        ties = tuple(
            (name, i if i < k else i - 1)
            for name, i in fit.ties
            if not (name == "level" and i in (k - 1, k))
        )
        return fit_chain(z, r, sigma, merged, np.delete(arcs, k), ties)
    return fit_chain(z, r, sigma, chain, arcs, (*fit.ties, tie))
