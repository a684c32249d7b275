"""Other chains that the rows of a run might follow as well: where a search should look.

A run is cut before its segments are joined and their ties are known, and freedoms are dropped one
at a time. Each trial here is a place where either can have gone past the better chain.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from measure.chain import Chain, arc_centre, directions
from measure.chainequations import Tie
from measure.chainfit import ChainFit, fit_chain
from measure.runfit import RunFit, arcs_of

__all__ = ["trials_of"]

FloatArray = NDArray[np.float64]

FAINT_RAD = 0.3
"""A corner of less than 17 degrees beside a curve may be one that the piece does not have."""
LONGEST_MM = 10.0
"""A longer straight is one: no curve is cut into such (common practice, no source)."""
FLAT_MM = 2.0
"""How wide a level straight is put into a corner to begin with; the fit then finds its ends."""
LEAST_MM = 0.5
"""Nodes nearer than two rows are one place."""


def trials_of(run: RunFit, fit: ChainFit, price: float) -> Iterator[ChainFit]:
    """Yield other fits to the rows of a run, not yet simplified.

    Parameters
    ----------
    run : the rows.
    fit : the chain about which to look.
    price : that a free number more must earn, in squared standard deviations.
    """
    yield from _bent(run, fit)
    yield from _crossed_again(run, fit)
    yield from _tied_at_once(run, fit)
    yield from _with_a_flat(run, fit, price)


def _turns(chain: Chain) -> FloatArray:
    """Return by how much the outline turns at each node, radians; 0 at the ends."""
    starts, ends = directions(chain.z_mm, chain.r_mm, chain.bulge)
    return np.concatenate([[0.0], starts[1:] - ends[:-1], [0.0]])


def _faint(fit: ChainFit) -> set[int]:
    """Return the joints of a curve with a corner that may be none."""
    turns, arcs = _turns(fit.chain), arcs_of(fit)
    tied = {k for name, k in fit.ties if name == "tangent"}
    return {
        k
        for k in range(1, len(arcs))
        if k not in tied and abs(turns[k]) < FAINT_RAD and (arcs[k - 1] or arcs[k])
    }


def _bent(run: RunFit, fit: ChainFit) -> Iterator[ChainFit]:
    """Yield fits that have an arc in place of a short line, flowing into its neighbours.

    A line is cheaper than an arc as long as the segments are not joined; that an arc flows into
    its neighbours, and so is the cheaper one, shows only later.
    """
    chain, arcs, faint = fit.chain, arcs_of(fit), _faint(fit)
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
            yield fit_chain(run.z, run.r, run.sigma, chain, bent, ties)


def _crossed_again(run: RunFit, fit: ChainFit) -> Iterator[ChainFit]:
    """Yield fits with a joint where its two curves cross a second time.

    A circle meets a line, or another circle, in two points. Where the corner is faint they lie
    near each other, the rows between them fit either curve, and the least squares have a
    minimum about each.
    """
    arcs = arcs_of(fit)
    for k in sorted(_faint(fit)):
        start = _other_crossing(fit.chain, k)
        if start is not None:
            yield fit_chain(run.z, run.r, run.sigma, start, arcs, fit.ties)


def _other_crossing(chain: Chain, k: int) -> Chain | None:
    """Return the chain with node k at the other point where its two segments' curves meet.

    None where that lies beyond a neighbour. The two points mirror each other about the line
    through both centres, or through the one centre square to the line.
    """
    node = np.array([chain.z_mm[k], chain.r_mm[k]])
    centres = [_centre(chain, i) for i in (k - 1, k)]
    known = [c for c in centres if c is not None]
    if not known:
        return None
    straight = k if centres[1] is None else k - 1
    along = (
        np.subtract(known[1][:2], known[0][:2])
        if len(known) == 2
        else np.array([-np.diff(chain.r_mm)[straight], np.diff(chain.z_mm)[straight]])
    )
    if not np.any(along):
        return None
    along = along / np.hypot(*along)
    off = node - known[0][:2]
    other = known[0][:2] + 2.0 * float(off @ along) * along - off
    low, high = chain.z_mm[k - 1] + LEAST_MM, chain.z_mm[k + 1] - LEAST_MM
    if not low < other[0] < high or abs(other[0] - node[0]) < LEAST_MM:
        return None
    z, r, bulge = chain.z_mm.copy(), chain.r_mm.copy(), chain.bulge.copy()
    z[k], r[k] = other
    for i, centre in zip((k - 1, k), centres, strict=True):
        if centre is not None:
            half = 0.5 * float(np.hypot(z[i + 1] - z[i], r[i + 1] - r[i]))
            rest = np.sqrt(max(centre[2] ** 2 - half**2, 0.0))
            bulge[i] = np.sign(bulge[i]) * (centre[2] - rest) / half
    return Chain(z, r, bulge)


def _centre(chain: Chain, i: int) -> tuple[float, float, float] | None:
    """Return z, r of the centre of a segment's circle and its radius; None for a line."""
    if not chain.is_arc(i):
        return None
    ends = ((float(chain.z_mm[j]), float(chain.r_mm[j])) for j in (i, i + 1))
    return arc_centre(next(ends), next(ends), float(chain.bulge[i]))


def _tied_at_once(run: RunFit, fit: ChainFit) -> Iterator[ChainFit]:
    """Yield fits with several ties more that are each too dear alone.

    A line that a curve flows into is level and has no corner there; as long as the one is not
    said the other seems to cost too much.
    """
    arcs, faint = arcs_of(fit), _faint(fit)
    for k in range(len(arcs)):
        joints = [j for j in (k, k + 1) if j in faint]
        if arcs[k] or not joints:
            continue
        level: list[Tie] = [] if ("level", k) in fit.ties else [("level", k)]
        choices = [joints] if len(joints) == 1 else [joints, joints[:1], joints[1:]]
        # What flows into the line may be an ogee, which flows within itself too.
        choices += [[j - 1, j] for j in joints if j == k and j - 1 in faint]
        choices += [[j, j + 1] for j in joints if j == k + 1 and j + 1 in faint]
        for some in choices:
            ties = (*fit.ties, *level, *(("tangent", j) for j in some))
            yield fit_chain(run.z, run.r, run.sigma, fit.chain, arcs, ties)


def _with_a_flat(run: RunFit, fit: ChainFit, price: float) -> Iterator[ChainFit]:
    """Yield fits with a level straight more, at a corner or an end, or in place of a short curve.

    The cutting takes a straight for a place, a height and a slope. A level one between two
    others is one number alone, which shows when it is joined to them.
    """
    chain, arcs = fit.chain, arcs_of(fit)
    tied = {k for name, k in fit.ties if name == "tangent"}
    level = {k for name, k in fit.ties if name == "level"}
    rows = (run.z, run.r, run.sigma)
    for k in range(len(arcs)):
        short = chain.z_mm[k + 1] - chain.z_mm[k] < LONGEST_MM
        if short and k not in level and len(arcs) > 1:
            straight = arcs.copy()
            straight[k] = False
            ties = tuple(t for t in fit.ties if not (t[0] == "tangent" and t[1] in (k, k + 1)))
            yield fit_chain(*rows, chain, straight, (*ties, ("level", k)))
    gain = _left_over(run, fit)
    for k in range(len(arcs) + 1):
        if level & {k - 1, k} or (k not in tied and gain[k] < price):
            continue
        bends = np.insert(arcs, k, False)
        ties = tuple((name, i if i < k else i + 1) for name, i in fit.ties)
        # What flowed at the joint flows into the straight and out of it.
        flows: tuple[Tie, ...] = (("tangent", k),) if k in tied else ()
        for start in _flats_at(chain, k, k in tied):
            yield fit_chain(*rows, start, bends, (*ties, *flows, ("level", k)))


def _left_over(run: RunFit, fit: ChainFit) -> FloatArray:
    """Return the squared deviations of the rows about each node: a flat there gains no more."""
    off = run.r - fit.chain.radius_at(run.z)
    slope = np.gradient(run.r, run.z)
    sums = np.concatenate([[0.0], np.cumsum((off / run.sigma) ** 2 / (1.0 + slope**2))])
    low, high = (
        np.searchsorted(run.z, fit.chain.z_mm + side) for side in (-LONGEST_MM, LONGEST_MM)
    )
    return np.asarray(sums[high] - sums[low])


def _flats_at(chain: Chain, k: int, flows: bool) -> Iterator[Chain]:
    """Yield the chain with a level segment k put in about node k, where it has room.

    At a corner before and behind it, so that the bow beside it keeps its end: a steep side that
    is cut short does not find back.
    """
    z = chain.z_mm
    starts = (-0.5,) if flows else (-1.0, 0.0)
    for low in (z[k] + FLAT_MM * share for share in starts):
        high = low + FLAT_MM
        room_before = low >= z[k] if k == 0 else low - z[k - 1] > LEAST_MM
        room_behind = high <= z[k] if k == len(chain.bulge) else z[k + 1] - high > LEAST_MM
        if room_before and room_behind:
            nodes = np.concatenate([z[:k], [low, high], z[k + 1 :]])
            r = np.insert(chain.r_mm, k, chain.r_mm[k])
            yield Chain(nodes, r, np.insert(chain.bulge, k, 0.0))
