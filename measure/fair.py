"""Fair a profile: the fewest lines and arcs that its noise supports, with how far they stray."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from measure.chain import Chain, arc_centre, signed_distance
from measure.chainfit import ChainFit, Tie, fit_chain, tie_value
from measure.profile import Profile
from measure.segmenting import Segment, cut_run

__all__ = ["FairCurve", "Stray", "fair_profile", "local_u95", "to_profile"]

FloatArray = NDArray[np.float64]

FINEST_U95_MM = 0.03
"""No turned diameter is known, or matters, to better than this; a drawn plan has u95 = 0."""
ROUGH_SHARE = 0.35
"""The noise taken for the fit is at least this share of what the local uncertainty allows."""
STEEPEST_COSINE = 0.25
STEP_MM = 0.3
"""A jump of the radius inside one row spacing is a shoulder when it is larger than this."""


@dataclass(frozen=True, slots=True)
class Stray:
    """Where the fair curve is farthest from the rows, on the diameter, mm.

    `distance_mm` is twice the distance normal to the curve; `allowed_mm` the local U95 there;
    `rows_outside` counts rows that stray more than their own local U95, of `rows` in all.
    """

    distance_mm: float
    z_mm: float
    allowed_mm: float
    rows_outside: int
    rows: int


@dataclass(frozen=True, slots=True)
class FairCurve:
    """Lines and arcs for each gapless piece of a profile.

    Attributes
    ----------
    chains : one for each piece of the profile, shoulders included as upright segments.
    smooth_joints : for each chain, the nodes without a corner.
    place_u95_mm : for each chain, (nodes,) 95 % half-width of the z of its nodes; 0 at ends.
    stray : how far it is from the rows.
    """

    chains: tuple[Chain, ...]
    smooth_joints: tuple[frozenset[int], ...]
    place_u95_mm: tuple[FloatArray, ...]
    stray: Stray


def local_u95(profile: Profile) -> FloatArray:
    """Return the part of each row's u95 that it does not share with all others, mm."""
    left = profile.u95_mm**2 - profile.u95_common_mm**2
    return np.asarray(np.sqrt(np.maximum(left, FINEST_U95_MM**2)))


def fair_profile(profile: Profile) -> FairCurve:
    """Return the lines and arcs that the rows support, no more.

    Raises
    ------
    ValueError
        When no piece of the profile has two rows of different z.
    """
    sigma = normal_sigma(profile)
    log_rows = float(np.log(max(len(profile.z_mm), 8)))
    chains, smooth, places, strays = [], [], [], []
    for piece in profile.pieces():
        z, r = profile.z_mm[piece], 0.5 * profile.diameter_mm[piece]
        if z[-1] - z[0] <= 0.0:
            continue
        fits = [
            fit
            for run in _runs(z)
            for fit in _fit_run(z[run], r[run], sigma[piece][run], log_rows)
        ]
        chain, joints, place = _join(fits)
        chains.append(chain)
        smooth.append(joints)
        places.append(place)
        strays.append(_stray(chain, profile, piece))
    if not chains:
        raise ValueError("the profile has no two rows of different z; nothing to fair")
    worst = max(strays, key=lambda s: s.distance_mm / s.allowed_mm)
    total = replace(
        worst, rows=sum(s.rows for s in strays), rows_outside=sum(s.rows_outside for s in strays)
    )
    return FairCurve(tuple(chains), tuple(smooth), tuple(places), total)


def normal_sigma(profile: Profile) -> FloatArray:
    """Return the standard deviation of each row's distance normal to the outline, mm.

    Taken from the scatter of neighbouring rows where that is less than what the local
    uncertainty allows, but not below `ROUGH_SHARE` of it.
    """
    allowed = 0.5 * local_u95(profile) / 1.96
    cosine = np.ones(len(profile.z_mm))
    scatter = []
    for piece in profile.pieces():
        for run in _runs(profile.z_mm[piece]):
            rows = np.arange(len(profile.z_mm))[piece][run]
            z, r = profile.z_mm[rows], 0.5 * profile.diameter_mm[rows]
            if len(rows) < 5:
                continue
            slope = np.gradient(r, z)
            cosine[rows] = 1.0 / np.sqrt(1.0 + slope**2)
            third = np.diff(r, 3) / np.sqrt(20.0)
            flat = np.abs(slope[1:-2]) < 1.0
            scatter.append((third / allowed[rows][1:-2])[flat])
    share = 1.0
    if scatter:
        every = np.concatenate(scatter)
        if len(every):
            share = float(np.clip(1.4826 * np.median(np.abs(every)), ROUGH_SHARE, 1.0))
    return np.asarray(allowed * share * np.maximum(cosine, STEEPEST_COSINE))


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
    return [slice(a, b) for a, b in zip(edges[:-1], edges[1:], strict=True)]


def _fit_run(z: FloatArray, r: FloatArray, sigma: FloatArray, log_rows: float) -> list[ChainFit]:
    """Fit one run between shoulders; more than one fit where a hidden shoulder splits it."""
    if len(z) < 2:
        point = Chain(z.copy(), r.copy(), np.zeros(0))
        return [ChainFit(point, (), 0.0, 1, np.zeros((0, 0)), ())]
    segments = cut_run(z, r, sigma, log_rows)
    parts = _split_at_steps(z, r, sigma, segments)
    fits = []
    for i, (part, own) in enumerate(parts):
        low = z[0] if i == 0 else 0.5 * (z[part.start - 1] + z[part.start])
        high = z[-1] if i == len(parts) - 1 else 0.5 * (z[part.stop - 1] + z[part.stop])
        rows = (z[part], r[part], sigma[part])
        fits.append(_simplify(*rows, _first_fit(*rows, own, low, high), log_rows))
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
        own = [
            Segment(s.start - start, s.stop - start, s.is_arc) for s in segments[first:k]
        ]
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
    return steep and not np.any(gap[:-1] * gap[1:] <= 0.0) and least > max(
        STEP_MM, 6.0 * float(sigma[left.stop - 1])
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
    z: FloatArray, r: FloatArray, sigma: FloatArray, segments: list[Segment], low: float, high: float
) -> ChainFit:
    node_z, node_r = [low], [float(r[0])]
    for left, right in zip(segments[:-1], segments[1:], strict=True):
        node_z.append(0.5 * float(z[left.stop - 1] + z[right.start]))
        node_r.append(0.5 * float(r[left.stop - 1] + r[right.start]))
    node_z.append(high)
    node_r.append(float(r[-1]))
    bulge = [_bulge_of(z[s.start : s.stop], r[s.start : s.stop]) if s.is_arc else 0.0
             for s in segments]
    start = Chain(np.array(node_z), np.array(node_r), np.array(bulge))
    return fit_chain(z, r, sigma, start, np.array([s.is_arc for s in segments]))


def _simplify(
    z: FloatArray, r: FloatArray, sigma: FloatArray, fit: ChainFit, log_rows: float
) -> ChainFit:
    """Level lines, smooth joints and straighten arcs as long as the criterion approves."""
    refused: set[Tie] = set()
    for _ in range(60):
        offers = [offer for offer in _offers(fit) if offer[1] not in refused]
        offers = [offer for offer in offers if offer[0] < log_rows]
        if not offers:
            return fit
        price, tie = min(offers)
        trial = _with_tie(z, r, sigma, fit, tie)
        if trial.criterion(log_rows) <= fit.criterion(log_rows):
            fit = trial
            refused = set() if tie[0] in ("straight", "merge") else refused
        else:
            refused.add(tie)
    return fit


def _offers(fit: ChainFit) -> list[tuple[float, Tie]]:
    """Return what each possible tie would cost in squared deviations, to first order."""
    chain, count = fit.chain, len(fit.chain.bulge)
    straight = [not any(c == ("bulge", k) for c in fit.columns) for k in range(count)]
    possible: list[Tie] = [("level", k) for k in range(count) if straight[k]]
    possible += [("straight", k) for k in range(count) if not straight[k]]
    possible += [("tangent", k) for k in range(1, count)]
    place = {name: i for i, name in enumerate(fit.columns)}
    offers = []
    for tie in possible:
        if tie in fit.ties:
            continue
        value, slopes = tie_value(chain, tie)
        g = np.zeros(len(place))
        for name, slope in slopes:
            if name in place:
                g[place[name]] = slope
        variance = float(g @ fit.covariance @ g)
        if variance > 1e-12:
            offers.append((value**2 / variance, tie))
    return offers


def _with_tie(
    z: FloatArray, r: FloatArray, sigma: FloatArray, fit: ChainFit, tie: Tie
) -> ChainFit:
    chain, count = fit.chain, len(fit.chain.bulge)
    arcs = np.array([("bulge", k) in fit.columns for k in range(count)])
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


def _join(fits: list[ChainFit]) -> tuple[Chain, frozenset[int], FloatArray]:
    z, r, bulge, smooth, place = [], [], [], set(), []
    for i, fit in enumerate(fits):
        if i:
            bulge.append(0.0)
        offset = len(z)
        z += fit.chain.z_mm.tolist()
        r += fit.chain.r_mm.tolist()
        bulge += fit.chain.bulge.tolist()
        smooth |= {offset + k for name, k in fit.ties if name == "tangent"}
        spread = {k: j for j, (what, k) in enumerate(fit.columns) if what == "z"}
        place += [
            1.96 * float(np.sqrt(max(fit.covariance[spread[k], spread[k]], 0.0)))
            if k in spread else 0.0
            for k in range(len(fit.chain.z_mm))
        ]
    return Chain(np.array(z), np.array(r), np.array(bulge)), frozenset(smooth), np.array(place)


def _stray(chain: Chain, profile: Profile, piece: slice) -> Stray:
    z, r = profile.z_mm[piece], 0.5 * profile.diameter_mm[piece]
    allowed = local_u95(profile)[piece]
    distance = 2.0 * distance_to_chain(chain, z, r)
    worst = int(np.argmax(distance / allowed))
    return Stray(
        float(distance[worst]), float(z[worst]), float(allowed[worst]),
        int(np.sum(distance > allowed)), len(z),
    )


def distance_to_chain(chain: Chain, z: FloatArray, r: FloatArray) -> FloatArray:
    """Return the distance of points, shape (n,), from the nearest part of a chain, mm."""
    best = np.full(z.shape, np.inf)
    for k in range(len(chain.bulge)):
        a = (float(chain.z_mm[k]), float(chain.r_mm[k]))
        b = (float(chain.z_mm[k + 1]), float(chain.r_mm[k + 1]))
        ends = np.minimum(np.hypot(z - a[0], r - a[1]), np.hypot(z - b[0], r - b[1]))
        chord = (b[0] - a[0], b[1] - a[1])
        length = float(np.hypot(*chord))
        if length == 0.0:
            best = np.minimum(best, ends)
            continue
        if chain.is_arc(k):
            zc, rc, radius = arc_centre(a, b, float(chain.bulge[k]))
            middle = (0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1]))
            height = 0.5 * length * chain.bulge[k]
            top = (middle[0] - chord[1] / length * height, middle[1] + chord[0] / length * height)
            reach = np.cos(2.0 * np.arctan(abs(float(chain.bulge[k]))))
            off = np.hypot(z - zc, r - rc)
            with np.errstate(invalid="ignore", divide="ignore"):
                aim = ((z - zc) * (top[0] - zc) + (r - rc) * (top[1] - rc)) / (radius * off)
            beside = np.nan_to_num(aim, nan=-1.0) >= reach
            direct = np.abs(off - radius)
        else:
            t = ((z - a[0]) * chord[0] + (r - a[1]) * chord[1]) / length**2
            beside = (t >= 0.0) & (t <= 1.0)
            direct = np.abs(((r - a[1]) * chord[0] - (z - a[0]) * chord[1]) / length)
        best = np.minimum(best, np.where(beside, np.minimum(direct, ends), ends))
    return best
